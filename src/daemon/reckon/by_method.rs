//! Worksheets by a method file: the levels that its steps read, its marks, its rules.

use super::lines::{Lines, Next};
use super::{ReckonArgs, over_warning};
use crate::daemon::exit::Exit;
use crate::domain::calculation::{self, Calculation, Levels, level_from_text};
use crate::domain::measure::masses;
use crate::domain::method::{self, Confidence, Foot, Level, Method, Sourced};
use rust_decimal::Decimal;
use std::io::{self, BufWriter, Read, Write};
use std::path::Path;

/// Why a worksheet was not read to its end.
#[derive(Debug, thiserror::Error)]
pub(super) enum Stop {
    /// The header lacks what the method reads.
    #[error("{0}")]
    Header(String),
    /// A stream failed.
    #[error("cannot read or write: {0}")]
    Io(#[from] io::Error),
}

/// Does what `reckon --method` says.
pub(super) fn main(args: &ReckonArgs, file: &Path) -> Exit {
    let method = match read(file) {
        Ok(method) => method,
        Err((exit, text)) => {
            eprintln!("stillstand: {text}");
            return exit;
        }
    };
    if let Some(moisture) = args.moisture {
        return told(portion(&method, moisture, args.fines));
    }
    let wanted: Vec<Level> = columns(&method);
    let given: Vec<Option<Decimal>> = wanted.iter().map(|level| args.level(*level)).collect();
    if args.sand.is_some() || args.clay.is_some() || args.sediment.is_some() {
        let Some(levels) = given.into_iter().collect::<Option<Vec<_>>>() else {
            eprintln!("stillstand: {} reads {}: give these and no others", method.id, names(&wanted));
            return Exit::Usage;
        };
        return one(&method, &wanted, &levels, args.json);
    }
    let (input, out) = (io::stdin().lock(), BufWriter::new(io::stdout().lock()));
    match sheet(&method, input, out, io::stderr().lock(), args.json) {
        Ok(0) => Exit::Ok,
        Ok(_) => Exit::Data,
        // Whoever read has seen enough: `stillstand reckon | head`.
        Err(Stop::Io(e)) if e.kind() == io::ErrorKind::BrokenPipe => Exit::Ok,
        Err(stop) => {
            eprintln!("stillstand: {stop}");
            if matches!(stop, Stop::Header(_)) { Exit::Data } else { Exit::Io }
        }
    }
}

fn read(file: &Path) -> Result<Method, (Exit, String)> {
    let text = std::fs::read_to_string(file)
        .map_err(|e| (Exit::Io, format!("cannot read the method {}: {e}", file.display())))?;
    method::load(&file.display().to_string(), &text).map_err(|faults| {
        let lines: Vec<String> = faults.iter().map(ToString::to_string).collect();
        (Exit::Config, lines.join("\nstillstand: "))
    })
}

/// What a row holds: sand before clay, as worksheets have it.
fn columns(method: &Method) -> Vec<Level> {
    let mut levels: Vec<Level> = method.levels().collect();
    levels.reverse();
    levels
}

fn names(levels: &[Level]) -> String {
    levels.iter().map(|level| level.word()).collect::<Vec<_>>().join(" and ")
}

/// The number of one row, or everything that is wrong with it.
fn number(method: &Method, columns: &[Level], values: &[Decimal]) -> Result<Calculation, String> {
    // A worksheet holds the sand reading itself: whatever the foot, its offset is off already.
    let none = Sourced { value: Some(Decimal::ZERO), source: String::new(), confidence: Confidence::Derived };
    let foot = Foot { name: String::new(), offset: none };
    let rule = &method.readings;
    let marked = |of: Level| {
        let value = columns.iter().zip(values).find(|(level, _)| **level == of).map(|(_, value)| *value);
        let value = value.ok_or_else(|| format!("no {} reading", of.word()))?;
        match of {
            Level::Clay => calculation::clay(value, rule),
            Level::Sand => calculation::sand(value, &foot, rule),
            Level::Sediment => calculation::sediment(value, rule),
        }
        .map_err(|e| e.to_string())
    };
    let levels = if columns.contains(&Level::Sediment) {
        Levels::One { sediment: marked(Level::Sediment)? }
    } else {
        match (marked(Level::Sand), marked(Level::Clay)) {
            (Ok(sand), Ok(clay)) => Levels::Two { sand, clay },
            (Err(a), Err(b)) => return Err(format!("{a}; {b}")),
            (Err(error), Ok(_)) | (Ok(_), Err(error)) => return Err(error),
        }
    };
    calculation::from_levels(levels, &method.calculation).map_err(|e| e.to_string())
}

/// The recorded levels, in the order of the columns.
fn recorded(calculation: &Calculation) -> Vec<Decimal> {
    match calculation.levels {
        Levels::Two { sand, clay } => vec![sand.recorded, clay.recorded],
        Levels::One { sediment } => vec![sediment.recorded],
    }
}

fn one(method: &Method, columns: &[Level], values: &[Decimal], json: bool) -> Exit {
    let calculation = match number(method, columns, values) {
        Ok(calculation) => calculation,
        Err(why) => {
            eprintln!("stillstand: {why}");
            return Exit::Data;
        }
    };
    if let (true, [sand, clay]) = (calculation.sand_over_clay, values) {
        eprintln!("stillstand: {}", over_warning(*sand, *clay));
    }
    let text = if json {
        as_json(None, columns, &calculation)
    } else {
        let unit = method.readings.unit;
        let levels = columns.iter().zip(values).zip(recorded(&calculation)).map(|((level, entered), to)| {
            let word = level.word();
            if *entered == to {
                format!("{word} {to} {unit}")
            } else {
                format!("{word} {entered} {unit}, recorded {to} {unit}")
            }
        });
        let levels = levels.collect::<Vec<_>>().join(", ");
        let (value, reported) = (calculation.ratio_tenths, calculation.reported);
        format!("{levels}, {} {value}, reported {reported}", method.quantity)
    };
    told(Ok(text))
}

fn told(text: Result<String, String>) -> Exit {
    match text {
        Ok(text) => match writeln!(io::stdout().lock(), "{text}") {
            Ok(()) => Exit::Ok,
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Exit::Ok,
            Err(e) => {
                eprintln!("stillstand: cannot write: {e}");
                Exit::Io
            }
        },
        Err(why) => {
            eprintln!("stillstand: {why}");
            Exit::Data
        }
    }
}

fn as_json(line: Option<u64>, columns: &[Level], c: &Calculation) -> String {
    let mut fields: Vec<String> = line.map(|line| format!("\"line\":{line}")).into_iter().collect();
    fields.extend(columns.iter().zip(recorded(c)).map(|(level, to)| format!("\"{}\":{to}", level.word())));
    fields.extend(c.exact.map(|exact| format!("\"exact\":\"{exact}\"")));
    fields.extend(c.unrounded.map(|value| format!("\"unrounded\":\"{value}\"")));
    fields.push(format!("\"ratio\":{}", c.ratio_tenths));
    fields.push(format!("\"reported\":{}", c.reported));
    fields.push(format!("\"flags\":[{}]", if c.sand_over_clay { "\"sand-over-clay\"" } else { "" }));
    format!("{{{}}}", fields.join(","))
}

/// Computes a whole worksheet; gives the number of rows that were left out.
pub(super) fn sheet(
    method: &Method,
    input: impl Read,
    mut out: impl Write,
    mut errors: impl Write,
    json: bool,
) -> Result<u64, Stop> {
    let (columns, mut lines, mut wrong) = (columns(method), Lines::new(input), 0);
    let places = header(&mut lines, &columns)?;
    let width = lines.count();
    if !json {
        let names: Vec<&str> = columns.iter().map(|level| level.word()).collect();
        writeln!(out, "{},ratio,reported", names.join(","))?;
    }
    loop {
        if lines.may_wait() {
            out.flush()?;
        }
        let row = match lines.next()? {
            Next::End => break,
            Next::Wrong(why) => Err(why.to_owned()),
            Next::Row if lines.count() != width => {
                Err(format!("{} fields, where the header has {width}", lines.count()))
            }
            Next::Row => values(&lines, &columns, &places)
                .and_then(|values| Ok((number(method, &columns, &values)?, values))),
        };
        match row {
            Ok((calculation, values)) => {
                if json {
                    writeln!(out, "{}", as_json(Some(lines.number()), &columns, &calculation))?;
                } else {
                    let levels: Vec<String> =
                        recorded(&calculation).iter().map(ToString::to_string).collect();
                    let (ratio, reported) = (calculation.ratio_tenths, calculation.reported);
                    writeln!(out, "{},{ratio},{reported}", levels.join(","))?;
                }
                if let (true, [sand, clay]) = (calculation.sand_over_clay, values.as_slice()) {
                    let _ = writeln!(errors, "line {}: {}", lines.number(), over_warning(*sand, *clay));
                }
            }
            Err(why) => {
                wrong += 1;
                let _ = writeln!(errors, "line {}: {why}", lines.number());
            }
        }
    }
    out.flush()?;
    Ok(wrong)
}

/// Where the columns stand.
fn header<R: Read>(lines: &mut Lines<R>, columns: &[Level]) -> Result<Vec<usize>, Stop> {
    let wanted = || format!("the header must name the columns {} once each", names(columns));
    if lines.next()? != Next::Row {
        return Err(Stop::Header(wanted()));
    }
    let place = |level: &Level| {
        let named = |i: &usize| lines.field(*i).trim_ascii().eq_ignore_ascii_case(level.word().as_bytes());
        let mut found = (0..lines.count()).filter(named);
        found.next().filter(|_| found.next().is_none())
    };
    columns.iter().map(place).collect::<Option<Vec<_>>>().ok_or_else(|| Stop::Header(wanted()))
}

fn values<R: Read>(lines: &Lines<R>, columns: &[Level], places: &[usize]) -> Result<Vec<Decimal>, String> {
    let read = columns.iter().zip(places).map(|(level, place)| {
        level_from_text(lines.field(*place)).map_err(|e| format!("the {} reading {e}", level.word()))
    });
    let (good, bad): (Vec<_>, Vec<_>) = read.partition(Result::is_ok);
    let bad: Vec<String> = bad.into_iter().filter_map(Result::err).collect();
    if bad.is_empty() { Ok(good.into_iter().filter_map(Result::ok).collect()) } else { Err(bad.join("; ")) }
}

/// What to weigh for one specimen.
fn portion(method: &Method, moisture: Decimal, fines: Option<Decimal>) -> Result<String, String> {
    let sensible = |v: Decimal| v >= Decimal::ZERO && v <= Decimal::ONE_HUNDRED;
    if !sensible(moisture) || fines.is_some_and(|fines| !sensible(fines)) {
        return Err("a percentage lies between 0 and 100".to_owned());
    }
    let asked = masses(&method.specimen, Some(moisture), fines);
    let asked = asked.ok_or_else(|| format!("{} limits no mass of a specimen", method.id))?;
    let found = asked.map_err(|needed| format!("the {} is needed too", needed.0.word()))?;
    Ok(match found.corrective {
        Some(sand) => format!("material {}, corrective sand {sand}", found.portion),
        None => format!("material {}", found.portion),
    })
}

#[cfg(test)]
mod test {
    use super::*;

    const EN: &str = include_str!("../../../config/methods/en-933-8.toml");

    #[test]
    fn a_worksheet_needs_the_columns_that_the_method_reads() {
        let en = method::load("en-933-8.toml", EN).unwrap();
        let run = |text: &str| {
            let (mut out, mut errors) = (Vec::new(), Vec::new());
            let wrong = sheet(&en, text.as_bytes(), &mut out, &mut errors, false);
            (String::from_utf8(out).unwrap(), String::from_utf8(errors).unwrap(), wrong)
        };
        let (out, errors, wrong) = run("no,Clay,SAND\n1,156,99\n2,x,\n3,381,5\n");
        assert_eq!(out, "sand,clay,ratio,reported\n99,156,63.5,63.5\n");
        assert!(
            errors.contains("line 3: the sand reading is empty; the clay reading is no decimal"),
            "{errors}"
        );
        assert!(
            errors.contains("line 4: the clay reading 381 mm is over the cylinder's top mark"),
            "{errors}"
        );
        assert_eq!(wrong.unwrap(), 2);
        assert!(matches!(run("sediment\n1\n").2, Err(Stop::Header(why)) if why.contains("sand and clay")));
        assert!(matches!(run("").2, Err(Stop::Header(_))));
    }
}
