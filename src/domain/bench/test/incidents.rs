//! The documents of specimens with which something went otherwise than planned.

use super::documents::{faults, of, published, schema};
use super::*;
use crate::domain::report::DocumentKind;
use crate::domain::specimen::Target;
use crate::domain::specimen::note::NoteKind;
use serde_json::{Value, json};

fn to_line(story: &mut Story, specimen: Uuid, start: f64, took: f64) {
    story.to(start).mark(specimen, "first fill", Edge::Done);
    story.to(start + 10.0).mark(specimen, "soak", Edge::Begin);
    story.to(start + 610.0).mark(specimen, "shake", Edge::Begin);
    story.to(start + 655.0).mark(specimen, "shake", Edge::End);
    story.to(start + 700.0).mark(specimen, "irrigate", Edge::End);
    if took > 1215.0 {
        story.to(start + 1900.0).ok(Do::NoLineYet { specimen });
    }
    story.to(start + 700.0 + took).mark(specimen, "sedimentation", Edge::End);
}

/// A specimen that was bumped, carried, interrupted and late, and the three after it.
pub(super) fn story_with_everything(method: Arc<Method>) -> Story {
    let mut story = Story::with(|s| s.methods = vec![method]);
    story.weigh("1200.0");
    let weighing = story.bench.kept_weighings[0].id;
    let sample = story.sample("E-4", 1);
    let name = "passing".to_owned();
    story.ok(Do::PlaceWeighing { weighing, target: Target::Sample { sample, name } });
    let late = story.specimen(sample, 1);
    story.ok(Do::CorrectPlace { specimen: late, place: 2, swap: false });
    story.mark(late, "first fill", Edge::Done);
    story.to(10.0).mark(late, "soak", Edge::Begin);
    let text = Some("a trolley".to_owned());
    story.to(100.0).ok(Do::NoteSpecimen { specimen: late, note: NoteKind::Bumped, text });
    story.to(110.0).ok(Do::MoveCylinder { specimen: late, place: 3 });
    for note in [NoteKind::Leaked, NoteKind::Spilled, NoteKind::FootDropped] {
        story.ok(Do::NoteSpecimen { specimen: late, note, text: None });
    }
    for (s, contact) in [(610, Contact::On), (630, Contact::Off), (650, Contact::On), (675, Contact::Off)] {
        story.to(f64::from(s)).trigger("shaker", contact);
    }
    story.ok(Do::InterruptedRun { specimen: late, counts: true, reason: Some("a jam".to_owned()) });
    story.to(800.0).mark(late, "irrigate", Edge::End);
    story.to(2000.0).ok(Do::NoLineYet { specimen: late });
    story.to(2700.0).mark(late, "sedimentation", Edge::End);
    story.read(late, Level::Clay, "9.0");
    story.read(late, Level::Sand, "13.0");
    for (n, took) in [(0, 1500.0), (1, 1310.0), (2, 1700.0)] {
        let new = story.specimen(sample, 4 + n);
        to_line(&mut story, new, 3000.0 + 3000.0 * f64::from(n), took);
        story.read(new, Level::Clay, ["8.0", "9.0", "10.0"][n as usize]);
        story.read(new, Level::Sand, "13.3");
    }
    story
}

#[test]
fn documents_of_odd_lives_are_as_their_schemas_say_and_others_stay_as_they_were() {
    let documents = published(&story_with_everything(t176()));
    for (kind, name) in [(DocumentKind::Record, "specimen-record"), (DocumentKind::Result, "sample-result")] {
        let fuller = schema(&format!("{name}-1.1"));
        let first = schema(name);
        for document in of(&documents, kind) {
            assert_eq!(document["dataschema"], format!("https://stillstand.example/schema/{name}/1.1.0"));
            let faults = faults(&fuller, document);
            assert!(faults.is_empty(), "{faults:#?}");
            // Without the one new key, and without new codes, it is a document of the first version.
            let mut older = document.clone();
            older["dataschema"] = json!(format!("https://stillstand.example/schema/{name}/1.0.0"));
            older["data"].as_object_mut().unwrap().retain(|key, _| key != "incidents" && key != "repeat");
            if let Some(Value::Array(deviations)) = older["data"].get_mut("deviations") {
                deviations.clear();
            }
            assert!(first.is_valid(&older), "{:#?}", super::documents::faults(&first, &older));
        }
    }
}

