//! What a station says of itself to the room: one document, small enough to be sent every few seconds,
//! and what is made of such documents of other stations.
//!
//! What comes from another station was written by somebody else. It is bounded before it is kept, and
//! nothing is decided by it: it is only shown.

mod of;
mod read;

pub use of::overview;

use super::alarm::{Priority, State};
use super::moment::{Moment, SECOND};
use super::quantity::{Range, Side, Unit};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A station says so often how it stands, nanoseconds.
pub const EVERY_NS: i64 = 2 * SECOND;
/// Without a word for so long, what is known of a station is not current: three words were missed.
pub const SILENT_NS: i64 = 3 * EVERY_NS;
/// Largest document that is taken, in bytes.
pub const MOST_BYTES: usize = 128 * 1024;
/// Places of one document, at most: a bench has no more.
const MOST_PLACES: usize = 64;
/// Alarms and results of one document, at most; of further ones only the number is told.
const MOST_LINES: usize = 16;
/// Stations that are followed at once, at most.
const MOST_STATIONS: usize = 32;
/// A station is listened to at most so often, nanoseconds.
const LEAST_APART_NS: i64 = SECOND / 5;

/// How a station stands, as it says itself. Times are RFC 3339 in UTC, by its own clock.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Overview {
    /// When this was true.
    pub at: String,
    /// Its name for people.
    pub title: String,
    /// Its instruments are simulated.
    pub rehearsal: bool,
    /// Its clock runs by itself; else times left do not run down.
    pub clock_runs: bool,
    /// Documents that the network has not taken; `None`: nobody has counted them yet.
    pub waiting: Option<u64>,
    /// The solution; absent: no reading, or a stale one.
    pub temperature: Option<Temperature>,
    /// Places at work, in their order.
    pub places: Vec<AtWork>,
    /// Alarms that nobody put aside, the most urgent first.
    pub alarms: Vec<AlarmLine>,
    /// Alarms beyond those.
    pub more_alarms: u64,
    /// Alarms that are put aside, whether they stand or not: shelved, out of service, suppressed.
    pub alarms_aside: u64,
    /// Results of the day, the newest first.
    pub results: Vec<ResultLine>,
    /// Results beyond those.
    pub more_results: u64,
    /// Of the day's samples that left the bench earlier some are not in sight any more: their results are
    /// missing here.
    pub earlier_missing: bool,
}

/// The solution's temperature.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Temperature {
    /// The digits as they were read, or as its certificate corrected them.
    pub text: String,
    /// UCUM code of its unit.
    pub unit: String,
    /// Where it lies against the limits in force.
    pub side: Option<Side>,
    /// Those limits.
    pub limits: Option<Limits>,
    /// The probe stands in the solution.
    pub in_solution: bool,
}

/// Limits of a temperature, ends included.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Limits {
    /// The lower one.
    pub min: Option<String>,
    /// The upper one.
    pub max: Option<String>,
    /// UCUM code of both.
    pub unit: String,
}

impl Limits {
    /// As limits that can be shown in other units; `None`: they are no numbers of a known unit.
    pub fn range(&self) -> Option<Range> {
        let end = |text: &Option<String>| text.as_ref().map(|text| text.parse().ok());
        let (min, max) = (end(&self.min), end(&self.max));
        if matches!((min, max), (Some(None), _) | (_, Some(None))) {
            return None;
        }
        Some(Range { min: min.flatten(), max: max.flatten(), unit: Unit::from_code(&self.unit)? })
    }
}

/// A place at work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct AtWork {
    /// Its number.
    pub place: u32,
    /// Label of the specimen.
    pub label: String,
    /// Everything is entered.
    pub complete: bool,
    /// It was given up.
    pub voided: bool,
    /// What may come next, in words.
    pub next: Option<String>,
    /// The interval that runs.
    pub running: Option<Running>,
    /// Deviations on it.
    pub deviations: u64,
    /// Its result, as it is reported.
    pub result: Option<String>,
}

/// An interval that runs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Running {
    /// The step of the method.
    pub step: String,
    /// When it began.
    pub since: String,
    /// When its window opens, if it has one.
    pub opens: Option<String>,
    /// When its window closes.
    pub closes: Option<String>,
}

/// An alarm.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct AlarmLine {
    /// Its key.
    pub alarm: String,
    /// How soon a person must act.
    pub priority: Priority,
    /// Where it stands.
    pub state: State,
    /// In a sentence.
    pub text: String,
}

/// A result of the day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ResultLine {
    /// Label of the sample.
    pub label: String,
    /// As it is reported.
    pub reported: String,
    /// `pass`, `fail` or `not-decided`; absent: it has no limit.
    pub verdict: Option<String>,
    /// The limit and its verdict, in a sentence.
    pub limit: Option<String>,
}

/// What the broker says of a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Presence {
    /// It is connected.
    Online,
    /// It said that it goes.
    Offline,
    /// Its connection broke.
    Lost,
}

/// A message about a station, as it came.
#[derive(Debug, Clone, Copy)]
pub enum Said<'a> {
    /// Its overview.
    Overview(&'a [u8]),
    /// Its presence.
    Status(&'a [u8]),
}

/// What was heard of a station last.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// What it said.
    pub overview: Overview,
    /// When it came here.
    pub arrived: Moment,
    /// The broker had kept it: nobody here knows how old it is.
    pub kept: bool,
}

