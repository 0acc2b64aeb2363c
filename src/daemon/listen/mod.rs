//! `stillstand listen`: what is on a cable, and settings for it.

mod json;
mod tell;

use super::commands::{tell as complain, worked};
use super::exit::Exit;
use crate::instruments::listen::ear::{Ear, Found, Orders};
use crate::instruments::listen::judge::{Shapes, alike};
use crate::instruments::listen::plan::{self, FRAMINGS, Known, SPEEDS};
use crate::instruments::listen::ports::System;
use crate::instruments::listen::{proposal, shipped};
use crate::instruments::port::PortError;
use crate::instruments::shapes::shapes_in;
use clap::Args;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// What `stillstand help listen` says.
pub(super) const HELP: &str = "\
Find out what a serial port says, and propose the settings for it.

Without PORT: lists the ports that this machine has.

With PORT: shows what comes, tries every shape on it, those that came with the
program and those of --shapes, and proposes a section of the settings. Stop the
station before: a port has one listener. Ends when it is clear, or after the
time; Ctrl-C ends it at once, and what came is judged all the same.

Speeds are tried in this order: 9600, 2400, 4800, 1200, 19200, 38400, 57600,
115200, 600, 300. The next one is tried when something came that is no text, so
with a balance that prints on its key press the key again each time. Each is
heard with eight data bits, which shows whether they are seven and parity (7E1,
7O1); after the last speed all are tried with eight and parity (8E1, 8O1).

Nothing is written to the port, unless with --ask. Then, if it stays silent, it
is asked: each shape's own question with the speed and framing of its file,
then with every speed and the usual framings. The questions of the shipped
shapes ask for a reading and nothing else; of Modbus, only registers are read.
(SCPI's MEAS:TEMP? sets an instrument that measures several things to
temperature.) Those of your own shapes are what you wrote. An instrument that
is asked with a wrong speed may show an error.

Ends with 0 if a shape fits (or several fit alike, and that is said), 65 if
something came and no shape fits, 69 if the port cannot be used or nothing
came, 64 for a wrong command line, 78 for a wrong shape in --shapes.";

/// Listening without an end of its own is for a person who walks to the balance and presses a key.
const HEAR_S: u64 = 30;
/// All questions with all speeds and framings take minutes; those of the files take seconds.
const ASK_S: u64 = 180;

/// Arguments of `listen`.
#[derive(Debug, Args)]
pub struct ListenArgs {
    /// Path of the serial port; without it, the ports of this machine are listed.
    #[arg(value_name = "PORT")]
    pub port: Option<PathBuf>,
    /// Ask too, if nothing comes: this writes to the port.
    #[arg(long, requires = "port")]
    pub ask: bool,
    /// Listen for so long, also when it is clear before (1 to 3600); else at most 30 seconds, with
    /// --ask 180.
    #[arg(long = "for", value_name = "SECONDS", requires = "port", value_parser = clap::value_parser!(u64).range(1..=3600))]
    pub seconds: Option<u64>,
    /// The speed in bits a second, if it is known.
    #[arg(long, value_name = "BAUD", requires = "port", value_parser = speed)]
    pub speed: Option<u32>,
    /// Data bits, parity and stop bits, if they are known: 8N1, 7E1, 7O1, 8E1, 8O1 or 8N2.
    #[arg(long, value_name = "FRAMING", requires = "port", value_parser = clap::builder::PossibleValuesParser::new(FRAMINGS))]
    pub framing: Option<String>,
    /// A folder of shapes to try beside those that came with the program; a same name wins.
    #[arg(long, value_name = "DIR", requires = "port")]
    pub shapes: Option<PathBuf>,
    /// One JSON object on standard output, at the end.
    #[arg(long)]
    pub json: bool,
}

fn speed(text: &str) -> Result<u32, String> {
    let known = text.parse().ok().filter(|speed| SPEEDS.contains(speed));
    known.ok_or_else(|| {
        let mut speeds = SPEEDS;
        speeds.sort_unstable();
        format!("there is: {}", speeds.map(|speed| speed.to_string()).join(", "))
    })
}

/// How it came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Verdict {
    /// One shape fits best.
    One,
    /// So many fit alike.
    Alike(usize),
    /// Lines came, and no shape understands them.
    Unknown,
    /// Bytes came that are no text.
    Noise,
    /// Nothing came.
    Silence,
}

impl Verdict {
    fn of(found: &Found) -> Self {
        match alike(&found.fits) {
            1 => Self::One,
            0 if found.stretches.is_empty() => Self::Silence,
            0 if found.stretches.iter().any(tell::is_readable) => Self::Unknown,
            0 => Self::Noise,
            several => Self::Alike(several),
        }
    }

