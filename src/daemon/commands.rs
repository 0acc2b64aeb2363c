//! `run`, `rehearse`, `check`, `verify` and `backup`: from the command line to an exit code.

use super::cli::{BackupArgs, RehearseArgs, SettingsArgs, VerifyArgs};
use super::compose::{self, Parts, Running, StationError};
use super::entry;
use super::exit::Exit;
use super::station::{FoldError, stored_event};
use crate::clock::RealClock;
use crate::domain::bench::Event;
use crate::domain::reading::InstrumentKind;
use crate::instruments::shapes;
use crate::journal::{self, BackupFault, JournalError, Reader, Verified, chain};
use crate::rehearsal::{self, Plan};
use crate::settings;
use crate::signing::{self, Seen};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio_util::sync::CancellationToken;
use tracing_subscriber::EnvFilter;

/// Which files of instrument shapes are read.
enum Shapes {
    /// All: whoever checks wants to know of each fault.
    All,
    /// Those that the settings name.
    Named,
}

/// Everything that settings lead to, or everything that is wrong with it.
fn parts(args: &SettingsArgs, wanted: Shapes) -> Result<Parts, (Exit, Vec<String>)> {
    let wrong = |faults: Vec<String>| (Exit::Config, faults);
    let file = settings_file(&args.settings);
    let settings = settings::load(Some(&file), settings::process_environment())
        .map_err(|e| wrong(e.to_string().lines().map(str::to_owned).collect()))?;
    let mut faults: Vec<String> = settings::check(&settings).iter().map(ToString::to_string).collect();
    let methods = settings::load_methods(&settings.station.methods).unwrap_or_else(|found| {
        faults.extend(found.iter().map(ToString::to_string));
        Vec::new()
    });
    if !methods.is_empty() {
        faults.extend(settings::check_methods(&settings, &methods).iter().map(ToString::to_string));
    }
    faults.extend(entry::faults(&settings.web));
    let shapes = match wanted {
        Shapes::All => shapes::shapes_in(&settings.station.shapes),
        Shapes::Named => {
            let names: Vec<&str> = settings.instruments.values().map(|i| i.shape.as_str()).collect();
            shapes::shapes_named(&settings.station.shapes, &names)
        }
    };
    let shapes = shapes.unwrap_or_else(|found| {
        faults.extend(found.to_string().lines().map(str::to_owned));
        std::collections::BTreeMap::new()
    });
    let equipment = settings.station.equipment.as_deref().map_or(Ok(Vec::new()), settings::load_equipment);
    let equipment = equipment.unwrap_or_else(|found| {
        faults.extend(found);
        Vec::new()
    });
    let recipes = settings.station.solutions.as_deref().map_or(Ok(Vec::new()), settings::load_solutions);
    let recipes = recipes.unwrap_or_else(|found| {
        faults.extend(found);
        Vec::new()
    });
    for (name, instrument) in &settings.instruments {
        // A probe is a probe, wherever it stands.
        let weighs = |kind| kind == InstrumentKind::Balance;
        let other =
            |shape: &&crate::instruments::protocol::AnyShape| weighs(shape.kind()) != weighs(instrument.kind);
        if let Some(shape) = shapes.get(&instrument.shape).filter(other) {
            faults.push(format!(
                "settings: `instruments.{name}.shape`: `{}` is a shape for a {}, and `kind` says {}",
                shape.id(),
                kind_word(shape.kind()),
                kind_word(instrument.kind)
            ));
        }
    }
    if !faults.is_empty() {
        return Err(wrong(faults));
    }
    let clock = RealClock::new().map_err(|e| (Exit::Unavailable, vec![e.to_string()]))?;
    Ok(Parts {
        settings,
        methods,
        equipment,
        recipes,
        shapes,
        clock: Arc::new(clock),
        running_clock: true,
        rehearsal: false,
    })
}

const fn kind_word(kind: InstrumentKind) -> &'static str {
    match kind {
        InstrumentKind::Balance => "balance",
        InstrumentKind::SolutionProbe => "solution-probe",
        InstrumentKind::RoomProbe => "room-probe",
    }
}

/// A folder stands for the settings file in it.
pub(super) fn settings_file(given: &Path) -> PathBuf {
    if given.is_dir() { given.join("stillstand.toml") } else { given.to_owned() }
}

pub(super) fn tell(faults: &[String]) {
    for fault in faults {
        eprintln!("stillstand: {fault}");
    }
}