#[test]
fn a_record_tells_of_notes_places_interruptions_and_late_lines_with_who_and_when() {
    let documents = published(&story_with_everything(t176()));
    let records = of(&documents, DocumentKind::Record);
    let incidents = &records[0]["data"]["incidents"];
    assert_eq!(incidents["notes"][0]["kind"], "bumped");
    assert_eq!(incidents["notes"][0]["during"], "soak");
    assert_eq!(incidents["notes"][0]["at"]["by"]["person"], "Ada Brook");
    let places: Vec<&Value> = incidents["places"].as_array().unwrap().iter().map(|p| &p["change"]).collect();
    assert_eq!(places, ["corrected", "moved"]);
    assert_eq!(records[0]["data"]["specimen"]["place"], 3);
    let interruption = &incidents["interruption"];
    assert_eq!(
        (&interruption["total"]["text"], &interruption["verdict"]),
        (&json!("45.0"), &json!("within"))
    );
    assert_eq!(incidents["lateLine"]["standing"], "no-line-in-time");
    assert_eq!(incidents["placedWeighings"][0]["mass"], "passing");
    let codes: Vec<&str> = records[0]["data"]["deviations"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| d["code"].as_str().unwrap())
        .filter(|code| *code != "temperature-not-shown")
        .collect();
    assert_eq!(
        codes,
        ["interval-interrupted", "interval-over", "bumped", "leaked", "spilled", "moved"],
        "the interruption is said once"
    );
    assert_eq!(records[1]["data"]["incidents"]["lateLine"]["standing"], "new");
}

#[test]
fn the_result_of_a_repeat_shows_who_called_what_each_took_and_why_the_others_do_not_count() {
    let documents = published(&story_with_everything(t176()));
    let result = &of(&documents, DocumentKind::Result)[0]["data"];
    // 100 x 3.3 / 9.0 = 36.7, raised to 37: both readings of the one that settled soonest.
    assert_eq!((&result["result"]["text"], &result["average"]["count"]), (&json!("37"), &json!(1)));
    assert_eq!(result["specimens"][0]["label"], "E-4-3");
    let repeat = &result["repeat"];
    assert_eq!((&repeat["calledForBy"][0]["label"], &repeat["specimens"]), (&json!("E-4-1"), &json!(3)));
    let took: Vec<&Value> =
        repeat["candidates"].as_array().unwrap().iter().map(|c| &c["sedimentation"]["text"]).collect();
    assert_eq!(took, ["1500.0", "1310.0", "1700.0"]);
    let why: Vec<(&str, &str)> = repeat["notCounted"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| (c["label"].as_str().unwrap(), c["why"].as_str().unwrap()))
        .collect();
    let other = "not-the-soonest";
    assert_eq!(why, [("E-4-1", "no-line-in-time"), ("E-4-2", other), ("E-4-4", other)]);
}

/// If this fails, read tests/frozen/README.md before anything is changed.
#[test]
fn record_and_result_of_version_1_1_are_still_the_same_byte_for_byte() {
    let text = include_str!("../../../../tests/frozen/method-v1.toml");
    let method = crate::domain::method::load("aashto-t176-mechanical.toml", text).unwrap();
    let documents = published(&story_with_everything(Arc::new(method)));
    for (kind, name) in [(DocumentKind::Record, "record-v1.1"), (DocumentKind::Result, "result-v1.1")] {
        let made = serde_json::to_string_pretty(of(&documents, kind)[0]).unwrap() + "\n";
        let path = format!("{}/tests/frozen/{name}.json", env!("CARGO_MANIFEST_DIR"));
        let frozen = std::fs::read_to_string(path).unwrap();
        for (number, (made, kept)) in (1..).zip(made.lines().zip(frozen.lines())) {
            assert_eq!(made, kept, "line {number} of {name}.json");
        }
        assert!(made == frozen, "one of the two goes on after the other's end");
    }
}
