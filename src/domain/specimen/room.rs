//! Temperature of the room while a specimen is at work: no limits, only what it was.

use super::tally::Held;
use crate::domain::quantity::Quantity;
use crate::domain::reading::{Applied, Certificate, Wire};
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

/// The lowest and the highest, from the first act on the specimen to its result.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct RoomRange {
    /// Lowest reading.
    pub lowest: Option<Quantity>,
    /// How it was corrected, if it was.
    #[serde(default)]
    pub lowest_applied: Option<Applied>,
    /// Highest reading.
    pub highest: Option<Quantity>,
    /// How it was corrected, if it was.
    #[serde(default)]
    pub highest_applied: Option<Applied>,
    /// Kept readings.
    pub readings: u32,
    /// Where they came from, in order.
    pub sources: Vec<RoomSource>,
}

/// Where readings of the room came from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoomSource {
    /// Name of the instrument in the settings.
    pub instrument: String,
    /// Path of its port.
    pub port: String,
    /// The certificate that its readings are corrected by.
    pub certificate: Option<Certificate>,
}

impl RoomSource {
    fn of(wire: &Wire) -> Self {
        Self {
            instrument: wire.instrument.clone(),
            port: wire.port.clone(),
            certificate: wire.corrected.as_ref().map(|corrected| corrected.certificate.clone()),
        }
    }
}

impl RoomRange {
    /// One more reading.
    pub fn meet(&mut self, held: &Held, wire: &Wire) {
        let is = |of: Option<Quantity>, side: Ordering| {
            of.is_none_or(|of| held.temperature.compare(&of) == Some(side))
        };
        self.readings = self.readings.saturating_add(1);
        if is(self.lowest, Ordering::Less) {
            (self.lowest, self.lowest_applied) = (Some(held.temperature), held.applied);
        }
        if is(self.highest, Ordering::Greater) {
            (self.highest, self.highest_applied) = (Some(held.temperature), held.applied);
        }
        let source = RoomSource::of(wire);
        if self.sources.last() != Some(&source) {
            self.sources.push(source);
        }
    }

    /// The reading lies outside of what was met so far.
    pub fn is_new(&self, temperature: &Quantity) -> bool {
        let beyond = |of: Option<Quantity>, side| of.is_none_or(|of| temperature.compare(&of) == Some(side));
        beyond(self.lowest, Ordering::Less) || beyond(self.highest, Ordering::Greater)
    }
}
