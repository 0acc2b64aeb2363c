//! What may be removed, and what stays although its time is over. PURE.

use crate::domain::bench::Event;
use crate::domain::keeping::Hold;
use crate::domain::moment::Moment;
use crate::journal::stored::upcast;
use crate::journal::{EventRow, InputRow, OutboxRow};
use crate::settings::model::Keeping;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use serde_json::Value;
use std::collections::BTreeSet;
use uuid::Uuid;

const DAY_NS: i64 = 86_400_000_000_000;

/// Instants before which something may go; `None`: it is kept for ever.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Before {
    /// Records, results, weighings, and what happened then.
    pub records: Option<i64>,
    /// Single temperatures.
    pub temperatures: Option<i64>,
    /// The text of inputs.
    pub inputs: Option<i64>,
}

impl Before {
    /// By the settings, at an instant. Years are those of the calendar of UTC. What is told of a time
    /// goes with its records at the latest.
    pub fn of(keeping: &Keeping, now_ns: i64) -> Self {
        let years_ago = |years: u32| {
            let now = Timestamp::from_nanosecond(i128::from(now_ns)).ok()?.to_zoned_datetime(TimeZone::UTC);
            let then = now.checked_sub(Span::new().try_years(i64::from(years)).ok()?).ok()?;
            i64::try_from(then.timestamp().as_nanosecond()).ok()
        };
        let days_ago = |days: u32| now_ns.checked_sub(i64::from(days).checked_mul(DAY_NS)?);
        let set = |count: u32, ago: &dyn Fn(u32) -> Option<i64>| (count > 0).then(|| ago(count)).flatten();
        let records = set(keeping.records_years, &years_ago);
        Self {
            records,
            temperatures: set(keeping.temperatures_days, &days_ago).max(records),
            inputs: set(keeping.inputs_days, &days_ago).max(records),
        }
    }

    /// Nothing that happened at this instant or later goes.
    #[must_use]
    pub fn not_after(self, instant: i64) -> Self {
        let bound = |before: Option<i64>| before.map(|at| at.min(instant));
        Self {
            records: bound(self.records),
            temperatures: bound(self.temperatures),
            inputs: bound(self.inputs),
        }
    }

    /// The latest of the three.
    pub fn latest(&self) -> Option<i64> {
        self.records.max(self.temperatures).max(self.inputs)
    }
}

/// The rules in words, as they are told with a removal.
pub fn words(keeping: &Keeping) -> String {
    let one = |count: u32, what: &str, unit: &str| match count {
        0 => format!("{what} for ever"),
        1 => format!("{what} 1 {unit}"),
        n => format!("{what} {n} {unit}s"),
    };
    [
        one(keeping.records_years, "records", "year"),
        one(keeping.temperatures_days, "temperatures", "day"),
        one(keeping.inputs_days, "inputs", "day"),
    ]
    .join(", ")
}

/// What stays although its time is over: whatever names one of these, or happened in these times.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Stays {
    ids: BTreeSet<Uuid>,
    times: Vec<(i64, i64)>,
}

impl Stays {
    /// A sample with its specimens.
    pub fn add(&mut self, sample: Uuid, specimens: impl IntoIterator<Item = Uuid>) {
        self.ids.insert(sample);
        self.ids.extend(specimens);
    }

    /// A held sample, with all that happened at the bench in its time.
    pub fn hold(&mut self, sample: Uuid, hold: &Hold) {
        self.add(sample, hold.specimens.iter().copied());
        self.times.push((hold.from.wall_ns, hold.until.map_or(i64::MAX, |until| until.wall_ns)));
    }

    /// A text that names one of them.
    fn names(&self, text: &str) -> bool {
        if self.ids.is_empty() {
            return false;
        }
        // An identity stands in quotation marks, 36 signs long.
        text.split('"')
            .any(|part| part.len() == 36 && Uuid::try_parse(part).is_ok_and(|id| self.ids.contains(&id)))
    }

    fn in_time(&self, at_ns: i64) -> bool {
        self.times.iter().any(|(from, until)| (*from..=*until).contains(&at_ns))
    }

    /// Whether an event that may go by its time stays.
    pub fn keeps_event(&self, row: &EventRow) -> bool {
        let Some(text) = &row.payload else { return true };
        let Some(at) = wall_ns(&row.moment) else { return true };
        self.in_time(at) || self.names(text) || (row.chained && is_of_the_house(row, text))
    }

    /// The same for an input.
    pub fn keeps_input(&self, row: &InputRow) -> bool {
        let Some(at) = wall_ns(&row.at) else { return true };
        self.in_time(at) || self.names(&row.payload) || self.names(&row.outcome)
    }

    /// The same for a document. What the network has not acknowledged always stays.
    pub fn keeps_document(&self, row: &OutboxRow) -> bool {
        row.acked_at_ns.is_none()
            || self.in_time(row.made_at_ns)
            || Uuid::try_parse(&row.subject).is_ok_and(|id| self.ids.contains(&id))
            || self.names(&row.payload)
    }

    /// The same for a sample that has left the bench.
    pub fn keeps_sample(&self, id: Uuid) -> bool {
        self.ids.contains(&id)
    }
}

/// The wall time of a stored moment; `None`: it cannot be read, or was blanked.
pub fn wall_ns(moment: &str) -> Option<i64> {
    serde_json::from_str::<Moment>(moment).ok().map(|moment| moment.wall_ns)
}

