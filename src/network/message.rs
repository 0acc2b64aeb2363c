//! The station's state as retained messages: readings, places, alarms, what runs here. PURE.
//!
//! Nothing here ticks: instants, never times left, so that a message changes only when the bench
//! does. A reading carries an expiry: when the station falls silent it disappears by itself.

use super::topics::Topics;
use super::{RetainedMessage, RetainedState};
use crate::domain::alarm::{Alarm, Name, OutOfService, Shelving, definition};
use crate::domain::bench::{Bench, BenchSettings, Lag, Probe, Room};
use crate::domain::moment::{Moment, SECOND};
use crate::domain::overview::overview;
use crate::domain::reading::Wire;
use crate::domain::report::{SigningKey, applied, figure, key_set, schemas, time};
use crate::domain::shared::Shared;
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::tally::Held;
use crate::domain::specimen::{By, Specimen, judge};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use uuid::Uuid;

/// What a station says of itself is dropped by the broker after so long.
const OVERVIEW_EXPIRES_S: u32 = 30;

/// Most places that a bench can have, by the settings.
const PLACES_MOST: u32 = 64;

/// The state of a bench, under its topics. Instants are placed on wall time as seen from `now`.
pub fn retained(bench: &Bench, journal: Uuid, now: &Moment, generation: u64) -> RetainedState {
    let mut told = Told::new(journal);
    told.tell(bench, now);
    RetainedState { generation, ..told.state }
}

/// How far wall time may be moved against the boot clock before instants are told anew, nanoseconds.
/// A time service that slews the clock must not make every message change a little all the time.
const STEP_NS: i64 = SECOND;

/// What was told last, so that only what has changed since is put in words again.
#[derive(Debug)]
pub struct Told {
    journal: Uuid,
    state: RetainedState,
    meta: Option<MetaOf>,
    keys: Option<Shared<Vec<SigningKey>>>,
    readings: Option<ReadingsOf>,
    alarms: Option<AlarmsOf>,
    places: BTreeMap<u32, Option<PlaceOf>>,
}

/// What the messages of the readings were made of.
#[derive(Debug, PartialEq)]
struct ReadingsOf {
    solution: Probe,
    room: Shared<Room>,
    settings: Shared<BenchSettings>,
}

/// What the message of the station was made of.
#[derive(Debug)]
struct MetaOf {
    settings: Shared<BenchSettings>,
    current: Shared<BTreeMap<String, String>>,
}

/// What the messages of the alarms were made of.
#[derive(Debug)]
struct AlarmsOf {
    alarms: Shared<BTreeMap<String, Alarm>>,
    shelved: Shared<BTreeMap<String, Shelving>>,
    out_of_service: Shared<BTreeMap<String, OutOfService>>,
    settings: Shared<BenchSettings>,
    /// Why those of the temperature's limits are suppressed, the only ones that can be.
    suppressed: Option<&'static str>,
}

/// What the message of a place was made of.
#[derive(Debug)]
struct PlaceOf {
    specimen: Shared<Specimen>,
    sample: Option<Shared<Sample>>,
    boot: Uuid,
    /// Wall time less boot time.
    offset_ns: i64,
}

impl Told {
    /// Nothing was told yet.
    pub fn new(journal: Uuid) -> Self {
        Self {
            journal,
            state: RetainedState::default(),
            meta: None,
            keys: None,
            readings: None,
            alarms: None,
            places: BTreeMap::new(),
        }
    }

    /// Puts in words what changed. The state to be kept at the broker, if it is another one now.
    pub fn tell(&mut self, bench: &Bench, now: &Moment) -> Option<RetainedState> {
        let topics = Topics::of(&bench.station);
        let before = self.state.generation;
        let first = self.meta.is_none();
        let meta_of = MetaOf { settings: bench.settings.clone(), current: bench.current.clone() };
        if !self.meta.as_ref().is_some_and(|last| {
            last.settings.is_same(&meta_of.settings) && last.current.is_same(&meta_of.current)
        }) {
            self.put(topics.meta(), &meta(bench, self.journal), None, 1);
            self.meta = Some(meta_of);
        }
        if !bench.signing_keys.is_empty()
            && !self.keys.as_ref().is_some_and(|k| k.is_same(&bench.signing_keys))
        {
            self.put(topics.keys(), &key_set(&bench.signing_keys), None, 1);
            self.keys = Some(bench.signing_keys.clone());
        }
        let known = self.readings.as_ref();
        if !known.is_some_and(|of| of.solution == bench.probe && of.room == bench.room)
            || !known.is_some_and(|of| of.settings == bench.settings)
        {
            let settings = &bench.settings;
            self.tell_reading(topics.reading("solution"), reading(bench), settings.temperature_stale_s);
            self.tell_reading(topics.reading("room"), room(bench), settings.room_stale_s);
            let (solution, room, settings) = (bench.probe.clone(), bench.room.clone(), settings.clone());
            self.readings = Some(ReadingsOf { solution, room, settings });
        }
        self.tell_places(bench, &topics, now);
        match consumers(bench) {
            Some(body) => self.put(topics.consumers(), &body, None, 1),
            None => self.drop_topic(&topics.consumers()),
        }
        self.tell_alarms(bench, &topics);
        if first {
            let mut absent = may_be_left(bench, &topics);
            absent.retain(|topic| !self.state.topics.contains_key(topic.as_str()));
            self.state.absent = Arc::new(absent);
        }
        (self.state.generation != before).then(|| self.state.clone())
    }

