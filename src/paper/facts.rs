//! What a report is made of, read from a journal that a station may be writing to: the documents as
//! they were published with their digests, and the temperatures between.

use crate::domain::bench::{Bench, ClosedSample, Event};
use crate::domain::method::Method;
use crate::domain::moment::{Moment, SECOND};
use crate::domain::quantity::Quantity;
use crate::domain::shared::Shared;
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Issued, Specimen};
use crate::domain::units::Units;
use crate::journal::stored::upcast;
use crate::journal::{ClosedFound, EventRow, JournalError, Reader, chain};
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// Versions of one document that are followed back.
const VERSIONS_MOST: usize = 60;
/// Watches that follow each other sooner than this stand in one picture.
const TOGETHER_NS: i64 = 3600 * SECOND;
/// Events on either side of a span that are looked at too: a wall clock may have been set back a
/// little meanwhile.
const SLACK_EVENTS: u64 = 2000;
/// Events of a page.
const PAGE: u64 = 5000;
/// The kinds of event that a picture of the temperature is drawn from.
const KINDS: [&str; 3] = ["temperature-read", "probe-taken-out", "probe-put-in"];

/// A sample with its specimens, at work or gone.
#[derive(Debug, Clone)]
pub struct Subject {
    /// The sample.
    pub sample: Shared<Sample>,
    /// In the order in which they were registered.
    pub specimens: Vec<Shared<Specimen>>,
    /// When it left the bench; `None`: it is at work.
    pub left: Option<Moment>,
}

impl From<ClosedSample> for Subject {
    fn from(closed: ClosedSample) -> Self {
        Self { sample: closed.sample, specimens: closed.specimens, left: Some(closed.closed) }
    }
}

impl Subject {
    /// One that is at work.
    pub fn at_work(bench: &Bench, sample: &Shared<Sample>) -> Self {
        let here = bench.specimens.values().chain(bench.cleared.values());
        let mut specimens: Vec<_> = here.filter(|s| s.sample == sample.id).cloned().collect();
        specimens.sort_by_key(|s| s.id);
        Self { sample: sample.clone(), specimens, left: None }
    }

    /// One that has left, as the journal kept it.
    ///
    /// # Errors
    /// What was kept is of another shape.
    pub fn read(row: &ClosedFound) -> Result<Self, serde_json::Error> {
        serde_json::from_str::<ClosedSample>(&row.state).map(Self::from)
    }
}

/// One published document.
#[derive(Debug, Clone)]
pub struct Published {
    /// Its identity.
    pub id: String,
    /// Its number.
    pub number: u64,
    /// SHA-256 of its bytes, lower-case hexadecimal.
    pub sha256: String,
    /// When it was made, wall time in nanoseconds.
    pub made_ns: i64,
    /// All of it.
    pub json: Value,
}

/// The versions of one document, the newest first; never empty.
#[derive(Debug, Clone)]
pub struct Versions(pub Vec<Published>);

/// One reading of the solution's temperature, or that there is none from then on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warmth {
    /// Wall time in nanoseconds.
    pub at_ns: i64,
    /// What was read; `None`: the probe was taken out, or what was read was removed since.
    pub value: Option<Quantity>,
}

/// A stretch of time in which specimens were watched, and the temperatures in it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Watch {
    /// From when on, wall time in nanoseconds.
    pub from_ns: i64,
    /// Until when.
    pub to_ns: i64,
    /// Label, begin and end of each specimen's watch.
    pub specimens: Vec<(String, i64, i64)>,
    /// How long a reading holds where the next one does not come, nanoseconds.
    pub holds_ns: i64,
    /// In the order of time.
    pub readings: Vec<Warmth>,
    /// Readings that are no longer kept.
    pub removed: usize,
}

/// All that a report is made of.
#[derive(Debug, Clone)]
pub struct Facts {
    /// The sample and its specimens.
    pub subject: Subject,
    /// Its method; `None`: the journal has lost it.
    pub method: Option<Arc<Method>>,
    /// The station's name for people, and its version.
    pub station: (String, String),
    /// Simulated instruments.
    pub rehearsal: bool,
    /// Its published results.
    pub result: Option<Versions>,
    /// Published records, by specimen.
    pub records: BTreeMap<Uuid, Versions>,
    /// The solution's temperature.
    pub watches: Vec<Watch>,
    /// The units in which figures stand.
    pub units: Units,
}

impl Facts {
    /// From here on figures stand in the units of the settings. The digests stay those of what was
    /// published.
    pub fn show_in(&mut self, units: Units) {
        self.units = units;
        for versions in self.records.values_mut().chain(&mut self.result) {
            for published in &mut versions.0 {
                units.document(&mut published.json);
            }
        }
        for reading in self.watches.iter_mut().flat_map(|watch| &mut watch.readings) {
            reading.value = reading.value.map(|value| units.quantity(&value));
        }
    }
}

impl Versions {
    /// The newest.
    pub fn newest(&self) -> Option<&Published> {
        self.0.first()
    }