/// Checks settings, methods and shapes without starting anything.
pub(super) fn check(args: &SettingsArgs) -> Exit {
    match parts(args, Shapes::All) {
        Ok(parts) => {
            println!(
                "{}: settings are sound; {} methods, {} instruments, {} triggers, {} outputs",
                settings_file(&args.settings).display(),
                parts.methods.len(),
                parts.settings.instruments.len(),
                parts.settings.triggers.len(),
                parts.settings.outputs.len()
            );
            if let Some(what) = entry::to_do(&parts.settings.web, parts.clock.now().wall_ns) {
                tell(&[what]);
            }
            Exit::Ok
        }
        Err((exit, faults)) => {
            tell(&faults);
            eprintln!("stillstand: {} fault{}", faults.len(), if faults.len() == 1 { "" } else { "s" });
            exit
        }
    }
}

/// Runs the station until it is told to stop.
pub(super) fn run(args: &SettingsArgs) -> Exit {
    log_to_stderr("info");
    let parts = match parts(args, Shapes::Named) {
        Ok(parts) => parts,
        Err((exit, faults)) => {
            tell(&faults);
            return exit;
        }
    };
    within_runtime(async {
        // From here on a signal ends in good order, also one that comes while things start.
        let stop = match Stop::listen() {
            Ok(stop) => stop,
            Err(error) => return deaf(&error),
        };
        let running = match compose::start(parts).await {
            Ok(running) => running,
            Err(error) => {
                tell(&[error.to_string()]);
                return exit_of(&error);
            }
        };
        serve(running, stop).await
    })
}

async fn serve(mut running: Running, mut stop: Stop) -> Exit {
    let status = format!("STATUS=bench page at {}", running.called);
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready, sd_notify::NotifyState::Custom(&status)]);
    let ended_by_itself = tokio::select! {
        () = stop.told() => false,
        _ = &mut running.main_loop => true,
    };
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    if ended_by_itself {
        tell(&["the station's loop ended by itself; what it had said on the way is above".to_owned()]);
        return Exit::Software;
    }
    match running.finish().await {
        Ok(()) => Exit::Ok,
        Err(error) => {
            tell(&[error.to_string()]);
            exit_of(&error)
        }
    }
}

/// Plays a rehearsal.
pub(super) fn rehearse(args: RehearseArgs) -> Exit {
    log_to_stderr(if args.once { "warn" } else { "info" });
    let out = args.out.unwrap_or_else(|| {
        std::env::temp_dir().join(format!("stillstand-rehearsal-{}", uuid::Uuid::now_v7()))
    });
    let plan = Plan {
        pace: args.pace,
        once: args.once,
        seed: args.seed,
        broker: args.broker.map(|b| (b.host, b.port)),
        out,
        listen: args.listen,
    };
    within_runtime(async {
        let mut stop = match Stop::listen() {
            Ok(stop) => stop,
            Err(error) => return deaf(&error),
        };
        let cancel = CancellationToken::new();
        let told = cancel.clone();
        let watcher = tokio::spawn(async move {
            stop.told().await;
            told.cancel();
        });
        let result = rehearsal::rehearse(&plan, cancel.clone()).await;
        watcher.abort();
        match result {
            Ok(path) => {
                println!("{}", path.display());
                Exit::Ok
            }
            Err(_) if cancel.is_cancelled() => Exit::Ok,
            Err(error) => {
                tell(&[format!("the rehearsal failed: {error:#}")]);
                Exit::Unavailable
            }
        }
    })
}

/// Checks that nothing in a journal was altered.
pub(super) fn verify(args: &VerifyArgs) -> Exit {
    match journal::verify(&args.journal) {
        Ok(sound) => told_sound(&args.journal, "sound", &sound),
        Err(fault) => {
            tell(&[format!("{}: {fault}", args.journal.display())]);
            Exit::Data
        }
    }
}

/// A journal whose chain is whole: what it holds, and whether its signatures are good.
fn told_sound(path: &Path, word: &str, sound: &Verified) -> Exit {
    match signatures(path) {
        Ok(signed) => {
            println!("{}: {word}; {}, {signed}", path.display(), holds(sound));
            Exit::Ok
        }
        Err(fault) => {
            tell(&[format!("{}: {fault}", path.display())]);
            Exit::Data
        }
    }
}

/// Documents that are looked at together.
const TOGETHER: u32 = 200;