    /// How the station stands, for the room: said every few seconds, whether anything changed or not,
    /// so that silence shows. `waiting`: documents that the network has not taken.
    pub fn tell_overview(
        &mut self,
        bench: &Bench,
        now: &Moment,
        waiting: Option<u64>,
        runs: bool,
    ) -> RetainedState {
        let body = serde_json::to_value(overview(bench, now, waiting, runs)).unwrap_or_default();
        self.put(Topics::of(&bench.station).overview(), &body, Some(OVERVIEW_EXPIRES_S), 0);
        self.state.clone()
    }

    /// Expires when it is stale: no message is no reading.
    fn tell_reading(&mut self, topic: String, body: Option<Value>, stale_s: u32) {
        match body {
            Some(body) => self.put(topic, &body, Some(stale_s), 0),
            None => self.drop_topic(&topic),
        }
    }

    fn tell_alarms(&mut self, bench: &Bench, topics: &Topics) {
        let of = AlarmsOf::new(bench);
        if self.alarms.as_ref().is_some_and(|last| last.still_holds(&of)) {
            return;
        }
        let alarms: BTreeMap<String, &Alarm> =
            bench.alarms.values().map(|alarm| (topics.alarm(&alarm.key()), alarm)).collect();
        let base = topics.alarm("");
        let told = self.state.topics.keys().filter(|topic| topic.starts_with(&base));
        let gone: Vec<Arc<str>> = told.filter(|topic| !alarms.contains_key(&***topic)).cloned().collect();
        for topic in gone {
            self.drop_topic(&topic);
        }
        for (topic, alarm) in alarms {
            self.put(topic, &alarm_body(bench, alarm), None, 1);
        }
        self.alarms = Some(of);
    }

    fn tell_places(&mut self, bench: &Bench, topics: &Topics, now: &Moment) {
        let last = bench.last_place();
        let taken: BTreeMap<u32, &Shared<Specimen>> =
            bench.specimens.values().rev().map(|specimen| (specimen.place, specimen)).collect();
        for number in 1..=last {
            let specimen = taken.get(&number).copied();
            let known = self.places.get(&number);
            let same = match (known, specimen) {
                (Some(Some(of)), Some(specimen)) => of.still_holds(bench, specimen, now),
                (Some(None), None) => true,
                _ => false,
            };
            if same {
                continue;
            }
            let body = specimen.map_or_else(
                || json!({ "place": number, "specimen": null }),
                |specimen| place(bench, specimen, now),
            );
            self.put(topics.place(number), &body, None, 1);
            self.places.insert(number, specimen.map(|specimen| PlaceOf::new(bench, specimen, now)));
        }
        for (number, _) in self.places.split_off(&(last + 1)) {
            self.drop_topic(&topics.place(number));
        }
    }

    fn put(&mut self, topic: String, body: &Value, expiry_s: Option<u32>, qos: u8) {
        let message =
            RetainedMessage { payload: serde_json::to_vec(body).unwrap_or_default().into(), expiry_s, qos };
        if self.state.topics.get(topic.as_str()) != Some(&message) {
            self.state.topics.insert(topic.into(), message);
            self.state.generation += 1;
        }
    }

    fn drop_topic(&mut self, topic: &str) {
        if self.state.topics.remove(topic).is_some() {
            self.state.generation += 1;
        }
    }
}

