//! `export` and `room`: what the journal holds, for other programs and for the person who minds the
//! disk. Both read only, also while the station runs.

use super::cli::{ExportArgs, FileForm, FileVersions, FileWhat, RoomArgs, SettingsArgs};
use super::commands::{settings_file, tell};
use super::exit::Exit;
use crate::journal::{JournalError, Reader, chain};
use crate::keeping::columns::Table;
use crate::keeping::days::Days;
use crate::keeping::export::{self, ExportFault, Form, Wanted, Written};
use crate::keeping::{disk, room, table};
use crate::settings::{self, model::Settings};
use jiff::tz::TimeZone;
use sha2::{Digest as _, Sha256};
use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Why a command ended, and with which code.
pub(super) type Fault = (Exit, Vec<String>);

pub(super) fn fault<T>(exit: Exit, what: impl Into<String>) -> Result<T, Fault> {
    Err((exit, vec![what.into()]))
}

pub(super) fn end(result: Result<(), Fault>) -> Exit {
    match result {
        Ok(()) => Exit::Ok,
        Err((exit, faults)) => {
            tell(&faults);
            exit
        }
    }
}

/// The settings, or all that is wrong with them.
pub(super) fn settings_of(args: &SettingsArgs) -> Result<Settings, Fault> {
    let file = settings_file(&args.settings);
    settings::load(Some(&file), settings::process_environment())
        .map_err(|e| (Exit::Config, e.to_string().lines().map(str::to_owned).collect()))
}

pub(super) fn of_journal(error: &JournalError) -> Fault {
    let exit = match error {
        JournalError::Held { .. } => Exit::Unavailable,
        JournalError::Disk { .. } => Exit::Io,
        _ => Exit::Data,
    };
    (exit, vec![error.to_string()])
}

/// The journal and the zone: as given, else those of the settings.
fn journal_and_zone(
    settings: &SettingsArgs,
    journal: Option<&Path>,
    zone: Option<&str>,
) -> Result<(PathBuf, TimeZone, String), Fault> {
    let (journal, zone) = if let (Some(journal), Some(zone)) = (journal, zone) {
        (journal.to_path_buf(), zone.to_owned())
    } else {
        let settings = settings_of(settings)?;
        let zone = zone.map_or(settings.station.time_zone, str::to_owned);
        (journal.map_or(settings.journal.path, Path::to_path_buf), zone)
    };
    match settings::time_zone(&zone) {
        Ok(known) => Ok((journal, known, zone)),
        Err(_) => {
            fault(Exit::Usage, format!("--zone: there is no time zone `{zone}`; write it like Europe/Berlin"))
        }
    }
}

/// Writes documents of some days to a file.
pub(super) fn export(args: &ExportArgs) -> Exit {
    end(exported(args))
}

fn exported(args: &ExportArgs) -> Result<(), Fault> {
    let days = Days::read(args.from.as_deref(), args.to.as_deref())
        .or_else(|e| fault(Exit::Usage, e.to_string()))?;
    let (journal, zone, zone_name) =
        journal_and_zone(&args.settings, args.journal.as_deref(), args.zone.as_deref())?;
    let form = match args.form {
        FileForm::Csv => Form::Csv,
        FileForm::JsonLines => Form::JsonLines,
    };
    let tables = match args.what {
        FileWhat::Records => vec![Table::Records],
        FileWhat::Results => vec![Table::Results],
        FileWhat::Both => vec![Table::Records, Table::Results],
    };
    if form == Form::Csv && tables.len() > 1 {
        return fault(Exit::Usage, ExportFault::OneKind.to_string());
    }
    let wanted = Wanted {
        tables,
        days,
        sample: args.sample.clone(),
        all_versions: args.versions == FileVersions::All,
        form,
        zone,
    };
    let description = beside(&args.out, "-metadata.json");
    for file in [Some(&args.out), (form == Form::Csv).then_some(&description)].into_iter().flatten() {
        if file.symlink_metadata().is_ok() {
            return fault(Exit::CannotCreate, there(file));
        }
    }
    let mut reader = Reader::open(&journal).map_err(|e| of_journal(&e))?;
    let ready = reader.hold_still().and_then(|()| export::list_all(&mut reader));
    ready.map_err(|e| of_journal(&e))?;
    export::is_empty(&reader, &wanted).map_err(of_export)?;
    let (written, sha256, bytes) = whole_file(&args.out, |to| export::export(&reader, &wanted, to))?;
    println!("{}: {}, {bytes} bytes, SHA-256 {sha256}", args.out.display(), said(&written));
    if let (Form::Csv, [table]) = (form, wanted.tables.as_slice()) {
        let url = args.out.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
        let described = table::description(*table, &url, &zone_name);
        let put = |to: &mut dyn Write| writeln!(to, "{described:#}").map_err(ExportFault::from);
        whole_file(&description, put)?;
        println!("{}: what each column is", description.display());
    }
    Ok(())
}

