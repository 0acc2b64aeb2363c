//! What a person at the terminal reads. Results go to standard output, what happens meanwhile to
//! standard error; with `--json` nothing but the object goes to standard output.

use super::{Place, Verdict};
use crate::domain::reading::InstrumentKind;
use crate::instruments::listen::ear::{Event, Found};
use crate::instruments::listen::judge::{Fit, Stretch};
use crate::instruments::listen::plan::words;
use crate::instruments::listen::ports::{PortHere, System};
use crate::instruments::listen::proposal::{Proposal, heard, proposal};
use crate::instruments::listen::text::is_text;
use crate::instruments::port::PortError;
use crate::instruments::protocol::{AnyShape, in_words};
use crate::instruments::{Bank, Line};
use std::io::Write;
use std::path::Path;
use std::time::Duration;

/// A line on standard output. Who does not read on (a pipe to `head`) misses it and nothing else.
macro_rules! say {
    ($($words:tt)*) => {{
        let _ = writeln!(std::io::stdout(), $($words)*);
    }};
}
pub(super) use say;

/// Tells what happens, as it happens.
pub(super) struct Teller {
    json: bool,
    pseudo: bool,
    /// The line that was told last, so that it is told once.
    told: Option<Line>,
}

impl Teller {
    pub(super) const fn new(json: bool, pseudo: bool) -> Self {
        Self { json, pseudo, told: None }
    }

    pub(super) fn tell(&mut self, event: &Event<'_>) {
        match event {
            Event::Set(line) => {
                let told = self.told.replace(*line);
                // A pseudo-terminal is the same with every line.
                if told.is_none_or(|told| told != *line && !self.pseudo) {
                    eprintln!("{} …", self.words(*line));
                }
            }
            Event::NoText(line) => eprintln!("{}: that is no text; the next speed", self.words(*line)),
            Event::Asks { shape, .. } => eprintln!("asking {}: {}", shape.id(), question(shape)),
            Event::Came(at, _, piece) => self.came(*at, &piece.escape_ascii().to_string()),
            Event::Registers(at, _, Ok(registers)) => {
                self.came(*at, &format!("registers {}", in_words(registers)));
            }
            Event::Registers(at, _, Err(why)) => {
                self.came(*at, &format!("an answer without registers: {why}"));
            }
        }
    }

    fn words(&self, line: Line) -> String {
        if self.pseudo { "listening".to_owned() } else { format!("listening at {}", words(line)) }
    }

    fn came(&self, at: Duration, what: &str) {
        if !self.json {
            say!("{:>5}.{:03}  {what}", at.as_secs(), at.subsec_millis());
        }
    }
}

fn question(shape: &AnyShape) -> String {
    match shape {
        AnyShape::Lines(shape) => {
            let send = shape.request.as_ref().map(|request| request.send.as_slice());
            format!("`{}`", send.unwrap_or_default().escape_ascii())
        }
        AnyShape::Registers(registers) => {
            let poll = &registers.poll;
            let bank = match poll.bank {
                Bank::Input => "input",
                Bank::Holding => "holding",
            };
            format!("unit {}, {} {bank} register(s) from {}", poll.unit_id, poll.count, poll.address)
        }
    }
}

/// Something that a person could read came.
pub(super) fn is_readable(stretch: &Stretch) -> bool {
    !stretch.registers.is_empty() || !stretch.bytes.is_empty() && is_text(&stretch.bytes)
}

/// The ports of this machine.
pub(super) fn ports(ports: &[PortHere]) {
    if ports.is_empty() {
        say!("This machine has no serial port. Put the adapter in, and look again.");
        return;
    }
    for port in ports {
        say!("{}", port.by_id.as_deref().unwrap_or(&port.device).display());
        let usb = port.usb.as_ref().map(|ids| format!("USB {ids}"));
        let serial = port.serial.as_ref().map(|serial| format!("serial number {serial}"));
        let driver = port.driver.as_ref().map(|driver| format!("driver {driver}"));
        let known: Vec<String> = [usb, serial, driver].into_iter().flatten().collect();
        say!("    now {}; {}", port.device.display(), known.join(", "));
    }
}