impl AlarmsOf {
    fn new(bench: &Bench) -> Self {
        Self {
            alarms: bench.alarms.clone(),
            shelved: bench.shelved.clone(),
            out_of_service: bench.out_of_service.clone(),
            settings: bench.settings.clone(),
            suppressed: bench.suppressed(Name::TemperatureHigh),
        }
    }

    fn still_holds(&self, now: &Self) -> bool {
        self.alarms.is_same(&now.alarms)
            && self.shelved.is_same(&now.shelved)
            && self.out_of_service.is_same(&now.out_of_service)
            && self.settings.is_same(&now.settings)
            && self.suppressed == now.suppressed
    }
}

impl PlaceOf {
    fn new(bench: &Bench, specimen: &Shared<Specimen>, now: &Moment) -> Self {
        Self {
            specimen: specimen.clone(),
            sample: bench.samples.get(&specimen.sample).cloned(),
            boot: now.boot,
            offset_ns: now.wall_ns.saturating_sub(now.boot_ns),
        }
    }

    /// Nothing that the message says has changed: it would be the same words again.
    fn still_holds(&self, bench: &Bench, specimen: &Shared<Specimen>, now: &Moment) -> bool {
        let same_sample = match (&self.sample, bench.samples.get(&specimen.sample)) {
            (Some(was), Some(is)) => was.is_same(is),
            (None, None) => true,
            _ => false,
        };
        let moved_ns = now.wall_ns.saturating_sub(now.boot_ns).saturating_sub(self.offset_ns);
        self.specimen.is_same(specimen) && same_sample && self.boot == now.boot && moved_ns.abs() < STEP_NS
    }
}

/// What an earlier run may have left at a broker: places beyond the last one, alarms that ended
/// while nothing could be told.
fn may_be_left(bench: &Bench, topics: &Topics) -> BTreeSet<String> {
    let places = (1..=PLACES_MOST).map(|place| topics.place(place));
    let alarms = bench.alarm_keys().into_iter().map(|key| topics.alarm(&key));
    // The station's own, which ends with whatever ended the program while the disk failed.
    let own = topics.alarm(Name::NotKept.as_str());
    places.chain(alarms).chain([topics.consumers(), own]).collect()
}

/// How far each consumer confirmed; none where nobody confirms and nobody is watched.
fn consumers(bench: &Bench) -> Option<Value> {
    let lags = bench.lags();
    let told = |lag: &Lag<'_>| {
        json!({
            "consumer": lag.consumer,
            "through": lag.receipt.map(|r| r.through),
            "confirmedAt": lag.receipt.map(|r| time(r.at.wall_ns)),
            "behind": lag.behind,
            "limit": lag.limit,
        })
    };
    (!lags.is_empty()).then(|| {
        json!({ "newest": bench.newest_document(), "consumers": lags.iter().map(told).collect::<Vec<_>>() })
    })
}

fn meta(bench: &Bench, journal: Uuid) -> Value {
    json!({
        "title": bench.title,
        "software": format!("stillstand {}", bench.version),
        "rehearsal": bench.rehearsal,
        "journal": journal,
        "places": bench.settings.places,
        "schemas": schemas(),
        "methods": bench.current.iter().filter_map(|(id, digest)| {
            let method = bench.methods.get(digest)?;
            Some(json!({
                "id": id,
                "standard": method.standard,
                "edition": method.edition.value.as_deref().unwrap_or("not confirmed"),
                "sha256": digest,
            }))
        }).collect::<Vec<_>>(),
    })
}

fn reading(bench: &Bench) -> Option<Value> {
    let (held, wire) = bench.probe.last.as_ref()?;
    let quality = if bench.probe.stands_in.is_some() { "good" } else { "out-of-solution" };
    let mut value = figure(held.temperature.value, held.temperature.unit);
    let told = json!({
        "side": bench.probe.side.map(|(side, _)| side),
        "quality": quality,
    });
    add(&mut value, told);
    add(&mut value, origin(held, wire));
    Some(value)
}

/// The room has no limits: no side.
fn room(bench: &Bench) -> Option<Value> {
    let (held, wire) = bench.room.last.as_ref()?;
    let mut value = figure(held.temperature.value, held.temperature.unit);
    add(&mut value, json!({ "side": null, "quality": "good" }));
    add(&mut value, origin(held, wire));
    Some(value)
}

fn origin(held: &Held, wire: &Wire) -> Value {
    let mut value = json!({ "time": time(held.moment.wall_ns), "instrument": wire.instrument });
    if let Some(how) = &held.applied {
        add(&mut value, json!({ "correction": applied(how, held.temperature.unit) }));
    }
    value
}

