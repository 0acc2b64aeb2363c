//! The station's state as retained messages: readings, places, alarms, what runs here. PURE.
//!
//! Nothing here ticks: instants, never times left, so that a message changes only when the bench
//! does. A reading carries an expiry: when the station falls silent it disappears by itself.

use super::topics::Topics;
use super::{RetainedMessage, RetainedState};
use crate::domain::alarm::{Alarm, definition};
use crate::domain::bench::Bench;
use crate::domain::moment::Moment;
use crate::domain::reading::Wire;
use crate::domain::report::{applied, figure, schemas, time};
use crate::domain::specimen::tally::Held;
use crate::domain::specimen::{By, Specimen, judge};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use uuid::Uuid;

/// The state of a bench, under its topics. Instants are placed on wall time as seen from `now`.
pub fn retained(bench: &Bench, journal: Uuid, now: &Moment, generation: u64) -> RetainedState {
    let topics = Topics::of(&bench.station);
    let mut all = BTreeMap::new();
    let mut put = |topic: String, body: &Value, expiry_s: Option<u32>, qos: u8| {
        all.insert(topic, RetainedMessage { payload: body.to_string(), expiry_s, qos });
    };
    put(topics.meta(), &meta(bench, journal), None, 1);
    if let Some(reading) = reading(bench) {
        put(topics.reading("solution"), &reading, Some(bench.settings.temperature_stale_s), 0);
    }
    if let Some(room) = room(bench) {
        put(topics.reading("room"), &room, Some(bench.settings.room_stale_s), 0);
    }
    for number in 1..=bench.last_place() {
        let body = bench.at_place(number).map_or_else(
            || json!({ "place": number, "specimen": null }),
            |specimen| place(bench, specimen, now),
        );
        put(topics.place(number), &body, None, 1);
    }
    for alarm in bench.alarms.values() {
        put(topics.alarm(&alarm.key()), &alarm_body(bench, alarm), None, 1);
    }
    RetainedState { generation, topics: all }
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
        "complete": specimen.is_complete(),
        "voided": specimen.voided.as_ref().map(|(reason, _)| reason),
    });
    let Some((method, points)) = bench.rule(specimen) else {
        return json!({
            "place": specimen.place, "specimen": about,
            "running": null, "possible": null, "deviations": null, "result": null,
        });
    };
    let filled = specimen.points.iter().flatten().next();
    let prepared = bench.samples.get(&specimen.sample).map_or(0, |s| s.deviations(method, filled).len());
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
        "possible": bench.possible_text(specimen),
        "deviations": prepared + judge::deviations(specimen, method, &points).len(),
        "result": specimen.calculation.as_ref().map(|c| c.reported.normalize().to_string()),
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
    use crate::domain::moment::{SECOND, test::at};

    #[test]
    fn an_idle_bench_says_each_place_is_free_and_nothing_changes_by_itself() {
        let bench = Bench { station: "bench-a".to_owned(), ..Bench::default() };
        let first = retained(&bench, Uuid::nil(), &at(0), 1);
        let later = retained(&bench, Uuid::nil(), &at(3600 * SECOND), 1);
        assert_eq!(first, later);
        let place: Value =
            serde_json::from_str(&first.topics["stillstand/1/bench-a/place/8"].payload).unwrap();
        assert_eq!(place, json!({ "place": 8, "specimen": null }));
        assert!(
            !first.topics.contains_key("stillstand/1/bench-a/reading/solution"),
            "no reading is no message"
        );
    }
}
