//! A whole worksheet: rows in, results out, wrong rows by their lines.

use super::lines::{Lines, Next};
use super::write::{self, Format};
use super::{Pair, over_warning};
use crate::domain::calculation::{TextError, level_from_text};
use rust_decimal::Decimal;
use std::io::{self, Read, Write};

/// How many rows there were.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Tally {
    /// All rows, the header not counted.
    pub(super) rows: u64,
    /// Rows that were left out.
    pub(super) wrong: u64,
}

/// Why a worksheet was not read to its end.
#[derive(Debug, thiserror::Error)]
pub(super) enum Stop {
    #[error("{0}; the header must name the columns sand and clay once each, for example `sand,clay`")]
    Header(String),
    #[error("cannot read standard input: {0}")]
    Read(io::Error),
    #[error("cannot write the results: {0}")]
    Write(io::Error),
}

/// Where the two columns stand, among how many.
#[derive(Debug, Clone, Copy)]
struct Columns {
    sand: usize,
    clay: usize,
    count: usize,
}

/// Computes a worksheet. What can be told is told before more input is waited for.
pub(super) fn reckon(
    input: impl Read,
    mut out: impl Write,
    mut errors: impl Write,
    format: Format,
) -> Result<Tally, Stop> {
    let mut lines = Lines::new(input);
    let columns = header(&mut lines)?;
    if format == Format::Csv {
        out.write_all(write::HEADER).map_err(Stop::Write)?;
    }
    let mut tally = Tally::default();
    let mut row = Vec::new();
    loop {
        if lines.may_wait() {
            out.flush().map_err(Stop::Write)?;
            // Nobody is left to tell when standard error is closed; the exit code still says it.
            let _ = errors.flush();
        }
        let told = match lines.next().map_err(Stop::Read)? {
            Next::End => break,
            Next::Wrong(why) => Err(why.to_owned()),
            Next::Row => readings(&lines, columns).and_then(|(sand, clay)| {
                let pair = Pair::of(sand, clay)?;
                row.clear();
                match format {
                    Format::Csv => write::csv(&mut row, &pair),
                    Format::Json => write::json(&mut row, Some(lines.number()), &pair),
                }
                Ok(pair.sand_over_clay.then(|| over_warning(sand, clay)))
            }),
        };
        tally.rows += 1;
        match told {
            Ok(warning) => {
                out.write_all(&row).map_err(Stop::Write)?;
                if let Some(warning) = warning {
                    let _ = writeln!(errors, "line {}: {warning}", lines.number());
                }
            }
            Err(why) => {
                tally.wrong += 1;
                let _ = writeln!(errors, "line {}: {why}", lines.number());
            }
        }
    }
    out.flush().map_err(Stop::Write)?;
    if tally.wrong > 0 {
        let _ = writeln!(errors, "{} of {} rows are wrong and were left out", tally.wrong, tally.rows);
    }
    let _ = errors.flush();
    Ok(tally)
}

fn header<R: Read>(lines: &mut Lines<R>) -> Result<Columns, Stop> {
    match lines.next().map_err(Stop::Read)? {
        Next::Row => {}
        Next::Wrong(why) => return Err(Stop::Header(format!("line {}: {why}", lines.number()))),
        Next::End => return Err(Stop::Header("standard input is empty".into())),
    }
    let count = lines.count();
    let column = |name: &str| {
        let mut found =
            (0..count).filter(|i| lines.field(*i).trim_ascii().eq_ignore_ascii_case(name.as_bytes()));
        found.next().filter(|_| found.next().is_none())
    };
    if let (Some(sand), Some(clay)) = (column("sand"), column("clay")) {
        return Ok(Columns { sand, clay, count });
    }
    let names: Vec<_> = (0..count).map(|i| shown(lines.field(i))).collect();
    Err(Stop::Header(format!("line {}: found {}", lines.number(), names.join(", "))))
}