/// Looks at every signature with the keys that the journal's own events name; how many there are, in words.
/// The chain was found whole before, so a signature that is wrong was made so.
fn signatures(path: &Path) -> Result<String, String> {
    let failed = |e: JournalError| e.to_string();
    let reader = Reader::open(path).map_err(failed)?;
    let mut keys = Vec::new();
    for row in reader.events_of(&["signing-key-named"], 0..u64::MAX).map_err(failed)? {
        match row.payload.as_deref().map(|payload| stored_event(&row, payload)).transpose() {
            Ok(Some(Event::SigningKeyNamed(key))) => keys.push(key),
            Ok(_) => {}
            Err(fault) => return Err(fault.to_string()),
        }
    }
    let (mut after, mut good) = (0, 0_u64);
    loop {
        let rows = reader.documents(after, TOGETHER).map_err(failed)?;
        let Some(last) = rows.last() else { break };
        after = last.number;
        for row in &rows {
            match signing::verify(&row.payload, &keys) {
                Seen::Unsigned => {}
                Seen::Good => good += 1,
                Seen::UnknownKey => {
                    return Err(format!("document {} is signed with a key that no event names", row.number));
                }
                Seen::Wrong => {
                    return Err(format!(
                        "the signature of document {} is not of what stands in it",
                        row.number
                    ));
                }
            }
        }
    }
    Ok(format!("{good} signatures good ({} keys)", keys.len()))
}

fn holds(sound: &Verified) -> String {
    let removed = match (sound.removed, sound.removed_documents) {
        (0, 0) => String::new(),
        (events, documents) => {
            format!(" (removed by rule: the text of {events} events and {documents} documents)")
        }
    };
    format!(
        "journal {}, {} events, {} samples, {} documents{removed}, head {} {}",
        sound.journal_id,
        sound.events,
        sound.samples,
        sound.documents,
        sound.head_seq,
        chain::hex(&sound.head_link)
    )
}

/// Copies a journal, and checks the copy.
pub(super) fn backup(args: &BackupArgs) -> Exit {
    match journal::backup(&args.journal, &args.to) {
        Ok(sound) => told_sound(&args.to, "a sound copy", &sound),
        Err(fault) => {
            tell(&[fault.to_string()]);
            match fault {
                BackupFault::There(_) => Exit::CannotCreate,
                BackupFault::Journal(JournalError::Disk { .. }) => Exit::Io,
                BackupFault::Journal(_) | BackupFault::Copy { .. } => Exit::Data,
            }
        }
    }
}

fn exit_of(error: &StationError) -> Exit {
    match error {
        StationError::Journal(JournalError::Held { .. }) | StationError::Listen { .. } => Exit::Unavailable,
        StationError::Journal(JournalError::Disk { .. })
        | StationError::Fold { source: FoldError::Undecided { .. } | FoldError::Journal(_), .. } => Exit::Io,
        StationError::Journal(_) | StationError::Fold { .. } => Exit::Data,
        StationError::Password { .. }
        | StationError::Certificate(_)
        | StationError::PagesCertificate(_)
        | StationError::Accounts(_)
        | StationError::Key(_)
        | StationError::Shape { .. }
        | StationError::Instrument { .. } => Exit::Config,
        StationError::Ended => Exit::Software,
    }
}

fn within_runtime(work: impl Future<Output = Exit>) -> Exit {
    worked(work).unwrap_or_else(|exit| exit)
}

/// Does the work; an exit code where that cannot be.
pub(super) fn worked<T>(work: impl Future<Output = T>) -> Result<T, Exit> {
    // One thread: all of it together is a few percent of a core, and what passes between threads
    // (memory for each, a wake-up for each message) would cost more than the work itself. What
    // blocks has a thread of its own: the journal, the pages, and the opening of a port.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    runtime.map(|runtime| runtime.block_on(work)).map_err(|error| {
        tell(&[format!("the program's threads cannot be started: {error}")]);
        Exit::Unavailable
    })
}

/// Listens for SIGTERM and Ctrl-C from the instant that it is made: before, either would end the
/// program on the spot.
pub(super) struct Stop {
    terminate: Signal,
    interrupt: Signal,
}

impl Stop {
    pub(super) fn listen() -> io::Result<Self> {
        Ok(Self { terminate: signal(SignalKind::terminate())?, interrupt: signal(SignalKind::interrupt())? })
    }

    pub(super) async fn told(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}

fn deaf(error: &io::Error) -> Exit {
    tell(&[format!("the program cannot listen for the signal to stop: {error}")]);
    Exit::Unavailable
}

/// Logs go to standard error: standard output belongs to results. `STILLSTAND_LOG` sets what is
/// said. Under a service manager the time is the manager's.
fn log_to_stderr(usual: &str) {
    let filter = EnvFilter::try_from_env("STILLSTAND_LOG").unwrap_or_else(|_| EnvFilter::new(usual));
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    let managed = std::env::var_os("JOURNAL_STREAM").is_some();
    // A second start within one process keeps the first one's log.
    let _ = if managed {
        builder.with_ansi(false).without_time().try_init()
    } else {
        builder.with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr())).try_init()
    };
}
