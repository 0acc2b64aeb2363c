//! What a line says. A line fits its shape wholly or says nothing.

use super::{LINE_MAX, Piece, Shape, Stability, number};
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::InstrumentKind;
use regex::bytes::Captures;

/// What one line says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// A stable mass.
    Mass {
        /// The mass with the digits that were read.
        quantity: Quantity,
    },
    /// A mass that still moves; some balances leave out the unit meanwhile.
    Unstable {
        /// What was shown, where it can be read.
        quantity: Option<Quantity>,
    },
    /// A mass of which the line does not say whether it is stable.
    Unmarked {
        /// The mass with the digits that were read.
        quantity: Quantity,
    },
    /// More than the balance can weigh, or less than nothing.
    Overload,
    /// A temperature.
    Temperature {
        /// The temperature with the digits that were read.
        quantity: Quantity,
    },
    /// No reading.
    Nonsense {
        /// What was expected, for the person who looks at the wire.
        why: String,
    },
}

pub(super) fn nonsense(why: impl Into<String>) -> Said {
    Said::Nonsense { why: why.into() }
}

/// Reads what came off the wire. `None` for the line ends that some instruments send between frames.
pub fn read_piece(shape: &Shape, piece: &Piece) -> Option<Said> {
    match piece {
        Piece::Line(bytes) => Some(match shape.framing.text(bytes) {
            Ok(text) => read_line(shape, text),
            Err(why) => nonsense(why),
        }),
        Piece::TooLong(_) => Some(nonsense(format!("a line of at most {LINE_MAX} bytes with its end"))),
        Piece::Between(bytes) => (!bytes.iter().all(|byte| matches!(byte, b'\r' | b'\n')))
            .then(|| nonsense("a whole frame: STX, text, ETX")),
    }
}

/// Reads one line, without its terminator or frame.
pub fn read_line(shape: &Shape, line: &[u8]) -> Said {
    let Some(groups) = shape.pattern.captures(line) else {
        let sample = shape.examples.first().map_or("", |example| example.line.as_str());
        return nonsense(format!("a line of shape `{}`, such as `{sample}`", shape.id));
    };
    let quantity = quantity(shape, &groups);
    if shape.kind != InstrumentKind::Balance {
        return match quantity {
            Ok(quantity) => Said::Temperature { quantity },
            Err(why) => nonsense(why),
        };
    }
    if has(&groups, "overload") {
        return Said::Overload;
    }
    if shape.stability == Stability::OwnRule {
        return quantity.map_or_else(nonsense, |quantity| Said::Unmarked { quantity });
    }
    match (stable(shape, &groups), quantity) {
        (Ok(true), Ok(quantity)) => Said::Mass { quantity },
        (Ok(true), Err(why)) | (Err(why), _) => nonsense(why),
        (Ok(false), quantity) => Said::Unstable { quantity: quantity.ok() },
    }
}

/// A group that took part and holds something.
fn has(groups: &Captures<'_>, name: &str) -> bool {
    groups.name(name).is_some_and(|found| !found.is_empty())
}

fn text<'l>(groups: &Captures<'l>, name: &str) -> &'l [u8] {
    groups.name(name).map_or(&[], |found| found.as_bytes())
}

/// Whether the line calls itself stable. In doubt it does not.
fn stable(shape: &Shape, groups: &Captures<'_>) -> Result<bool, String> {
    if shape.stability == Stability::EveryLine {
        return Ok(true);
    }
    let says_stable = shape.pattern.capture_names().flatten().any(|name| name == "stable");
    match (has(groups, "stable"), has(groups, "unstable")) {
        (true, true) => Err("a line that is either stable or unstable".to_owned()),
        (_, true) => Ok(false),
        (marked, false) => Ok(marked || !says_stable),
    }
}

fn quantity(shape: &Shape, groups: &Captures<'_>) -> Result<Quantity, String> {
    let field = if shape.kind == InstrumentKind::Balance { "mass" } else { "temperature" };
    let digits = [text(groups, "sign"), text(groups, field)].concat();
    let value = shape.notation.parse(&digits).map_err(|expected| {
        format!("{expected} in the field `{field}`, in place of `{}`", digits.escape_ascii())
    })?;
    Ok(Quantity::new(value, unit(shape, text(groups, "unit"))?))
}

fn unit(shape: &Shape, wire: &[u8]) -> Result<Unit, String> {
    let wire = number::trim(wire);
    if wire.is_empty() {
        return shape.unit.ok_or_else(|| "a unit".to_owned());
    }
    let named = shape.units.iter().find(|(text, _)| text.as_bytes() == wire);
    named.map(|(_, unit)| *unit).ok_or_else(|| {
        let known: Vec<_> = shape.units.iter().map(|(text, _)| format!("`{text}`")).collect();
        format!("a unit out of {}, in place of `{}`", known.join(", "), wire.escape_ascii())
    })
}
