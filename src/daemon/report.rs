//! `report`: the report of a sample, or the blank worksheet of a method, as a PDF; beside a station
//! that runs, which notices nothing. And `print`: a sheet on standard input to a PDF on standard
//! output, for the pages.

use super::exit::Exit;
use super::station::{FoldError, fold};
use crate::domain::bench::Bench;
use crate::domain::intake::code;
use crate::domain::report::laboratory::{Laboratory, PaperSize};
use crate::journal::{ClosedWanted, JournalError, Reader};
use crate::paper::facts::{self, Subject};
use crate::paper::report::{House, report};
use crate::paper::sheet::Sheet;
use crate::paper::{print, worksheet};
use crate::settings;
use crate::settings::model::Settings;
use clap::Args;
use jiff::tz::TimeZone;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};
use uuid::Uuid;

/// Samples of one label that are looked at.
const MOST: u32 = 20;
/// Longest sheet that `print` takes, bytes.
const SHEET_MOST: u64 = 64 << 20;

pub(super) const HELP: &str = "\
Make the report of a sample as a PDF.

The sample is named by its label, its identifier, the code on its label, the number of one of its \
documents, or an identity. It is read from the journal that the settings name; a station may run. \
The same journal gives the same bytes.

With `--blank METHOD`: the blank worksheet of a method, for a day on which the station is out.";

/// Arguments of `report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// The sample: its label, its identifier, a code, the number of a document, or an identity.
    #[arg(value_name = "SAMPLE", required_unless_present = "blank", conflicts_with = "blank")]
    pub sample: Option<String>,
    /// The blank worksheet of this method instead.
    #[arg(long, value_name = "METHOD")]
    pub blank: Option<String>,
    /// The settings file, or a folder that holds `stillstand.toml`.
    #[arg(
        long,
        value_name = "FILE",
        env = "STILLSTAND_SETTINGS",
        default_value = "/etc/stillstand/stillstand.toml"
    )]
    pub settings: PathBuf,
    /// File of the PDF; it must not be there yet. `-` is standard output.
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
    /// The paper, in place of the one that the settings name: `a4` or `letter`.
    #[arg(long, value_name = "SIZE", value_parser = paper)]
    pub paper: Option<PaperSize>,
}

fn paper(text: &str) -> Result<PaperSize, String> {
    match text {
        "a4" => Ok(PaperSize::A4),
        "letter" => Ok(PaperSize::Letter),
        _ => Err("it is `a4` or `letter`".to_owned()),
    }
}

/// Why there is no report.
struct Fault {
    exit: Exit,
    text: String,
}

impl Fault {
    fn new(exit: Exit, text: impl Into<String>) -> Self {
        Self { exit, text: text.into() }
    }
}

impl From<JournalError> for Fault {
    fn from(error: JournalError) -> Self {
        let exit = if matches!(error, JournalError::Disk { .. }) { Exit::Io } else { Exit::Data };
        Self::new(exit, error.to_string())
    }
}

/// Makes a report or a worksheet.
pub(super) fn main(args: &ReportArgs) -> Exit {
    match made(args) {
        Ok(()) => Exit::Ok,
        Err(Fault { exit, text }) => {
            for line in text.lines() {
                eprintln!("stillstand: {line}");
            }
            exit
        }
    }
}