fn said(written: &Written) -> String {
    let s = if written.documents == 1 { "" } else { "s" };
    let gone = match written.removed {
        0 => String::new(),
        n => format!(" ({n} more of these days were removed from the journal)"),
    };
    format!("{} document{s}{gone}", written.documents)
}

fn of_export(error: ExportFault) -> Fault {
    match error {
        ExportFault::Journal(error) => of_journal(&error),
        ExportFault::Write(_) => (Exit::Io, vec![error.to_string()]),
        ExportFault::Days(_) | ExportFault::OneKind => (Exit::Usage, vec![error.to_string()]),
        ExportFault::Nothing(_) => (Exit::Data, vec![error.to_string()]),
    }
}

fn there(file: &Path) -> String {
    format!("{} is there already, and an export never replaces a file: name another", file.display())
}

fn beside(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// A file that has its name only once it is whole and on the disk; never in place of another. Gives
/// its digest and its length beside what the writer gave.
pub(super) fn whole_file<T>(
    path: &Path,
    write: impl FnOnce(&mut dyn Write) -> Result<T, ExportFault>,
) -> Result<(T, String, u64), Fault> {
    let part = beside(path, ".part");
    let failed = |e: io::Error| (Exit::CannotCreate, vec![format!("{} cannot be made: {e}", part.display())]);
    let _ = std::fs::remove_file(&part); // left behind by one that was cut off
    let file = OpenOptions::new().write(true).create_new(true).open(&part).map_err(failed)?;
    let mut to = Digested { to: BufWriter::new(file), hash: Sha256::new(), bytes: 0 };
    let written = write(&mut to).map_err(of_export).and_then(|written| {
        let io = |e: io::Error| (Exit::Io, vec![format!("{} could not be written: {e}", part.display())]);
        to.flush().and_then(|()| to.to.get_ref().sync_all()).map_err(io)?;
        std::fs::hard_link(&part, path).map_err(|e| match e.kind() {
            io::ErrorKind::AlreadyExists => (Exit::CannotCreate, vec![there(path)]),
            _ => (Exit::CannotCreate, vec![format!("{} cannot be made: {e}", path.display())]),
        })?;
        // The name must survive a power cut as the content does.
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(io)?;
        Ok(written)
    });
    let _ = std::fs::remove_file(&part);
    written.map(|written| (written, chain::hex(&to.hash.finalize().into()), to.bytes))
}

/// A writer that knows the digest of what went through.
struct Digested {
    to: BufWriter<File>,
    hash: Sha256,
    bytes: u64,
}

impl Write for Digested {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.to.write_all(bytes)?;
        self.hash.update(bytes);
        self.bytes += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// Says how large the journal is, how fast it grows and how long the disk lasts.
pub(super) fn room(args: &RoomArgs) -> Exit {
    end(roomy(args))
}

fn roomy(args: &RoomArgs) -> Result<(), Fault> {
    let settings = settings_of(&args.settings)?;
    let path = args.journal.as_ref().unwrap_or(&settings.journal.path);
    let size = Reader::open(path).and_then(|reader| reader.size()).map_err(|e| of_journal(&e))?;
    let seen = room::Seen {
        log: disk::log(path),
        free: disk::free(path),
        reserve: settings.journal.space_low_mb.saturating_mul(1_000_000),
        now_ns: i64::try_from(jiff::Timestamp::now().as_nanosecond()).unwrap_or(i64::MAX),
    };
    println!("{}", path.display());
    for sentence in room::words(&room::room(&size, &seen)) {
        println!("{sentence}");
    }
    Ok(())
}
