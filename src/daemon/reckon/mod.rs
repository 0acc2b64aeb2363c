//! `stillstand reckon`: results of paper worksheets, recomputed exactly.

mod by_method;
mod lines;
mod sheet;
mod write;

use super::exit::Exit;
use crate::domain::calculation::{LevelError, Marks, Scale, Tenths, level_from_text, ratio, result};
use crate::domain::method::{Level, RatioRule, ResultRule};
use clap::Args;
use rust_decimal::Decimal;
use sheet::Stop;
use std::io::{BufWriter, IsTerminal, Read, Write};
use std::path::PathBuf;
use write::Format;

/// What `stillstand help reckon` says.
pub(super) const HELP: &str = "\
Recompute results of paper worksheets, exactly.

Takes the sand reading itself: the indicator's level less the offset of its
foot. Readings are in inches; one between two marks of 0.1 in takes the higher
mark. The ratio 100 x sand / clay is rounded to the nearest tenth (a tie goes
up), then raised to the next whole number.

With --sand and --clay: one result. Without: CSV on standard input, whose
header names the columns `sand` and `clay` in any order and case; other
columns are not read. Each row stands on one line and has as many fields as
the header; blank lines do not count. Out comes CSV with the columns
`sand,clay,ratio,reported` (the marks that were recorded), or with --json one
object a line, which also holds the row's line number, the exact ratio and its
flags.

With --method: by that method's file, its levels, marks and rules, in its unit.
The columns are those that its steps read, `sand` and `clay` or `sediment`.
With --moisture (and --fines) and a method whose portions are required on the
dry basis: the masses that one specimen takes.

A row that is wrong is named by its line on standard error and left out; the
others are computed. A sand reading over the clay reading is computed, with a
warning.

Ends with 0, or 65 if any reading was wrong, 64 for a wrong command line, 74
if reading or writing failed.";

/// Arguments of `reckon`.
#[derive(Debug, Args)]
pub struct ReckonArgs {
    /// A method file to compute by, in place of the US sand equivalent.
    #[arg(long, value_name = "FILE")]
    pub method: Option<PathBuf>,
    /// Sand reading in inches, or in the unit of the method.
    #[arg(long, value_name = "IN", requires = "clay", value_parser = level, allow_hyphen_values = true)]
    pub sand: Option<Decimal>,
    /// Clay reading in inches, or in the unit of the method.
    #[arg(long, value_name = "IN", requires = "sand", value_parser = level, allow_hyphen_values = true)]
    pub clay: Option<Decimal>,
    /// Height of the sediment, in the unit of the method.
    #[arg(long, value_name = "H", requires = "method", conflicts_with_all = ["sand", "clay"], value_parser = level, allow_hyphen_values = true)]
    pub sediment: Option<Decimal>,
    /// Moisture content in percent: says what one specimen weighs.
    #[arg(long, value_name = "W", requires = "method", conflicts_with_all = ["sand", "clay", "sediment"], value_parser = level, allow_hyphen_values = true)]
    pub moisture: Option<Decimal>,
    /// Content of fines in percent.
    #[arg(long, value_name = "F", requires = "moisture", value_parser = level, allow_hyphen_values = true)]
    pub fines: Option<Decimal>,
    /// JSON lines instead of CSV.
    #[arg(long)]
    pub json: bool,
}

impl ReckonArgs {
    /// The reading of a level, if it was given.
    const fn level(&self, of: Level) -> Option<Decimal> {
        match of {
            Level::Sand => self.sand,
            Level::Clay => self.clay,
            Level::Sediment => self.sediment,
        }
    }
}

fn level(text: &str) -> Result<Decimal, String> {
    level_from_text(text.as_bytes()).map_err(|e| format!("the reading {e}"))
}

/// One worksheet line, computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Pair {
    sand: Marks,
    clay: Marks,
    ratio: Tenths,
    reported: Decimal,
    sand_over_clay: bool,
}