/// A station that is followed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Followed {
    /// What the broker says of it.
    pub presence: Option<Presence>,
    /// What it said last.
    pub last: Option<Heard>,
    /// Why the newest message was not taken.
    pub refused: Option<String>,
    /// The settings name it: it is missed where it is not heard, and gives its place to nobody.
    pub named: bool,
    /// When a live overview was looked at last, good or bad.
    looked: Option<Moment>,
}

/// What what is known of a station is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stand {
    /// It spoke a moment ago.
    Fresh,
    /// It has not spoken for a while, and nobody says that it went.
    Silent,
    /// It went, or its connection broke.
    Gone,
    /// All there is is what the broker had kept.
    Kept,
    /// Nothing was ever heard of it.
    Unheard,
}

impl Followed {
    /// What is known of it is worth this much at `now`.
    pub fn stand(&self, now: &Moment) -> Stand {
        let gone = matches!(self.presence, Some(Presence::Offline | Presence::Lost));
        match &self.last {
            _ if gone => Stand::Gone,
            None => Stand::Unheard,
            Some(heard) if heard.kept => Stand::Kept,
            Some(heard) if now.since(&heard.arrived).ns > SILENT_NS => Stand::Silent,
            Some(_) => Stand::Fresh,
        }
    }
}

/// Every station that is followed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Following {
    /// The broker is heard.
    pub linked: bool,
    /// Why not, in words.
    pub why: Option<String>,
    /// By name in topics.
    pub stations: BTreeMap<String, Followed>,
    /// When a station was left out last because there are too many.
    crowded: Option<Moment>,
}

impl Following {
    /// Nothing is heard yet. Stations that are named stand from the beginning: one that is never heard
    /// must be missed.
    pub fn of<'a>(named: impl Iterator<Item = &'a str>) -> Self {
        let missed = Followed { named: true, ..Followed::default() };
        let stations = named.take(MOST_STATIONS).map(|name| (name.to_owned(), missed.clone()));
        Self { stations: stations.collect(), ..Self::default() }
    }

    /// Takes a message about a station. `kept`: the broker had kept it for whoever comes. False:
    /// nothing has changed by it.
    pub fn hear(&mut self, station: &str, said: Said<'_>, kept: bool, now: Moment) -> bool {
        let (payload, lives) = match said {
            Said::Status(payload) => (payload, false),
            Said::Overview(payload) => (payload, !kept),
        };
        let known = self.stations.contains_key(station);
        if !known && payload.is_empty() {
            return false;
        }
        if !known && self.stations.len() >= MOST_STATIONS && !(lives && self.makes_room(&now)) {
            let before = self.cut(&now);
            self.crowded = Some(now);
            return !before;
        }
        let followed = self.stations.entry(station.to_owned()).or_default();
        let changed = match said {
            Said::Status(payload) => followed.status(payload),
            Said::Overview(payload) => followed.overview(payload, kept, now),
        };
        let nothing =
            !followed.named && *followed == Followed { looked: followed.looked, ..Followed::default() };
        if nothing {
            self.stations.remove(station);
        }
        // What came and said nothing was never there.
        changed && (known || !nothing)
    }

    /// One that speaks gets the place of one that does not, unless the settings name that one.
    fn makes_room(&mut self, now: &Moment) -> bool {
        let idle = |one: &Followed| {
            !one.named && (one.last.is_none() || matches!(one.stand(now), Stand::Gone | Stand::Kept))
        };
        let found = self.stations.iter().find(|(_, one)| idle(one)).map(|(name, _)| name.clone());
        found.is_some_and(|name| self.stations.remove(&name).is_some())
    }

    /// Others speak that are left out because there are too many.
    pub fn cut(&self, now: &Moment) -> bool {
        let lately = |at: &Moment| now.since(at).ns <= SILENT_NS;
        self.stations.len() >= MOST_STATIONS && self.crowded.as_ref().is_some_and(lately)
    }
}

impl Followed {
    fn status(&mut self, payload: &[u8]) -> bool {
        let told = read::presence(payload);
        std::mem::replace(&mut self.presence, told) != told
    }

    fn overview(&mut self, payload: &[u8], kept: bool, now: Moment) -> bool {
        if payload.is_empty() {
            return self.refused.take().is_some() | self.last.take().is_some();
        }
        // Before it is read: reading is what a flood costs. What the broker had kept comes once.
        if !kept {
            if self.looked.is_some_and(|at| now.since(&at).ns < LEAST_APART_NS) {
                return false;
            }
            self.looked = Some(now);
        }
        match read::overview(payload) {
            // The broker repeats what was heard live: that is no older for it.
            Ok(told) if kept && self.last.as_ref().is_some_and(|last| last.overview.at == told.at) => false,
            Ok(overview) => {
                self.refused = None;
                self.last = Some(Heard { overview, arrived: now, kept });
                true
            }
            Err(why) => self.refused.replace(why.clone()) != Some(why),
        }
    }
}

/// A time of a document, in nanoseconds since 1970.
pub fn wall_ns(text: &str) -> Option<i64> {
    let stamp: jiff::Timestamp = text.parse().ok()?;
    i64::try_from(stamp.as_nanosecond()).ok()
}

#[cfg(test)]
mod test;
