//! PURE: which shapes fit what came.

use super::text;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::InstrumentKind;
use crate::instruments::protocol::{
    AnyShape, Decoder, Piece, Registers, Said, Shape, Stability, in_words, read_piece,
};
use crate::instruments::{Line, Parity};
use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// Shapes by their name.
pub type Shapes = BTreeMap<String, AnyShape>;

/// What came with one speed and framing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stretch {
    /// The speed and framing that the port was set to.
    pub line: Line,
    /// The shape whose question was asked; `None`: nothing was.
    pub asked: Option<String>,
    /// Bytes as they came.
    pub bytes: Vec<u8>,
    /// Registers that a Modbus unit gave, one answer each.
    pub registers: Vec<Vec<u8>>,
}

impl Stretch {
    /// Nothing came yet.
    pub const fn new(line: Line, asked: Option<String>) -> Self {
        Self { line, asked, bytes: Vec::new(), registers: Vec::new() }
    }

    /// Whether nothing came.
    pub const fn is_silent(&self) -> bool {
        self.bytes.is_empty() && self.registers.is_empty()
    }

    /// The line that the instrument spoke with: parity is told by the bytes where it can be.
    pub fn spoken(&self) -> Line {
        if self.line.data_bits == 8 && self.line.parity == Parity::None {
            let parity = text::parity(&self.bytes);
            let data_bits = if parity == Parity::None { 8 } else { 7 };
            return Line { data_bits, parity, ..self.line };
        }
        self.line
    }
}

/// How well a shape fits.
#[derive(Debug, Clone, PartialEq, Eq)]
#[expect(clippy::struct_excessive_bools, reason = "each is a finding of its own, and is told")]
pub struct Fit {
    /// Name of the shape.
    pub shape: String,
    /// What its line looks like.
    pub title: String,
    /// What it measures.
    pub kind: InstrumentKind,
    /// Speed and framing of its file.
    pub own: Line,
    /// Speed and framing with which it was heard.
    pub heard: Line,
    /// The shape asks.
    pub asks: bool,
    /// It came in the way that the shape says: unasked, or as an answer to its own question.
    pub as_said: bool,
    /// Lines, frames or answers that came.
    pub lines: u32,
    /// How many of them the shape understands.
    pub understood: u32,
    /// Understood lines that bear a stable mass.
    pub stable: u32,
    /// Understood lines that bear a mass that moves.
    pub unstable: u32,
    /// Understood lines that tell of an overload.
    pub overload: u32,
    /// The line says whether the mass is stable.
    pub marks: bool,
    /// Each line of this shape is a weighing: the balance must print on its key only.
    pub every_line: bool,
    /// Its lines bear no mark of stability: the program judges by its own rule.
    pub own_rule: bool,
    /// The line names its unit.
    pub names_unit: bool,
    /// Units that were seen, in the order of their first line.
    pub units: Vec<Unit>,
    /// All temperatures were such as a room or a bath has.
    pub plausible: bool,
    /// The last line that was understood, and what it says.
    pub last: Option<(String, Quantity)>,
}

/// Temperatures of a room or a bath, in degrees Celsius. Common practice, no source; it only puts
/// shapes into an order.
const PLAUSIBLE: (i64, i64) = (-10, 60);

/// Tries every shape on what came; those that understand nothing are left out. The best is first.
pub fn fits(shapes: &Shapes, stretches: &[Stretch]) -> Vec<Fit> {
    let mut best: BTreeMap<&str, Fit> = BTreeMap::new();
    for (id, shape) in shapes {
        for fit in stretches.iter().filter_map(|stretch| fit(shape, stretch)) {
            let better = best.get(id.as_str()).is_none_or(|known| order(&fit) > order(known));
            if better {
                best.insert(id, fit);
            }
        }
    }
    let mut fits: Vec<Fit> = best.into_values().collect();
    fits.sort_by_key(|fit| std::cmp::Reverse(order(fit)));
    fits
}

/// How many of the first fits are equally good; 0 where none understands half of what came.
pub fn alike(fits: &[Fit]) -> usize {
    let Some(first) = fits.first().filter(|fit| fit.understood * 2 >= fit.lines) else { return 0 };
    fits.iter().take_while(|fit| rank(fit) == rank(first)).count()
}