fn made(args: &ReportArgs) -> Result<(), Fault> {
    let file = super::commands::settings_file(&args.settings);
    let settings = settings::load(Some(&file), settings::process_environment());
    let settings = settings.map_err(|e| Fault::new(Exit::Config, e.to_string()))?;
    if let Some((key, what)) = settings.laboratory.as_ref().and_then(Laboratory::fault) {
        return Err(Fault::new(Exit::Config, format!("settings: `laboratory.{key}`: {what}")));
    }
    let zone_name = &settings.station.time_zone;
    let zone = settings::time_zone(zone_name).map_err(|e| Fault::new(Exit::Config, e.to_string()))?;
    let paper = args.paper.unwrap_or(settings.reports.paper);
    let house = House { laboratory: settings.laboratory.as_ref(), paper, zone_name, zone: &zone };
    let sheet = match (&args.blank, &args.sample) {
        (Some(method), _) => blank(&settings, method, &house)?,
        (None, Some(sample)) => reported(&settings.journal.path, sample, &house)?,
        (None, None) => return Err(Fault::new(Exit::Usage, "name a sample, or a method with `--blank`")),
    };
    let bytes = print::pdf(&sheet).map_err(|e| Fault::new(Exit::Software, e.to_string()))?;
    put(&args.out, &bytes)?;
    if args.out != Path::new("-") {
        println!("{}: {}", args.out.display(), sheet.title);
    }
    Ok(())
}

fn put(out: &Path, bytes: &[u8]) -> Result<(), Fault> {
    if out == Path::new("-") {
        let mut stdout = std::io::stdout().lock();
        return stdout
            .write_all(bytes)
            .and_then(|()| stdout.flush())
            .map_err(|e| Fault::new(Exit::Io, format!("standard output takes no more: {e}")));
    }
    let made = std::fs::OpenOptions::new().write(true).create_new(true).open(out);
    let mut file = made.map_err(|error| {
        let why = match error.kind() {
            std::io::ErrorKind::AlreadyExists => {
                "it is there already; name another file, or take it away".to_owned()
            }
            _ => error.to_string(),
        };
        Fault::new(Exit::CannotCreate, format!("{} cannot be made: {why}", out.display()))
    })?;
    file.write_all(bytes)
        .and_then(|()| file.sync_all())
        .map_err(|e| Fault::new(Exit::Io, format!("{} cannot be written: {e}", out.display())))
}

fn blank(settings: &Settings, id: &str, house: &House<'_>) -> Result<Sheet, Fault> {
    let methods = settings::load_methods(&settings.station.methods).map_err(|faults| {
        let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
        Fault::new(Exit::Config, faults.join("\n"))
    })?;
    let found = methods.iter().find(|method| method.id == id);
    found.map(|method| worksheet::worksheet(method, house)).ok_or_else(|| {
        let known: Vec<&str> = methods.iter().map(|method| method.id.as_str()).collect();
        Fault::new(Exit::Data, format!("there is no method `{id}`; there is {}", known.join(", ")))
    })
}

fn reported(journal: &Path, sample: &str, house: &House<'_>) -> Result<Sheet, Fault> {
    let reader = Reader::open(journal)?;
    let bench = folded(&reader)?;
    let mut found = found(&reader, &bench, sample)?;
    match found.len() {
        0 => Err(Fault::new(
            Exit::Data,
            format!(
                "{}: it holds no sample `{sample}`: no such label, identifier, code, document or identity",
                journal.display()
            ),
        )),
        1 => Ok(report(&facts::gather(&reader, &bench, found.remove(0))?, house)),
        many => {
            let line = |subject: &Subject| {
                let sample = &subject.sample;
                let project = sample.intake.particulars.project.as_deref().unwrap_or("no project");
                format!(
                    "  {}  {} ({project}), registered {}",
                    sample.id,
                    sample.label,
                    registered(subject, house.zone)
                )
            };
            let lines: Vec<String> = found.iter().map(line).collect();
            let text = format!(
                "{many} samples are called `{sample}`; name one by its identity:\n{}",
                lines.join("\n")
            );
            Err(Fault::new(Exit::Data, text))
        }
    }
}

fn registered(subject: &Subject, zone: &TimeZone) -> String {
    let at = jiff::Timestamp::from_nanosecond(i128::from(subject.sample.registered.moment.wall_ns));
    at.map_or_else(
        |_| "at an unknown time".to_owned(),
        |at| zone.to_datetime(at).strftime("%Y-%m-%d %H:%M").to_string(),
    )
}

