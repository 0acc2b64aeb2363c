//! The published documents against their schemas, and one of them frozen byte for byte.
//!
//! With `STILLSTAND_DOCUMENTS=FILE` in the environment the documents are also written there, one
//! a line, for `tests/outside/records.sh`: validators and arithmetic that are not this program's.

use super::*;
use crate::domain::report::{self, Document, DocumentKind, Head};
use crate::network::message;
use jsonschema::Validator;
use serde_json::{Value, json};
use std::collections::BTreeSet;

pub(super) const JOURNAL: Uuid = Uuid::from_u128(0x019f_0000_0000_7000_8000_0000_0000_0009);

pub(super) fn schema(name: &str) -> Validator {
    let path = format!("{}/docs/schema/{name}.schema.json", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let schema: Value = serde_json::from_str(&text).unwrap();
    jsonschema::options().should_validate_formats(true).build(&schema).unwrap()
}

fn schema_of(kind: DocumentKind) -> Validator {
    schema(match kind {
        DocumentKind::Record => "specimen-record",
        DocumentKind::Result => "sample-result",
        DocumentKind::Weighing => "weighing",
    })
}

pub(super) fn faults(validator: &Validator, value: &Value) -> Vec<String> {
    validator.iter_errors(value).map(|e| format!("{}: {e}", e.instance_path())).collect()
}

/// The documents of a story, made as the station makes them: each from the state after its event,
/// numbered, with a head that grows.
pub(super) fn published(story: &Story) -> Vec<Document> {
    published_of(&story.events)
}

/// The same as a journal of before tells it, in which no weighing says who asked for it: such a
/// journal gives the documents that it always gave.
pub(super) fn published_before(story: &Story) -> Vec<Document> {
    let mut events = story.events.clone();
    for (event, _) in &mut events {
        if let Event::WeighingTaken { weighing } = event {
            weighing.asked = None;
        }
    }
    published_of(&events)
}

fn published_of(events: &[(Event, Moment)]) -> Vec<Document> {
    let mut bench = Bench::default();
    let mut documents = Vec::new();
    for (event, moment) in events {
        bench.apply(event, moment);
        let sequence = 100 + bench.next_number;
        let head = Head { journal: JOURNAL, sequence, link: format!("{sequence:064x}") };
        let input = Input { id: Uuid::nil(), moment: *moment, what: What::Deadline };
        if let Some(document) = report::document(&bench, event, &input, &head) {
            let kind = document.kind.as_str().to_owned();
            let (number, document_id) = (document.number, document.id);
            let issued = Event::DocumentIssued { number, document: document_id, kind, sha256: head.link };
            bench.apply(&issued, moment);
            documents.push(document);
        }
    }
    documents
}

pub(super) fn of(documents: &[Document], kind: DocumentKind) -> Vec<&Value> {
    documents.iter().filter(|d| d.kind == kind).map(|d| &d.json).collect()
}

/// A specimen whose method was kept, with the temperature read every ten seconds.
pub(super) fn kept_story(method: Arc<Method>) -> Story {
    let mut story = Story::with(|s| s.methods = vec![method]);
    let sample = story.sample("Q-17", 1);
    story.ok(Do::Prepare { sample, what: crate::domain::specimen::sample::Preparation::Sieved });
    story.ok(Do::AwaitSampleMass { sample, name: "tin".to_owned() });
    story.weigh("412.60");
    let specimen = story.specimen(sample, 1);
    for ten in 0..=202_i32 {
        story.to(f64::from(10 * ten)).warmth("22.45");
        match ten {
            1 => story.mark(specimen, "first fill", Edge::Done),
            4 => story.mark(specimen, "soak", Edge::Begin),
            64 => story.mark(specimen, "loosen", Edge::Begin),
            66 => story.mark(specimen, "shake", Edge::Begin),
            70 => {
                let ended = at(705 * SECOND).wall_ns;
                let act = Do::Mark { specimen, step: "shake".to_owned(), edge: Edge::End };
                story.to(705.0);
                assert!(matches!(
                    story.act_at(act, Some(ended / SECOND - at(0).wall_ns / SECOND)),
                    Outcome::Done { .. }
                ));
            }
            72 => story.mark(specimen, "irrigate", Edge::Begin),
            82 => story.mark(specimen, "irrigate", Edge::End),
            202 => story.mark(specimen, "sedimentation", Edge::End),
            _ => {}
        }
    }
    story.read(specimen, Level::Clay, "7.95");
    story.read(specimen, Level::Sand, "13.22");
    story
}

/// Every kind of deviation on one specimen, as far as one specimen can have them all.
pub(super) fn broken_story() -> Story {
    use crate::domain::specimen::sample::Preparation;
    let mut story = Story::new();
    let sample = story.sample("B-2", 1);
    story.weigh("9.99"); // nothing waits for it
    story.ok(Do::Prepare { sample, what: Preparation::MoistureChanged });
    story.ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    story.weigh("800.0");
    let specimen = story.specimen(sample, 2);
    story.ok(Do::AwaitSpecimenMass { specimen });
    story.weigh("131.25");
    story.warmth("18.5");
    story.mark(specimen, "first fill", Edge::Done);
    story.mark(specimen, "soak", Edge::Begin);
    story.to(20.0).warmth("26.0");
    story.to(700.0).mark(specimen, "loosen", Edge::Begin);
    story.trigger("shaker", Contact::On);
    story.to(720.0).trigger("shaker", Contact::Off);
    story.to(730.0).trigger("shaker", Contact::On);
    story.to(740.0).trigger("shaker", Contact::Off);
    story.to(800.0).mark(specimen, "irrigate", Edge::End);
    story.to(2000.0).ok(Do::NoLineYet { specimen });
    story.to(2590.0).read(specimen, Level::Clay, "3.0");
    let confirmed = Do::EnterReading { specimen, of: Level::Sand, value: "13.4".to_owned(), confirmed: true };
    story.ok(confirmed);
    story
}

fn lines(documents: &[Document]) -> String {
    documents.iter().flat_map(|d| [d.json.to_string(), "\n".to_owned()]).collect()
}

fn codes(documents: &[Document]) -> BTreeSet<String> {
    of(documents, DocumentKind::Record)
        .iter()
        .flat_map(|r| r["data"]["deviations"].as_array().unwrap())
        .map(|d| d["code"].as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn every_document_of_good_and_bad_specimens_is_as_its_schema_says() {
    let (kept, broken) = (published_before(&kept_story(t176())), published_before(&broken_story()));
    assert_eq!(codes(&kept), BTreeSet::new(), "the kept one has no deviation");
    let found = codes(&broken);
    for code in [
        "interval-over",
        "interval-short",
        "interval-not-shown",
        "further-run",
        "temperature-low",
        "temperature-high",
        "temperature-not-shown",
        "sand-over-clay",
        "mass-outside",
        "tempering-short",
    ] {
        assert!(found.contains(code), "{code} is not among {found:?}");
    }
    for (documents, weighings) in [(&kept, 1), (&broken, 3)] {
        assert_eq!(of(documents, DocumentKind::Weighing).len(), weighings);
        assert_eq!(of(documents, DocumentKind::Record).len(), 1);
        assert_eq!(of(documents, DocumentKind::Result).len(), 1);
        for document in documents {
            let faults = faults(&schema_of(document.kind), &document.json);
            assert!(faults.is_empty(), "{:?}: {faults:#?}", document.kind);
        }
    }
    if let Some(path) = std::env::var_os("STILLSTAND_DOCUMENTS") {
        std::fs::write(path, lines(&published(&kept_story(t176())))).unwrap();
    }
    if let Some(path) = std::env::var_os("STILLSTAND_DOCUMENTS_DEVIATING") {
        std::fs::write(path, lines(&broken)).unwrap();
    }
    if let Some(path) = std::env::var_os("STILLSTAND_DOCUMENTS_ODD") {
        std::fs::write(path, lines(&published(&super::incidents::story_with_everything(t176())))).unwrap();
    }
}

/// Paths of everything inside a value, outermost first.
fn paths(value: &Value, at: &str, found: &mut Vec<String>) {
    let mut step = |key: &str, inner: &Value| {
        let path = format!("{at}/{}", key.replace('~', "~0").replace('/', "~1"));
        found.push(path.clone());
        paths(inner, &path, found);
    };
    match value {
        Value::Object(fields) => fields.iter().for_each(|(key, inner)| step(key, inner)),
        Value::Array(items) => items.iter().enumerate().for_each(|(n, inner)| step(&n.to_string(), inner)),
        _ => {}
    }
}

#[test]
fn a_document_with_anything_missing_added_or_of_another_kind_is_refused() {
    let may_be_absent = ["/step", "/by", "/time"]; // of a deviation
    let documents = [published_before(&kept_story(t176())), published_before(&broken_story())].concat();
    for document in &documents {
        let validator = schema_of(document.kind);
        let mut all = Vec::new();
        paths(&document.json, "", &mut all);
        for path in all {
            let (parent, key) = path.rsplit_once('/').unwrap();
            let optional =
                parent.contains("/deviations/") && may_be_absent.contains(&format!("/{key}").as_str());
            let mut removed = document.json.clone();
            let Some(Value::Object(fields)) = removed.pointer_mut(parent) else { continue };
            let was = fields.remove(key).unwrap();
            let named_freely = parent.ends_with("/masses");
            assert!(optional || named_freely || !validator.is_valid(&removed), "{path} may be missing");
            let mut changed = document.json.clone();
            *changed.pointer_mut(&path).unwrap() = match &was {
                Value::String(_) | Value::Null | Value::Bool(_) => json!(1.5),
                Value::Number(_) => json!("1"),
                Value::Array(_) | Value::Object(_) => json!(true),
            };
            assert!(!validator.is_valid(&changed), "{path} may be {}", changed.pointer(&path).unwrap());
            if let Some(Value::Object(fields)) = changed.pointer_mut(parent) {
                fields.insert(key.to_owned(), was);
                fields.insert("surplus".to_owned(), json!(null));
            }
            assert!(!validator.is_valid(&changed), "{parent} takes a surplus field");
            if key == "unit" {
                for wrong in ["C", "in", "sec", "furlong"] {
                    *removed.pointer_mut(parent).unwrap() = document.json.pointer(parent).unwrap().clone();
                    removed.pointer_mut(parent).unwrap()["unit"] = json!(wrong);
                    assert!(!validator.is_valid(&removed), "{path} may be {wrong}");
                }
            }
        }
    }
}

#[test]
fn formats_are_held_to_the_letter() {
    let documents = published_before(&kept_story(t176()));
    let record = of(&documents, DocumentKind::Record)[0];
    let validator = schema_of(DocumentKind::Record);
    for (path, wrong) in [
        ("/id", "019f0000-0000-4000-8000-000000000001"), // version 4
        ("/sequence", "42"),
        ("/time", "2026-09-21T14:13:20Z"),
        ("/time", "2026-09-21T16:13:20.123+02:00"),
        ("/time", "2026-02-30T14:13:20.123Z"),
        ("/source", "urn:uuid:9"),
        ("/data/method/sha256", "ABCD"),
        ("/data/station/journal/link", ""),
        ("/data/readings/clay/text", "8,0"),
        ("/data/readings/clay/text", "8e0"),
        ("/data/status", "final"),
        ("/data/steps/0/at/stamp", "guess"),
    ] {
        let mut changed = record.clone();
        *changed.pointer_mut(path).unwrap_or_else(|| panic!("{path}")) = json!(wrong);
        assert!(!validator.is_valid(&changed), "{path} may be {wrong}");
    }
}

/// Benches whose retained state holds every kind of message.
pub(super) fn shown_stories() -> [Story; 4] {
    [Story::new(), kept_story(t176()), broken_story(), {
        let mut soaking = Story::new();
        let sample = soaking.sample("R-1", 1);
        let specimen = soaking.specimen(sample, 4);
        soaking.warmth("25.3");
        soaking.mark(specimen, "first fill", Edge::Done);
        soaking.mark(specimen, "soak", Edge::Begin);
        soaking.to(545.0);
        soaking.ok(Do::ShelveAlarm {
            key: "probe-silent".to_owned(),
            minutes: 30,
            reason: "the cable is being changed".to_owned(),
        });
        let (key, reason) = ("temperature-high".to_owned(), "calibration".to_owned());
        soaking.ok(Do::AlarmOutOfService { key, reason });
        soaking
    }]
}

#[test]
fn what_the_broker_retains_is_as_its_schemas_say() {
    let mut seen = BTreeSet::new();
    for story in &shown_stories() {
        let state = message::retained(&story.bench, JOURNAL, &at(story.now_ns), 1);
        for (topic, message) in state.topics {
            let kind = topic.split('/').nth(3).unwrap().to_owned();
            let body = serde_json::from_slice(&message.payload).unwrap();
            let faults = faults(&schema(&kind), &body);
            assert!(faults.is_empty(), "{topic}: {faults:#?}\n{body:#}");
            seen.insert(kind);
        }
    }
    assert_eq!(seen.into_iter().collect::<Vec<_>>(), ["alarm", "meta", "place", "reading"]);
}

/// If this fails, read tests/frozen/README.md before anything is changed.
#[test]
fn the_first_versions_record_is_still_the_same_byte_for_byte() {
    let text = include_str!("../../../../tests/frozen/method-v1.toml");
    let method = crate::domain::method::load("aashto-t176-mechanical.toml", text).unwrap();
    let documents = published_before(&kept_story(Arc::new(method)));
    let record = serde_json::to_string_pretty(of(&documents, DocumentKind::Record)[0]).unwrap() + "\n";
    let frozen = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/frozen/record-v1.json");
    let frozen = std::fs::read_to_string(frozen).unwrap();
    for (number, (made, kept)) in (1..).zip(record.lines().zip(frozen.lines())) {
        assert_eq!(made, kept, "line {number} of record-v1.json");
    }
    assert!(record == frozen, "one of the two goes on after the other's end");
}