    const fn exit(self) -> Exit {
        match self {
            Self::One | Self::Alike(_) => Exit::Ok,
            Self::Unknown | Self::Noise => Exit::Data,
            Self::Silence => Exit::Unavailable,
        }
    }

    /// What to do where nothing fits, or not one alone.
    fn advice(self, found: &Found, asked: bool) -> Option<String> {
        match self {
            Self::One => None,
            Self::Alike(several) => Some(proposal::tell_apart(found.fits.get(..several).unwrap_or_default())),
            Self::Unknown => Some(proposal::on_unknown_lines().to_owned()),
            Self::Noise => Some(proposal::on_noise().to_owned()),
            Self::Silence if found.refused => Some(proposal::on_refusal().to_owned()),
            Self::Silence if found.cut_short => {
                Some(format!("{} {}", proposal::on_silence(asked), proposal::on_cut_short()))
            }
            Self::Silence => Some(proposal::on_silence(asked).to_owned()),
        }
    }
}

/// A port as it was given, and what the system knows of it.
struct Place {
    given: PathBuf,
    /// The path for the settings.
    lasting: PathBuf,
    pseudo: bool,
}

impl Place {
    fn new(given: &Path, system: &System) -> Self {
        let device = std::fs::canonicalize(given).unwrap_or_else(|_| given.to_owned());
        // A link that the person made, or that udev made, is a name that stays, as those of the system.
        let is_link = std::fs::symlink_metadata(given).is_ok_and(|found| found.is_symlink());
        let by_id = if is_link { None } else { system.by_id(given) };
        Self {
            given: given.to_owned(),
            lasting: by_id.unwrap_or_else(|| given.to_owned()),
            pseudo: device.starts_with("/dev/pts"),
        }
    }
}

/// Listens, or lists the ports.
pub(super) fn main(args: &ListenArgs) -> Exit {
    let system = System::default();
    let Some(port) = &args.port else {
        let ports = system.ports();
        if args.json {
            json::ports(&ports);
        } else {
            tell::ports(&ports);
        }
        return Exit::Ok;
    };
    let shapes = match shapes(args.shapes.as_deref()) {
        Ok(shapes) => shapes,
        Err(faults) => {
            complain(&faults);
            return Exit::Config;
        }
    };
    let place = Place::new(port, &system);
    let found = worked(listen(args, &place, &shapes));
    match found {
        Ok(Ok(found)) => {
            let verdict = Verdict::of(&found);
            if args.json {
                json::found(&place, &found, verdict, args.ask);
            } else {
                tell::found(&place, &found, verdict, args.ask);
            }
            verdict.exit()
        }
        Ok(Err(error)) => {
            complain(&tell::trouble(&error, port, &system));
            Exit::Unavailable
        }
        Err(exit) => exit,
    }
}

fn shapes(folder: Option<&Path>) -> Result<Shapes, Vec<String>> {
    let mut shapes = shipped::shapes();
    if let Some(folder) = folder {
        let own =
            shapes_in(folder).map_err(|e| e.to_string().lines().map(str::to_owned).collect::<Vec<_>>())?;
        shapes.extend(own);
    }
    Ok(shapes)
}

async fn listen(args: &ListenArgs, place: &Place, shapes: &Shapes) -> Result<Found, PortError> {
    let framing = args.framing.as_deref().and_then(|framing| plan::line(0, framing));
    let usual = if args.ask { ASK_S } else { HEAR_S };
    let orders = Orders {
        known: Known { speed: args.speed, framing },
        ask: args.ask,
        within: Duration::from_secs(args.seconds.unwrap_or(usual)),
        whole_time: args.seconds.is_some(),
    };
    let stop = CancellationToken::new();
    let told = stop.clone();
    let ended = tokio::spawn(async move {
        if tokio::signal::ctrl_c().await.is_ok() {
            told.cancel();
        }
    });
    let mut teller = tell::Teller::new(args.json, place.pseudo);
    let ear = Ear::open(&place.given, shapes, orders, stop, |event| teller.tell(&event)).await;
    let found = match ear {
        Ok(ear) => ear.find().await,
        Err(error) => Err(error),
    };
    ended.abort();
    found
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn the_help_states_the_order_that_is_tried() {
        let words = HELP.split_whitespace().collect::<Vec<_>>().join(" ");
        let order = SPEEDS.map(|speed| speed.to_string()).join(", ");
        assert!(words.contains(&format!("in this order: {order}.")), "{words}");
    }

    #[test]
    fn a_speed_is_one_that_a_shape_may_have() {
        assert_eq!(speed("9600"), Ok(9600));
        for wrong in ["9601", "fast", "-9600", "0"] {
            assert!(speed(wrong).unwrap_err().contains("300, 600, 1200"), "{wrong}");
        }
    }
}