/// The state that the journal holds, from an older stored state where the newest cannot be read.
fn folded(reader: &Reader) -> Result<Bench, Fault> {
    let mut before = None;
    loop {
        match fold(&reader.restored(before)?) {
            Ok(bench) => return Ok(bench),
            Err(FoldError::Snapshot { seq, .. }) => before = Some(seq),
            Err(error) => return Err(Fault::new(Exit::Data, error.to_string())),
        }
    }
}

/// Every sample that the words can mean, at work first, each once.
fn found(reader: &Reader, bench: &Bench, words: &str) -> Result<Vec<Subject>, Fault> {
    let words = words.trim();
    if let Some(id) = code::id_of(words) {
        return Ok(by_id(reader, bench, id)?.into_iter().collect());
    }
    let is_called = |subject: &Subject| {
        let identifier = subject.sample.intake.particulars.identifier.as_deref();
        subject.sample.label == words || identifier == Some(words)
    };
    let here = bench.samples.values().map(|sample| Subject::at_work(bench, sample));
    let mut found: Vec<Subject> = here.filter(is_called).collect();
    let filed = reader.closed(code::key(words))?;
    let wanted = ClosedWanted { label: Some(words.to_owned()), ..ClosedWanted::default() };
    for row in filed.iter().chain(&reader.closed_page(&wanted, MOST)?) {
        if found.iter().any(|subject| subject.sample.id == row.id) {
            continue;
        }
        let subject = read(row)?;
        // An identifier that was corrected since is no longer its identifier.
        if is_called(&subject) {
            found.push(subject);
        }
    }
    if let (true, Ok(number @ 1..)) = (found.is_empty(), words.parse::<u64>()) {
        let document = reader.documents(number - 1, 1)?.into_iter().next().filter(|row| row.number == number);
        if let Some(subject) = document.and_then(|row| Uuid::try_parse(&row.subject).ok()) {
            found.extend(by_id(reader, bench, subject)?);
        }
    }
    Ok(found)
}

/// The sample of this identity, or the one that a specimen of this identity belongs to.
fn by_id(reader: &Reader, bench: &Bench, id: Uuid) -> Result<Option<Subject>, Fault> {
    let of = bench.find(id).map_or(id, |specimen| specimen.sample);
    if let Some(sample) = bench.samples.get(&of) {
        return Ok(Some(Subject::at_work(bench, sample)));
    }
    if let Some(closed) = bench.closed.iter().rev().find(|closed| closed.sample.id == of) {
        return Ok(Some((**closed).clone().into()));
    }
    reader.closed(id)?.as_ref().map(read).transpose()
}

fn read(row: &crate::journal::ClosedFound) -> Result<Subject, Fault> {
    Subject::read(row).map_err(|e| {
        Fault::new(Exit::Data, format!("sample {} as it was kept cannot be read: {e}", row.label))
    })
}

/// Prints the sheet that stands on standard input.
pub(super) fn print() -> Exit {
    let mut text = Vec::new();
    let read = std::io::stdin().lock().take(SHEET_MOST).read_to_end(&mut text);
    let sheet = match read {
        Ok(_) => serde_json::from_slice::<Sheet>(&text),
        Err(error) => {
            eprintln!("stillstand: standard input cannot be read: {error}");
            return Exit::Io;
        }
    };
    let sheet = match sheet {
        Ok(sheet) => sheet,
        Err(error) => {
            eprintln!("stillstand: standard input holds no sheet of this program: {error}");
            return Exit::Data;
        }
    };
    let bytes = match print::pdf(&sheet) {
        Ok(bytes) => bytes,
        Err(error) => {
            eprintln!("stillstand: {error}");
            return Exit::Software;
        }
    };
    match put(Path::new("-"), &bytes) {
        Ok(()) => Exit::Ok,
        Err(Fault { exit, text }) => {
            eprintln!("stillstand: {text}");
            exit
        }
    }
}
