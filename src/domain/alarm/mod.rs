//! Conditions that need a person now: raise, acknowledge, return to normal. Words and states as
//! in IEC 62682 (known from secondary texts): acknowledging never clears, clearing never
//! acknowledges, and an acknowledgement names a person and one occurrence.

mod limit;
mod table;

pub use limit::{Against, LimitWatch};
pub use table::{Definition, Name, OnDelay, TABLE, definition};

use super::moment::{Moment, SECOND};
use super::specimen::By;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// How soon a person must act.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Within minutes: results at the bench are being spoiled.
    High,
    /// Soon: the next results will be.
    Medium,
    /// Today.
    Low,
}

/// Where an alarm stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// The condition is there and nobody has acknowledged it.
    Unacknowledged,
    /// The condition is there and somebody knows.
    Acknowledged,
    /// The condition is gone and nobody has acknowledged it.
    ReturnedUnacknowledged,
    /// A person put it aside for a time.
    Shelved,
    /// The station itself knows that it means nothing now.
    SuppressedByDesign,
    /// A person took it out of service until a person puts it back.
    OutOfService,
}

/// An alarm put aside by a person until a stated end, whatever its occurrence.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shelving {
    /// Who.
    pub by: By,
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: Moment,
    /// For how many minutes.
    pub minutes: u16,
}

impl Shelving {
    /// When it ends.
    pub fn until(&self) -> Moment {
        self.since.plus(i64::from(self.minutes) * 60 * SECOND)
    }
}

/// An alarm taken out of service by a person, without an end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutOfService {
    /// Who.
    pub by: By,
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: Moment,
}

/// One occurrence of an alarm that is not yet back to normal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Alarm {
    /// Which alarm.
    pub name: Name,
    /// What it is about: an instrument, a trigger; empty where there is only one.
    pub about: String,
    /// This occurrence.
    pub occurrence: Uuid,
    /// What was seen, with figures.
    pub text: String,
    /// When it was raised.
    pub raised: Moment,
    /// When the condition went away, if it did.
    pub cleared: Option<Moment>,
    /// Who acknowledged it, and when.
    pub acknowledged: Option<(By, Moment)>,
    /// The last earlier occurrences that nobody acknowledged before this one took their place.
    #[serde(default)]
    pub replaced: Vec<Uuid>,
}

impl Alarm {
    /// Where it stands by itself, whether or not it is put aside.
    pub fn state(&self) -> State {
        match (&self.acknowledged, &self.cleared) {
            (None, None) => State::Unacknowledged,
            (Some(_), _) => State::Acknowledged,
            (None, Some(_)) => State::ReturnedUnacknowledged,
        }
    }

    /// Key in topics and on pages: the name, and what it is about.
    pub fn key(&self) -> String {
        key(self.name, &self.about)
    }

    /// It may leave the list: the condition is gone and somebody has acknowledged it.
    pub fn is_normal(&self) -> bool {
        self.cleared.is_some() && self.acknowledged.is_some()
    }
}

/// Key of an alarm: its name, and what it is about where that matters.
pub fn key(name: Name, about: &str) -> String {
    if about.is_empty() { name.as_str().to_owned() } else { format!("{}-{about}", name.as_str()) }
}