/// The two readings of a row, or everything that is wrong with them.
fn readings<R: Read>(lines: &Lines<R>, columns: Columns) -> Result<(Decimal, Decimal), String> {
    if lines.count() != columns.count {
        return Err(format!("{} fields, where the header has {}", lines.count(), columns.count));
    }
    let (sand, clay) = (lines.field(columns.sand), lines.field(columns.clay));
    match (level_from_text(sand), level_from_text(clay)) {
        (Ok(sand), Ok(clay)) => Ok((sand, clay)),
        (Err(a), Ok(_)) => Err(told("sand", sand, a)),
        (Ok(_), Err(b)) => Err(told("clay", clay, b)),
        (Err(a), Err(b)) => Err(format!("{}; {}", told("sand", sand, a), told("clay", clay, b))),
    }
}

fn told(name: &str, field: &[u8], error: TextError) -> String {
    if error == TextError::Empty {
        format!("the {name} reading {error}")
    } else {
        format!("the {name} reading {} {error}", shown(field))
    }
}

/// A field in a message: never longer than a line, never a control character.
fn shown(field: &[u8]) -> String {
    const MOST: usize = 40;
    let text: String =
        String::from_utf8_lossy(field).chars().take(MOST).flat_map(char::escape_debug).collect();
    let more = if field.len() > MOST { "…" } else { "" };
    format!("`{text}{more}`")
}

#[cfg(test)]
mod test {
    use super::*;
    use std::cell::RefCell;
    use std::rc::Rc;

    fn run(text: &str, format: Format) -> (String, String, Result<Tally, Stop>) {
        let (mut out, mut errors) = (Vec::new(), Vec::new());
        let tally = reckon(text.as_bytes(), &mut out, &mut errors, format);
        (String::from_utf8(out).unwrap(), String::from_utf8(errors).unwrap(), tally)
    }

    #[test]
    fn both_readings_of_a_row_are_complained_about_at_once() {
        let (_, errors, tally) = run("sand,clay\nx,\n15.1,0\n", Format::Csv);
        assert!(errors.starts_with("line 2: the sand reading `x` is no decimal number"), "{errors}");
        assert!(errors.contains("; the clay reading is empty\n"), "{errors}");
        assert!(errors.contains("line 3: the sand reading 15.1 in is over"), "{errors}");
        assert!(errors.contains("; the clay reading is 0"), "{errors}");
        assert_eq!(tally.unwrap(), Tally { rows: 2, wrong: 2 });
    }

    #[test]
    fn a_decimal_comma_is_never_taken_for_a_column() {
        let (out, errors, _) = run("sand,clay\n3,3,8,0\n\"3,3\",8.0\n", Format::Csv);
        assert_eq!(out, "sand,clay,ratio,reported\n");
        assert!(errors.contains("line 2: 4 fields, where the header has 2"), "{errors}");
        assert!(errors.contains("line 3: the sand reading `3,3` has a comma"), "{errors}");
    }

    #[test]
    fn a_long_or_unprintable_field_is_shown_short_and_escaped() {
        let (_, errors, _) = run(&format!("sand,clay\n{},\u{1b}[31m8\n", "9".repeat(5000)), Format::Csv);
        assert!(errors.len() < 300 && !errors.contains('\u{1b}'), "{errors}");
    }

    /// Gives one line for each read and notes what had come out by then.
    struct Slow {
        lines: Vec<&'static str>,
        out: Rc<RefCell<Vec<u8>>>,
        seen: Rc<RefCell<Vec<usize>>>,
    }

    impl Read for Slow {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            self.seen.borrow_mut().push(String::from_utf8_lossy(&self.out.borrow()).lines().count());
            let line = if self.lines.is_empty() { "" } else { self.lines.remove(0) };
            buffer[..line.len()].copy_from_slice(line.as_bytes());
            Ok(line.len())
        }
    }

    struct Shared(Rc<RefCell<Vec<u8>>>);

    impl Write for Shared {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.borrow_mut().extend_from_slice(bytes);
            Ok(bytes.len())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_result_is_out_before_the_next_row_is_waited_for() {
        let (out, seen) = (Rc::new(RefCell::new(Vec::new())), Rc::new(RefCell::new(Vec::new())));
        let lines = vec!["sand,clay\n", "3.3,8.0\n", "2.7,6.0\n"];
        let slow = Slow { lines, out: Rc::clone(&out), seen: Rc::clone(&seen) };
        reckon(slow, io::BufWriter::new(Shared(out)), io::sink(), Format::Csv).unwrap();
        assert_eq!(*seen.borrow(), [0, 1, 2, 3], "lines out at each read");
    }
}