/// What is not about a sample and is needed for as long as anything is: settings, methods, equipment,
/// solutions, people, digests of documents, blocks of temperatures, holds and removals. What cannot be
/// read is not judged: it stays.
fn is_of_the_house(row: &EventRow, text: &str) -> bool {
    let Ok(value) = serde_json::from_str::<Value>(text) else { return true };
    let of_a_sample = ["sample", "specimen", "record"].iter().any(|key| value.get(key).is_some());
    let Ok((_, value)) = upcast(&row.kind, row.version, value) else { return true };
    match serde_json::from_value::<Event>(value) {
        Ok(
            Event::StationStarted { .. }
            | Event::MethodAdopted { .. }
            | Event::DocumentIssued { .. }
            | Event::TemperaturesCounted { .. }
            | Event::Equipment(_)
            | Event::Solution(_)
            | Event::Keeping(_),
        )
        | Err(_) => true,
        Ok(Event::Review(_) | Event::Quality(_)) => !of_a_sample,
        Ok(_) => false,
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::test::at;
    use crate::domain::specimen::{By, Marked};
    use serde_json::json;

    const SAMPLE: Uuid = Uuid::from_u128(0x019f_0000_0000_7000_8000_0000_0000_0bba);

    fn ns(text: &str) -> i64 {
        i64::try_from(text.parse::<Timestamp>().unwrap().as_nanosecond()).unwrap()
    }

    fn event(kind: &str, payload: &Value, at_ns: i64) -> EventRow {
        EventRow {
            seq: 1,
            input: SAMPLE,
            kind: kind.to_owned(),
            version: 1,
            chained: true,
            moment: serde_json::to_string(&at(at_ns)).unwrap(),
            payload: Some(payload.to_string()),
            payload_hash: [0; 32],
            samples: 0,
            samples_digest: None,
            documents: 0,
            documents_digest: None,
            link: None,
        }
    }

    fn hold(until: Option<i64>) -> Hold {
        let marked =
            Marked { moment: at(0), by: By { person: Some("Ada".to_owned()), via: "page".to_owned() } };
        Hold {
            label: "Q-17".to_owned(),
            specimens: vec![Uuid::from_u128(2)],
            from: at(100),
            until: until.map(at),
            reason: "a claim".to_owned(),
            marked,
        }
    }

    #[test]
    fn years_are_those_of_the_calendar_and_nothing_outlives_its_record() {
        let now = ns("2028-02-29T12:00:00Z");
        let keeping = Keeping { records_years: 3, temperatures_days: 400, inputs_days: 0 };
        let before = Before::of(&keeping, now);
        assert_eq!(before.records, Some(ns("2025-02-28T12:00:00Z")), "the last day of that February");
        assert_eq!(before.temperatures, Some(now - 400 * DAY_NS));
        assert_eq!(before.inputs, before.records, "an input tells what its record tells");
        let short = Keeping { records_years: 1, temperatures_days: 4000, inputs_days: 0 };
        let before = Before::of(&short, now);
        assert_eq!(before.temperatures, before.records);
        assert_eq!(Before::of(&Keeping::default(), now), Before::default());
        assert_eq!(words(&keeping), "records 3 years, temperatures 400 days, inputs for ever");
    }

    #[test]
    fn what_is_at_work_bounds_everything() {
        let keeping = Keeping { records_years: 1, temperatures_days: 30, inputs_days: 60 };
        let before = Before::of(&keeping, ns("2026-11-28T12:00:00Z"));
        let bound = ns("2026-01-01T00:00:00Z");
        let bounded = before.not_after(bound);
        assert_eq!((bounded.temperatures, bounded.inputs), (Some(bound), Some(bound)));
        assert_eq!(bounded.records, before.records);
        assert_eq!(bounded.latest(), Some(bound));
    }

    #[test]
    fn a_hold_keeps_what_names_the_sample_and_what_happened_in_its_time() {
        let mut stays = Stays::default();
        let noted = |id: Uuid, at_ns| {
            event(
                "no-line-noted",
                &json!({ "event": "no-line-noted", "specimen": id, "marked": Marked { moment: at(at_ns), by: hold(None).marked.by } }),
                at_ns,
            )
        };
        assert!(!stays.keeps_event(&noted(Uuid::from_u128(2), 1)));
        stays.hold(SAMPLE, &hold(Some(500)));
        assert!(stays.keeps_event(&noted(Uuid::from_u128(2), 900)), "its specimen");
        assert!(stays.keeps_event(&noted(Uuid::from_u128(3), 500)), "another one, in its time");
        assert!(!stays.keeps_event(&noted(Uuid::from_u128(3), 501)));
        assert!(stays.keeps_sample(SAMPLE) && !stays.keeps_sample(Uuid::from_u128(3)));
    }

    #[test]
    fn what_belongs_to_the_house_stays_and_so_does_what_cannot_be_read() {
        let stays = Stays::default();
        let counted = json!({ "event": "document-issued", "number": 1, "document": SAMPLE, "kind": "record", "sha256": "" });
        assert!(stays.keeps_event(&event("document-issued", &counted, 1)));
        assert!(stays.keeps_event(&event("from-the-future", &json!({ "event": "from-the-future" }), 1)));
        let mut unreadable = event("no-line-noted", &json!({}), 1);
        unreadable.moment = "{}".to_owned();
        assert!(stays.keeps_event(&unreadable));
    }

    #[test]
    fn what_the_network_has_not_taken_stays() {
        let row = |acked_at_ns| OutboxRow {
            number: 1,
            id: "d".to_owned(),
            kind: "record".to_owned(),
            topic: "t".to_owned(),
            subject: SAMPLE.to_string(),
            payload: "{}".to_owned(),
            made_at_ns: at(1).wall_ns,
            acked_at_ns,
        };
        let mut stays = Stays::default();
        assert!(stays.keeps_document(&row(None)));
        assert!(!stays.keeps_document(&row(Some(9))));
        stays.add(SAMPLE, []);
        assert!(stays.keeps_document(&row(Some(9))));
    }
}
