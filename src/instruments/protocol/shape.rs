//! A line by its shape: everything that must be known to read it and to speak it.

use super::number::Notation;
use super::speak::Template;
use super::{Framing, ShapeFault, load};
use crate::domain::quantity::{Kind, Quantity, Unit};
use crate::domain::reading::{InstrumentKind, Readability};
use crate::instruments::{Line, Request};
use regex::bytes::Regex;

/// How an instrument speaks. Read from a file by [`Shape::load`], which is the only way to get one.
#[derive(Debug, Clone)]
pub struct Shape {
    /// Name, the same as the file's.
    pub id: String,
    /// What the line looks like, for people.
    pub title: String,
    /// What it measures.
    pub kind: InstrumentKind,
    /// Speed and framing.
    pub line: Line,
    /// What divides its bytes.
    pub framing: Framing,
    /// How a value is asked for; `None`: the line speaks by itself.
    pub request: Option<Request>,
    /// What it can be asked beside its values.
    pub scpi: Option<Scpi>,
    /// The whole line without its terminator, with named groups.
    pub(super) pattern: Regex,
    /// How it writes numbers.
    pub(super) notation: Notation,
    /// Texts on the wire and what they mean.
    pub units: Vec<(String, Unit)>,
    /// The unit where the line names none.
    pub unit: Option<Unit>,
    /// Which lines hold a stable mass.
    pub stability: Stability,
    /// The smallest step of the display, where the file says it.
    pub readability: Option<Readability>,
    /// How a stable mass (or a temperature) is spoken.
    pub(super) stable: Template,
    /// How a mass is spoken while the balance settles.
    pub(super) unstable: Option<Template>,
    /// How an overload is spoken.
    pub(super) overload: Option<Template>,
    /// Lines and what they say; each was checked when the file was read.
    pub examples: Vec<Example>,
}

impl Shape {
    /// Parses and checks a shape file. `file` is its name, for messages; the id must equal its stem.
    ///
    /// # Errors
    /// Every fault of the file, in order of lines. An example that does not read as it claims is one.
    pub fn load(file: &str, text: &str) -> Result<Self, Vec<ShapeFault>> {
        load::load(file, text)
    }

    /// What its units measure.
    pub const fn measures(&self) -> Kind {
        match self.kind {
            InstrumentKind::Balance => Kind::Mass,
            InstrumentKind::SolutionProbe | InstrumentKind::RoomProbe => Kind::Temperature,
        }
    }

    /// Whether lines come unasked and without a break, so that the first one after the port was
    /// opened may be the end of a line.
    pub fn is_continuous(&self) -> bool {
        self.request.is_none() && self.stability.is_continuous()
    }
}

/// Questions of SCPI that are no requests for a value, with their own terminators.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scpi {
    /// Who it is: `*IDN?`.
    pub identity: Option<Vec<u8>>,
    /// The next error of its queue: `SYST:ERR?`.
    pub errors: Option<Vec<u8>>,
}

/// Which lines of a balance hold a stable mass, and which of those are weighings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stability {
    /// A temperature has no stability.
    None,
    /// The line says it; one weighing for each settled load.
    Marked,
    /// The line says it, and a person pressed a key for each line: every stable one is a weighing.
    MarkedByKey,
    /// The balance prints only what is stable, on a key: every line is a weighing.
    EveryLine,
    /// The line does not say it: our own rule does, over the lines that came.
    OwnRule,
}

impl Stability {
    /// Whether a person's key makes the line.
    pub const fn by_key(self) -> bool {
        matches!(self, Self::MarkedByKey | Self::EveryLine)
    }

    const fn is_continuous(self) -> bool {
        !self.by_key()
    }
}

/// One line of the file's examples.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Example {
    /// The line without its terminator.
    pub line: String,
    /// What it says.
    pub says: Says,
    /// The value, where it holds one.
    pub quantity: Option<Quantity>,
}

/// What a line claims to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Says {
    /// A stable mass.
    Stable,
    /// A mass that still moves.
    Unstable,
    /// A mass of which the line does not say whether it is stable.
    Unmarked,
    /// More than the balance can weigh.
    Overload,
    /// A temperature.
    Temperature,
    /// No reading at all.
    Nonsense,
}