fn add(value: &mut Value, more: Value) {
    if let (Value::Object(value), Value::Object(more)) = (value, more) {
        value.extend(more);
    }
}

fn place(bench: &Bench, specimen: &Specimen, now: &Moment) -> Value {
    let about = json!({
        "id": specimen.id,
        "label": specimen.label,
        "sample": specimen.sample,
        "complete": specimen.result().is_some(),
        "voided": specimen.voided.as_ref().map(|(reason, _)| reason),
    });
    let Some((method, points)) = bench.rule(specimen) else {
        return json!({
            "place": specimen.place, "specimen": about,
            "running": null, "possible": null, "deviations": null, "result": null,
        });
    };
    let prepared = bench.samples.get(&specimen.sample).map_or(0, |s| s.deviations_of(method, specimen).len());
    let possible = match bench.unknown_text(specimen, now) {
        Some(unknown) => format!("{}; {unknown}", bench.possible_text(specimen)),
        None => bench.possible_text(specimen),
    };
    let running = specimen.running(method, &points).and_then(|(step, span)| {
        let (opens, closes) = specimen.window(method, step);
        // The begin as wall time seen from now: a step of the wall clock must not move the end.
        let begin = now.wall_ns.saturating_sub(now.since(&span.begin.marked.moment).ns);
        let at = |ns: i64| time(begin.saturating_add(ns));
        Some(json!({
            "step": method.steps.get(step)?.name,
            "since": time(span.begin.marked.moment.wall_ns),
            "opens": opens.map(at),
            "closes": closes.map(at),
            "stage": specimen.announced.filter(|(s, _)| *s == step).map(|(_, stage)| stage),
        }))
    });
    json!({
        "place": specimen.place,
        "specimen": about,
        "running": running,
        "possible": possible,
        "deviations": prepared + judge::deviations(specimen, method, &points).len(),
        "result": specimen.result().map(|c| c.reported.normalize().to_string()),
    })
}

