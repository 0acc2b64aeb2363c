//! PURE: settings for what fits, and what the person should know before using them.

use super::judge::Fit;
use super::plan::{framing, words};
use crate::domain::reading::InstrumentKind;
use crate::instruments::{Line, Parity};

/// Settings for one instrument.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proposal {
    /// A section of the settings file.
    pub settings: String,
    /// The name of the shape in it.
    pub shape: String,
    /// The lines to change in a copy of the shape's file, where that copy is needed.
    pub changes: Vec<String>,
    /// What to look at, in sentences.
    pub notes: Vec<String>,
}

/// The settings for an instrument at `port` that fits so. A pseudo-terminal has no speed of its own:
/// the shape's stays then.
pub fn proposal(fit: &Fit, port: &str, pseudo: bool) -> Proposal {
    let same_line = pseudo || same(fit.own, fit.heard);
    let unasked = fit.asks && !fit.as_said;
    let (mut shape, mut changes, mut notes) = (fit.shape.clone(), Vec::new(), Vec::new());
    if !same_line || unasked {
        shape = format!("{}-here", fit.shape);
        changes.push(format!("id = \"{shape}\""));
    }
    if !same_line {
        changes.push(format!("speed = {}", fit.heard.speed));
        changes.push(format!("framing = \"{}\"", framing(fit.heard)));
        notes.push(format!(
            "It was heard at {}; the shape's file says {}.",
            words(fit.heard),
            words(fit.own)
        ));
    }
    if unasked {
        changes.push("(take the section [request] out)".to_owned());
        notes.push("It spoke without being asked; this shape's file would ask it.".to_owned());
    }
    if pseudo {
        notes.push(format!(
            "This is a pseudo-terminal, which has no speed: compare {} with the instrument.",
            words(fit.own)
        ));
    }
    notes.extend(cautions(fit));
    Proposal { settings: settings(fit.kind, port, &shape), shape, changes, notes }
}

fn settings(kind: InstrumentKind, port: &str, shape: &str) -> String {
    let (name, kind) = match kind {
        InstrumentKind::Balance => ("balance", "balance"),
        InstrumentKind::SolutionProbe => ("probe", "solution-probe"),
        InstrumentKind::RoomProbe => ("room", "room-probe"),
    };
    let port = toml::Value::String(port.to_owned());
    format!("[instruments.{name}]\nkind = \"{kind}\"\nport = {port}\nshape = \"{shape}\"\n")
}

/// One stop bit or two: whoever listens cannot tell, and reads both.
fn same(own: Line, heard: Line) -> bool {
    own.speed == heard.speed && own.data_bits == heard.data_bits && own.parity == heard.parity
}

fn cautions(fit: &Fit) -> Vec<String> {
    let mut notes = Vec::new();
    if fit.every_line {
        notes.push(
            "With this shape each line is a weighing: use it only if the balance prints on its key, and not \
             by itself. If it has an output with a unit and a mark of stability, set that instead."
                .to_owned(),
        );
    } else if fit.marks && fit.unstable == 0 {
        notes.push(
            "No line said that the mass moves: press on the pan while it listens, and see that the mark \
             changes."
                .to_owned(),
        );
    }
    if fit.own_rule {
        notes.push(
            "Its lines bear no mark of stability: the program judges by its own rule, in divisions of the \
             balance. Add `readability`, the smallest step of the display, such as \"0.01 g\"."
                .to_owned(),
        );
    }
    if fit.marks && fit.stable == 0 {
        notes.push("No line said that the mass is stable: leave the pan alone while it listens.".to_owned());
    }
    if !fit.names_unit {
        notes.push("The line names no unit: compare the value with the display.".to_owned());
    }
    if fit.kind != InstrumentKind::Balance {
        notes.push("Compare the temperature with a thermometer that you trust.".to_owned());
    }
    notes
}

/// What to do where several shapes fit alike.
pub fn tell_apart(fits: &[Fit]) -> String {
    let balances = fits.iter().filter(|fit| fit.kind == InstrumentKind::Balance).count();
    let ways = if balances == fits.len() {
        "put a load on and listen again: the right shape tells moving from stable; then load it beyond its \
         range: the right shape tells the overload"
    } else if balances == 0 {
        "warm the probe in your hand and listen again, and compare with the display: the right shape follows. \
         If each of their questions is answered alike, either will do"
    } else {
        "see what the instrument measures: a balance or a temperature"
    };
    format!("{} shapes fit alike. To tell them apart, {ways}.", fits.len())
}

/// Where nothing came: what to try, the likeliest first.
pub fn on_silence(asked: bool) -> &'static str {
    if asked {
        "Nothing came, and nothing answered. Try: is the instrument switched on, and its interface too? Is the \
         cable in the right socket, and one that crosses the wires where it must? Is the interface set to \
         answer requests, at a speed that you could name with --speed and --framing? For Modbus, compare the \
         unit id with the shape's file."
    } else {
        "Nothing came. Try: is the instrument switched on? Is the cable in the right socket, and one that \
         crosses the wires where it must? If the balance has a print key, press it. If the instrument only \
         answers when it is asked, use --ask, which writes to the port."
    }
}

/// Where the time was over before everything was asked.
pub fn on_cut_short() -> &'static str {
    "The time was over before every speed was asked: give more with --for."
}

/// Where a Modbus unit answered, and refused.
pub fn on_refusal() -> &'static str {
    "A Modbus unit is there and refuses the registers that were asked for: compare unit id, registers and \
     address with its manual, write them into a copy of the shape's file, and listen again with --shapes."
}

/// Where bytes came that are no text at any speed.
pub fn on_noise() -> &'static str {
    "Bytes came, and they are no text at any speed that was tried. Look up speed and framing in the \
     instrument's menu and give them with --speed and --framing, or listen longer with --for: each time that \
     something comes, one speed is tried. A cable that is too long or has no ground does the same."
}

/// Where lines came that no shape understands.
pub fn on_unknown_lines() -> &'static str {
    "The lines can be read, and no shape understands them. Write a shape: copy the shipped one that comes \
     closest, and put the lines above into its examples (docs/instruments.md, 'Adding a shape'). Or choose \
     another output format at the instrument."
}

/// The line with which an instrument was heard, for people.
pub fn heard(line: Line, pseudo: bool) -> String {
    if pseudo {
        "at a pseudo-terminal".to_owned()
    } else if line.parity == Parity::None && line.data_bits == 8 {
        format!("at {} (or 8N2)", words(line))
    } else {
        format!("at {}", words(line))
    }
}