/// What came of it.
pub(super) fn found(place: &Place, found: &Found, verdict: Verdict, asked: bool) {
    if !found.fits.is_empty() {
        say!("\nWhat fits:");
        for fit in &found.fits {
            say!("  {:<26} {}", fit.shape, share(fit));
        }
    }
    if let Some(advice) = verdict.advice(found, asked) {
        say!("\n{advice}");
    }
    let several = match verdict {
        Verdict::One => 1,
        Verdict::Alike(several) => several,
        Verdict::Unknown | Verdict::Noise | Verdict::Silence => 0,
    };
    for fit in found.fits.iter().take(several) {
        propose(fit, place);
    }
}

fn share(fit: &Fit) -> String {
    let mut parts = vec![format!("understands {} of {}", fit.understood, fit.lines)];
    if fit.kind == InstrumentKind::Balance {
        parts.push(format!("stable {}, moving {}, overload {}", fit.stable, fit.unstable, fit.overload));
    }
    if !fit.units.is_empty() {
        let units: Vec<_> = fit.units.iter().map(|unit| unit.symbol()).collect();
        let named = if fit.names_unit { "" } else { " (the line names none)" };
        parts.push(format!("unit {}{named}", units.join(", ")));
    }
    if !fit.plausible {
        parts.push("no temperature of a room or a bath".to_owned());
    }
    if !fit.as_said {
        parts.push(
            if fit.asks { "but it came unasked" } else { "but it came while another was asked" }.to_owned(),
        );
    }
    parts.join("; ")
}

fn propose(fit: &Fit, place: &Place) {
    let Proposal { settings, shape, changes, notes } =
        proposal(fit, &place.lasting.to_string_lossy(), place.pseudo);
    say!("\n{} ({}), heard {}:", fit.shape, fit.title, heard(fit.heard, place.pseudo));
    if let Some((line, quantity)) = &fit.last {
        say!("  `{line}` is {} {}", quantity.value, quantity.unit.symbol());
    }
    for note in notes {
        say!("  {note}");
    }
    if !changes.is_empty() {
        say!("  Copy {}.toml in the folder of shapes as {shape}.toml, with", fit.shape);
        for change in changes {
            say!("      {change}");
        }
    }
    say!("\nFor the settings:\n\n{settings}");
    if !place.pseudo && place.lasting == place.given && place.given.starts_with("/dev/tty") {
        say!("# no name under /dev/serial/by-id leads to this port: see that its cable stays in its socket");
    }
}

/// Why the port cannot be used, and what to do.
pub(super) fn trouble(error: &PortError, port: &Path, system: &System) -> Vec<String> {
    match error {
        PortError::Missing { path } => vec![
            format!("{path} is not there: put the cable in, or correct the path"),
            "`stillstand listen` without a port lists those that are there".to_owned(),
        ],
        PortError::Busy { path, said } => {
            let mut lines = vec![format!("another program holds {path} ({said})")];
            let holders = system.holders(port);
            lines.extend(
                holders
                    .iter()
                    .map(|(number, name)| format!("process {number}, `{name}`, has it open: end it")),
            );
            if holders.is_empty() {
                lines.push("its process is another user's: `sudo fuser -v PORT` names it".to_owned());
            }
            lines.push(
                "if it is the station: `systemctl stop stillstand`, and start it afterwards".to_owned(),
            );
            lines
        }
        PortError::Denied { path } => {
            let rights = System::rights(port).map(|rights| format!(" (it belongs to {rights})"));
            vec![
                format!("access to {path} is denied{}", rights.unwrap_or_default()),
                "on Debian serial ports belong to the group dialout: `sudo usermod -aG dialout USER`, and log in \
                 again"
                    .to_owned(),
            ]
        }
        PortError::Lost { path, said } => {
            vec![format!(
                "{path} was lost while it was listened to ({said}): put the cable back and try again"
            )]
        }
        PortError::Unusable { path, said } => {
            vec![format!("{path} cannot be used as a serial port: {said}")]
        }
    }
}
