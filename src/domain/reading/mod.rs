//! One value and where it came from: instrument, port, raw bytes, or why there is none.

mod correction;
mod readability;

pub use correction::{Applied, Certificate, Corrected, Correction, Rule};
pub use readability::Readability;

use super::quantity::Quantity;
use serde::{Deserialize, Serialize};

/// Where a value on a wire came from.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Wire {
    /// Name of the instrument in the settings.
    pub instrument: String,
    /// Path of the port that was open.
    pub port: String,
    /// The bytes as they came, in ASCII with `\xNN` escapes (lossless, as `slice::escape_ascii`).
    pub raw: String,
    /// Who called a mass stable where the balance itself did not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stable_by: Option<StableBy>,
    /// The lines that a stable mass stands on by our own rule, oldest first, each as `raw` is.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lines: Vec<String>,
    /// The correction that made the value of what was read; `None`: the value is what was read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrected: Option<Corrected>,
}

impl Wire {
    /// The origin of a value that is what the bytes say.
    pub fn of(instrument: &str, port: &str, raw: String) -> Self {
        Self { instrument: instrument.to_owned(), port: port.to_owned(), raw, ..Self::default() }
    }
}

/// Who called a mass stable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StableBy {
    /// The program, by its own rule over the lines that came.
    OwnRule,
    /// A person, of a mass that did not settle in time.
    Hand,
}

/// What an instrument measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InstrumentKind {
    /// Masses.
    Balance,
    /// Temperature of the working solution.
    SolutionProbe,
    /// Temperature of the room.
    RoomProbe,
}

/// What an instrument's adapter has to say. The adapter knows the wire and no rule of the trade.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "report", rename_all = "kebab-case")]
pub enum InstrumentReport {
    /// One stable mass.
    Mass {
        /// The mass with the digits that were read.
        mass: Quantity,
        /// Its origin.
        wire: Wire,
    },
    /// One temperature.
    Temperature {
        /// The temperature with the digits that were read.
        temperature: Quantity,
        /// Its origin.
        wire: Wire,
    },
    /// A load did not settle in time, by our own rule; it is not weighed until it changes.
    NotStable {
        /// What was shown last.
        mass: Quantity,
        /// Its origin.
        wire: Wire,
    },
    /// The load that did not settle is another one now, or gone.
    Released {
        /// Name of the instrument in the settings.
        instrument: String,
    },
    /// A value that lies outside the points of its certificate: there is no correction for it.
    Uncorrected {
        /// The value as it was read.
        reading: Quantity,
        /// Its origin.
        wire: Wire,
        /// What the certificate covers, in words.
        why: String,
    },
    /// The instrument said who it is.
    Identified {
        /// Name of the instrument in the settings.
        instrument: String,
        /// Path of the port.
        port: String,
        /// In its own words.
        identity: String,
    },
    /// The instrument's error queue was not empty.
    Errors {
        /// Name of the instrument in the settings.
        instrument: String,
        /// Path of the port.
        port: String,
        /// The errors in its own words, oldest first.
        errors: Vec<String>,
        /// The queue was read because of an answer that could not be read; else at the opening.
        after_nonsense: bool,
    },
    /// Bytes that are no reading. The adapter reports the first at once, then at most one in
    /// ten seconds, with the number of lines since the last report.
    Nonsense {
        /// The last of the bytes, at most 120 of them.
        wire: Wire,
        /// What was expected, in words.
        why: String,
        /// Lines that it stands for.
        lines: u32,
    },
    /// An instrument that is asked does not answer: reported once, after three in a row.
    NoAnswer {
        /// Name of the instrument in the settings.
        instrument: String,
        /// Path of the port.
        port: String,
        /// Requests without an answer so far.
        requests: u32,
    },
    /// After nonsense or silence a line could be read again, and it is no report by itself.
    Readable {
        /// Name of the instrument in the settings.
        instrument: String,
    },
    /// The port cannot be used: cable out, taken by another program, access denied.
    Gone {
        /// Name of the instrument in the settings.
        instrument: String,
        /// Path of the port.
        port: String,
        /// What the system said.
        why: String,
    },
    /// The port is open (again).
    Open {
        /// Name of the instrument in the settings.
        instrument: String,
        /// Path of the port.
        port: String,
    },
}

impl InstrumentReport {
    /// Name of the instrument in the settings.
    pub fn instrument(&self) -> &str {
        match self {
            Self::Mass { wire, .. }
            | Self::Temperature { wire, .. }
            | Self::NotStable { wire, .. }
            | Self::Uncorrected { wire, .. }
            | Self::Nonsense { wire, .. } => &wire.instrument,
            Self::Released { instrument }
            | Self::Identified { instrument, .. }
            | Self::Errors { instrument, .. }
            | Self::NoAnswer { instrument, .. }
            | Self::Readable { instrument }
            | Self::Gone { instrument, .. }
            | Self::Open { instrument, .. } => instrument,
        }
    }
}

/// What a balance or probe shows at this instant: for the eye, never for the journal.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Live {
    /// Lines and answers since the program started, readable or not.
    pub lines: u64,
    /// The last readable value, stable or not.
    pub value: Option<Quantity>,
    /// The balance called it stable.
    pub stable: bool,
    /// The balance is overloaded.
    pub overload: bool,
}