    fn read(reader: &Reader, issued: Option<&Issued>) -> Result<Option<Self>, JournalError> {
        let mut versions = Vec::new();
        let mut next = issued.map(|issued| issued.id.to_string());
        while let Some(id) = next.take().filter(|_| versions.len() < VERSIONS_MOST) {
            // One that is not on the disk yet is not published yet.
            let Some(row) = reader.document(&id)? else { break };
            let json: Value = serde_json::from_str(&row.payload).unwrap_or_default();
            next = json.pointer("/data/replaces/id").and_then(Value::as_str).map(str::to_owned);
            versions.push(Published {
                id,
                number: row.number,
                sha256: chain::hex(&chain::sha256(row.payload.as_bytes())),
                made_ns: row.made_at_ns,
                json,
            });
        }
        Ok(if versions.is_empty() { None } else { Some(Self(versions)) })
    }
}

impl Published {
    /// A part of its content.
    pub fn data(&self) -> &Value {
        self.json.get("data").unwrap_or(&Value::Null)
    }
}

/// Reads what a report of a sample is made of. `bench` is a committed state.
///
/// # Errors
/// The journal cannot be read.
pub fn gather(reader: &Reader, bench: &Bench, subject: Subject) -> Result<Facts, JournalError> {
    let mut records = BTreeMap::new();
    for specimen in &subject.specimens {
        if let Some(versions) = Versions::read(reader, specimen.record.as_ref())? {
            records.insert(specimen.id, versions);
        }
    }
    let mut watches = watches(&subject, bench);
    for watch in &mut watches {
        temperatures(reader, watch)?;
    }
    Ok(Facts {
        method: bench.methods.get(&subject.sample.method).cloned(),
        station: (bench.title.clone(), bench.version.clone()),
        rehearsal: bench.rehearsal,
        result: Versions::read(reader, subject.sample.result.as_ref())?,
        records,
        watches,
        subject,
        units: Units::default(),
    })
}

/// The stretches in which its specimens were watched.
fn watches(subject: &Subject, bench: &Bench) -> Vec<Watch> {
    let stale = i64::from(bench.settings.temperature_stale_s);
    let mut spans: Vec<(i64, i64, &str, i64)> = subject
        .specimens
        .iter()
        .filter_map(|specimen| {
            let tally = &specimen.tally;
            let (from, to) = (tally.opened?.wall_ns, tally.counted_to?.wall_ns);
            let holds = tally.sources.last().map_or(stale, |source| i64::from(source.holds_s));
            (from < to).then_some((from, to, specimen.label.as_str(), holds * SECOND))
        })
        .collect();
    spans.sort_unstable();
    let mut watches: Vec<Watch> = Vec::new();
    for (from_ns, to_ns, label, holds_ns) in spans {
        let one = (label.to_owned(), from_ns, to_ns);
        if let Some(last) = watches.last_mut().filter(|last| from_ns - last.to_ns < TOGETHER_NS) {
            last.to_ns = last.to_ns.max(to_ns);
            last.holds_ns = last.holds_ns.min(holds_ns);
            last.specimens.push(one);
        } else {
            watches.push(Watch { from_ns, to_ns, specimens: vec![one], holds_ns, ..Watch::default() });
        }
    }
    watches
}

/// Fills in the readings of a stretch, and the last one before it if that still held.
fn temperatures(reader: &Reader, watch: &mut Watch) -> Result<(), JournalError> {
    let from_ns = watch.from_ns - watch.holds_ns;
    (watch.readings, watch.removed) = warmths(reader, from_ns, watch.to_ns)?;
    Ok(())
}

/// What was read of the solution's temperature between two wall times in nanoseconds, in the order of
/// time, and how many readings of it are no longer kept.
///
/// # Errors
/// The journal cannot be read.
pub fn warmths(reader: &Reader, from_ns: i64, to_ns: i64) -> Result<(Vec<Warmth>, usize), JournalError> {
    let newest = reader.newest_event()?;
    let mut at = first_since(reader, newest, from_ns)?.saturating_sub(SLACK_EVENTS).max(1);
    let end = first_since(reader, newest, to_ns)?.saturating_add(SLACK_EVENTS).min(newest + 1);
    let (mut readings, mut removed) = (Vec::new(), 0);
    while at < end {
        let next = (at + PAGE).min(end);
        for row in reader.events_of(&KINDS, at..next)? {
            let Ok(moment) = serde_json::from_str::<Moment>(&row.moment) else { continue };
            if !(from_ns..=to_ns).contains(&moment.wall_ns) {
                continue;
            }
            removed += usize::from(row.payload.is_none());
            readings.push(Warmth { at_ns: moment.wall_ns, value: temperature(&row) });
        }
        at = next;
    }
    readings.sort_by_key(|reading| reading.at_ns);
    Ok((readings, removed))
}

/// What a row read; `None`: nothing is read from then on.
fn temperature(row: &EventRow) -> Option<Quantity> {
    let payload = serde_json::from_str(row.payload.as_deref()?).ok()?;
    let (_, payload) = upcast(&row.kind, row.version, payload).ok()?;
    match serde_json::from_value(payload).ok()? {
        Event::TemperatureRead { temperature, .. } => Some(temperature),
        _ => None,
    }
}

/// Number of the first event at or after a wall time, found by halving: numbers stand in the order
/// of time.
fn first_since(reader: &Reader, newest: u64, wall_ns: i64) -> Result<u64, JournalError> {
    let (mut low, mut high) = (1, newest + 1);
    while low < high {
        let middle = low + (high - low) / 2;
        let row = reader.events(middle - 1, 1)?.into_iter().next();
        let at = row.and_then(|row| serde_json::from_str::<Moment>(&row.moment).ok());
        if at.is_some_and(|moment| moment.wall_ns < wall_ns) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    Ok(low)
}