/// What makes a fit better, the weightiest first: the share that it understands, that it came as
/// the shape says, a plausible value, a mark of stability, a named unit.
fn rank(fit: &Fit) -> (u32, bool, bool, bool, bool) {
    let share = fit.understood.saturating_mul(1000).checked_div(fit.lines).unwrap_or(0);
    (share, fit.as_said, fit.plausible, fit.marks && fit.stable > 0, fit.names_unit)
}

/// Of two hearings of one shape the longer one counts where they are equally good.
fn order(fit: &Fit) -> ((u32, bool, bool, bool, bool), u32) {
    (rank(fit), fit.understood)
}

fn fit(shape: &AnyShape, stretch: &Stretch) -> Option<Fit> {
    let mine = stretch.asked.as_deref() == Some(shape.id());
    let fit = match shape {
        AnyShape::Lines(lines) => {
            let mut fit = empty(shape, stretch, &lines.title);
            fit.asks = lines.request.is_some();
            fit.as_said = if fit.asks { mine } else { stretch.asked.is_none() };
            fit.marks = matches!(lines.stability, Stability::Marked | Stability::MarkedByKey);
            fit.every_line = lines.stability == Stability::EveryLine;
            fit.own_rule = lines.stability == Stability::OwnRule;
            fit.names_unit = !lines.units.is_empty();
            of_lines(lines, stretch, &mut fit);
            fit
        }
        AnyShape::Registers(registers) if mine => {
            let mut fit = empty(shape, stretch, &registers.title);
            (fit.asks, fit.as_said) = (true, true);
            of_registers(registers, stretch, &mut fit);
            fit
        }
        AnyShape::Registers(_) => return None,
    };
    (fit.understood > 0).then_some(fit)
}

fn empty(shape: &AnyShape, stretch: &Stretch, title: &str) -> Fit {
    Fit {
        shape: shape.id().to_owned(),
        title: title.to_owned(),
        kind: shape.kind(),
        own: shape.line(),
        heard: stretch.spoken(),
        asks: false,
        as_said: false,
        lines: 0,
        understood: 0,
        stable: 0,
        unstable: 0,
        overload: 0,
        marks: false,
        every_line: false,
        own_rule: false,
        names_unit: false,
        units: Vec::new(),
        plausible: true,
        last: None,
    }
}

/// The first line may lack its beginning where the instrument spoke before the port was open, and
/// the last its end: neither tells against a shape.
fn of_lines(shape: &Shape, stretch: &Stretch, fit: &mut Fit) {
    let parity = if stretch.spoken() == stretch.line { Parity::None } else { stretch.spoken().parity };
    let bytes = text::without_parity(&stretch.bytes, parity);
    for (place, piece) in Decoder::new(shape.framing).feed(&bytes).iter().enumerate() {
        let Some(said) = read_piece(shape, piece) else { continue };
        let torn = place == 0 && stretch.asked.is_none() && matches!(said, Said::Nonsense { .. });
        if !torn {
            count(fit, &said, &shown(piece));
        }
    }
}

fn shown(piece: &Piece) -> String {
    piece.bytes().escape_ascii().to_string()
}

fn of_registers(registers: &Registers, stretch: &Stretch, fit: &mut Fit) {
    for answer in &stretch.registers {
        count(fit, &registers.read(answer), &in_words(answer));
    }
}

fn count(fit: &mut Fit, said: &Said, line: &str) {
    fit.lines = fit.lines.saturating_add(1);
    let (of_its_kind, quantity) = match said {
        Said::Nonsense { .. } => return,
        Said::Mass { quantity } => (Some(&mut fit.stable), Some(*quantity)),
        Said::Unstable { quantity } => (Some(&mut fit.unstable), *quantity),
        Said::Overload => (Some(&mut fit.overload), None),
        Said::Unmarked { quantity } | Said::Temperature { quantity } => (None, Some(*quantity)),
    };
    if let Some(number) = of_its_kind {
        *number = number.saturating_add(1);
    }
    fit.understood = fit.understood.saturating_add(1);
    let Some(quantity) = quantity else { return };
    if matches!(said, Said::Temperature { .. }) {
        fit.plausible &= plausible(quantity);
    }
    if !fit.units.contains(&quantity.unit) {
        fit.units.push(quantity.unit);
    }
    fit.last = Some((line.to_owned(), quantity));
}

fn plausible(temperature: Quantity) -> bool {
    let (low, high) = PLAUSIBLE;
    temperature
        .convert(Unit::Celsius)
        .is_some_and(|celsius| (Decimal::from(low)..=Decimal::from(high)).contains(&celsius.value))
}

#[cfg(test)]
mod test;