impl Pair {
    /// The pair, or everything that is wrong with it.
    fn of(sand: Decimal, clay: Decimal) -> Result<Self, String> {
        let scale = Scale::TENTHS_OF_AN_INCH;
        let (sand_mark, clay_mark) = match (scale.sand(sand), scale.clay(clay)) {
            (Ok(sand), Ok(clay)) => (sand, clay),
            (Err(a), Err(b)) => return Err(format!("{a}; {b}")),
            (Err(error), Ok(_)) | (Ok(_), Err(error)) => return Err(error.to_string()),
        };
        // The scale lets only a clay mark over 0 through, so there is a ratio.
        let ratio = ratio(sand_mark, clay_mark, RatioRule::NearestTenth)
            .ok_or_else(|| LevelError::ClayZero.to_string())?;
        let reported = result(ratio, ResultRule::RaiseToWhole);
        Ok(Self { sand: sand_mark, clay: clay_mark, ratio, reported, sand_over_clay: sand > clay })
    }
}

/// What a person is told when the sand reading is the higher one.
fn over_warning(sand: Decimal, clay: Decimal) -> String {
    format!(
        "warning: the sand reading {sand} is higher than the clay reading {clay}: computed, but check the two"
    )
}

/// Does what `reckon` says.
pub(super) fn main(args: &ReckonArgs) -> Exit {
    if let Some(file) = &args.method {
        return by_method::main(args, file);
    }
    match (args.sand, args.clay) {
        (Some(sand), Some(clay)) => one(sand, clay, args.json),
        _ => many(args.json),
    }
}

fn one(sand: Decimal, clay: Decimal, json: bool) -> Exit {
    let pair = match Pair::of(sand, clay) {
        Ok(pair) => pair,
        Err(error) => {
            eprintln!("stillstand: {error}");
            return Exit::Data;
        }
    };
    if pair.sand_over_clay {
        eprintln!("stillstand: {}", over_warning(sand, clay));
    }
    let mut line = Vec::new();
    if json {
        write::json(&mut line, None, &pair);
    } else {
        write::sentence(&mut line, sand, clay, &pair);
    }
    let mut out = std::io::stdout().lock();
    match out.write_all(&line).and_then(|()| out.flush()) {
        Ok(()) => Exit::Ok,
        Err(error) => ended(&Stop::Write(error)),
    }
}

/// Computes a whole worksheet, as `reckon` does with its standard streams. Gives the number of its
/// rows, the header not counted, and how many of them were wrong and left out.
///
/// # Errors
/// In a sentence: what is wrong with the header, or which stream failed.
pub fn worksheet(
    input: impl Read,
    out: impl Write,
    errors: impl Write,
    json: bool,
) -> Result<(u64, u64), String> {
    let format = if json { Format::Json } else { Format::Csv };
    let tally = sheet::reckon(input, out, errors, format).map_err(|stop| stop.to_string())?;
    Ok((tally.rows, tally.wrong))
}

fn many(json: bool) -> Exit {
    const BUFFER: usize = 64 * 1024;
    let input = std::io::stdin().lock();
    if input.is_terminal() {
        eprintln!(
            "stillstand: reading CSV from the keyboard: a header `sand,clay`, then rows; Ctrl-D ends it"
        );
    }
    let out = BufWriter::with_capacity(BUFFER, std::io::stdout().lock());
    let errors = BufWriter::with_capacity(BUFFER, std::io::stderr().lock());
    let format = if json { Format::Json } else { Format::Csv };
    match sheet::reckon(input, out, errors, format) {
        Ok(tally) if tally.wrong == 0 => Exit::Ok,
        Ok(_) => Exit::Data,
        Err(stop) => ended(&stop),
    }
}

fn ended(stop: &Stop) -> Exit {
    match stop {
        // Whoever read has seen enough: `stillstand reckon | head`.
        Stop::Write(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Exit::Ok,
        Stop::Header(_) => {
            eprintln!("stillstand: {stop}");
            Exit::Data
        }
        Stop::Write(_) | Stop::Read(_) => {
            eprintln!("stillstand: {stop}");
            Exit::Io
        }
    }
}