fn alarm_body(bench: &Bench, alarm: &Alarm) -> Value {
    let row = definition(alarm.name);
    let key = alarm.key();
    let person = |by: &By| by.person.clone();
    json!({
        "alarm": alarm.key(),
        "name": row.name.as_str(),
        "about": Some(&alarm.about).filter(|about| !about.is_empty()),
        "occurrence": alarm.occurrence,
        "state": bench.alarm_state(alarm),
        "active": alarm.cleared.is_none(),
        "acked": alarm.acknowledged.is_some(),
        "priority": row.priority,
        "text": alarm.text,
        "condition": row.condition,
        "consequence": row.consequence,
        "response": row.response,
        "respondWithin_s": row.respond_within_s,
        "raisedAt": time(alarm.raised.wall_ns),
        "clearedAt": alarm.cleared.map(|m| time(m.wall_ns)),
        "ackedAt": alarm.acknowledged.as_ref().map(|(_, m)| time(m.wall_ns)),
        "ackedBy": alarm.acknowledged.as_ref().and_then(|(by, _)| person(by)),
        "onDelay_s": bench.on_delay_s(alarm.name),
        "offDelay_s": row.off_delay_s,
        "deadband": row.deadband.map(|d| d.to_string()),
        "suppressedByDesign": bench.suppressed(alarm.name),
        "shelved": bench.shelved.get(&key).map(|s| json!({
            "by": person(&s.by), "reason": s.reason,
            "since": time(s.since.wall_ns), "until": time(s.until().wall_ns),
        })),
        "outOfService": bench.out_of_service.get(&key).map(|o| json!({
            "by": person(&o.by), "reason": o.reason, "since": time(o.since.wall_ns),
        })),
    })
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::bench::{Receipt, test::Story};
    use crate::domain::method::Edge;
    use crate::domain::moment::{SECOND, test::at};

    #[test]
    fn consumers_are_shown_as_their_schema_says_and_only_where_there_are_any() {
        let mut bench = Bench { station: "bench-a".to_owned(), next_number: 9, ..Bench::default() };
        assert_eq!(consumers(&bench), None);
        bench.receipts.insert("archive".to_owned(), Receipt { through: 6, at: at(0) });
        bench.network.consumers.insert("wall".to_owned(), 5);
        let shown = consumers(&bench).unwrap();
        assert_eq!(
            (&shown["consumers"][0]["behind"], &shown["consumers"][1]["behind"]),
            (&json!(2), &json!(8))
        );
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/schema/consumers.schema.json");
        let schema = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
        let validator = jsonschema::options().should_validate_formats(true).build(&schema).unwrap();
        assert_eq!(
            validator.iter_errors(&shown).map(|e| e.to_string()).collect::<Vec<_>>(),
            Vec::<String>::new()
        );
    }

    #[test]
    fn what_an_earlier_run_may_have_left_is_named_and_nothing_that_stands() {
        let bench = Bench { station: "bench-a".to_owned(), ..Bench::default() };
        let state = retained(&bench, Uuid::nil(), &at(0), 1);
        for gone in ["place/9", "place/64", "alarm/network-away", "alarm/not-kept", "consumers"] {
            assert!(state.absent.contains(&format!("stillstand/1/bench-a/{gone}")), "{gone}");
        }
        assert!(state.topics.keys().all(|topic| !state.absent.contains(&**topic)));
    }

    #[test]
    fn a_place_says_that_nobody_knows_how_long_it_has_run_until_the_clock_is_set() {
        let mut story = Story::new();
        let sample = story.sample("S", 1);
        let specimen = story.specimen(sample, 3);
        for (step, edge) in [("first fill", Edge::Done), ("soak", Edge::Begin)] {
            story.mark(specimen, step, edge);
        }
        // Ten minutes on, five of them after a restart.
        let restarted = |off_ns: i64| {
            let mut now = at(600 * SECOND);
            (now.boot, now.boot_ns) = (Uuid::from_u128(2), 300 * SECOND);
            now.wall_ns -= off_ns;
            now
        };
        let said = |state: RetainedState| -> Value {
            serde_json::from_slice(&state.topics["stillstand/1/bench-a/place/3"].payload).unwrap()
        };
        let words = |place: &Value| place["possible"].as_str().unwrap().contains("soak has run is not known");
        let mut told = Told::new(Uuid::nil());
        let lost = said(told.tell(&story.bench, &restarted(7 * 365 * 86_400 * SECOND)).unwrap());
        assert!(words(&lost), "{lost}");
        // 10 min +/- 1 min after the begin, by the time of day that it had.
        assert_eq!(lost["running"]["closes"], time(at(660 * SECOND).wall_ns));
        let set = said(told.tell(&story.bench, &restarted(0)).unwrap());
        assert!(!words(&set), "{set}");
        assert_eq!(set["running"]["closes"], lost["running"]["closes"]);
    }

    #[test]
    fn how_a_station_stands_is_said_again_though_nothing_changed_and_ends_with_it() {
        let bench = Bench { station: "bench-a".to_owned(), ..Bench::default() };
        let mut told = Told::new(Uuid::nil());
        told.tell(&bench, &at(0));
        let said = |state: RetainedState| state.topics["stillstand/1/bench-a/overview"].clone();
        let first = said(told.tell_overview(&bench, &at(0), Some(0), true));
        let again = said(told.tell_overview(&bench, &at(2 * SECOND), Some(0), true));
        assert!(first.payload != again.payload, "its moment tells them apart");
        assert_eq!((first.expiry_s, first.qos), (Some(30), 0));
    }

    #[test]
    fn nothing_is_told_twice_and_a_bench_made_smaller_takes_its_places_back() {
        let mut bench = Bench { station: "bench-a".to_owned(), ..Bench::default() };
        let mut told = Told::new(Uuid::nil());
        assert!(told.tell(&bench, &at(0)).is_some());
        assert_eq!(told.tell(&bench, &at(SECOND)), None);
        bench.settings.places = 7;
        let smaller = told.tell(&bench, &at(2 * SECOND)).unwrap();
        assert!(!smaller.topics.contains_key("stillstand/1/bench-a/place/8"));
        assert_eq!(smaller.topics, retained(&bench, Uuid::nil(), &at(2 * SECOND), 1).topics);
    }

    #[test]
    fn an_idle_bench_says_each_place_is_free_and_nothing_changes_by_itself() {
        let bench = Bench { station: "bench-a".to_owned(), ..Bench::default() };
        let first = retained(&bench, Uuid::nil(), &at(0), 1);
        let later = retained(&bench, Uuid::nil(), &at(3600 * SECOND), 1);
        assert_eq!(first, later);
        let place: Value =
            serde_json::from_slice(&first.topics["stillstand/1/bench-a/place/8"].payload).unwrap();
        assert_eq!(place, json!({ "place": 8, "specimen": null }));
        assert!(
            !first.topics.contains_key("stillstand/1/bench-a/reading/solution"),
            "no reading is no message"
        );
    }
}
