//! What goes otherwise than planned, as the page does it and shows it.

use super::*;
use crate::domain::moment::SECOND;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::{InstrumentReport, Wire};

impl Rig {
    async fn done(&self, what: Value) -> String {
        let answer = self.act(what).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        answer.json()["note"].as_str().unwrap().to_owned()
    }

    async fn refusal(&self, what: Value) -> String {
        let answer = self.act(what).await;
        assert_eq!(answer.status, 409, "{}", answer.body);
        answer.json()["text"].as_str().unwrap().to_owned()
    }

    async fn weigh(&self, grams: &str) {
        let wire = Wire::of("balance", "/dev/null", format!("{grams} g\\r\\n"));
        let mass = Quantity::new(grams.parse().unwrap(), Unit::Gram);
        let report = InstrumentReport::Mass { mass, wire };
        self.station.ask(What::Instrument(report), self.clock.now()).await.unwrap();
    }

    async fn irrigated(&self, specimen: &str) {
        for (step, edge) in [
            ("soak", "begin"),
            ("shake", "begin"),
            ("shake", "end"),
            ("irrigate", "begin"),
            ("irrigate", "end"),
        ] {
            self.mark(specimen, step, edge).await;
            self.clock.advance_by(if step == "soak" { 600 } else { 45 } * SECOND);
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn beyond_thirty_minutes_the_page_asks_for_three_new_specimens_and_says_what_does_not_count() {
    let rig = Rig::new().await;
    let late = rig.filled("S-1", 1).await;
    rig.irrigated(&late).await;
    rig.clock.advance_by(1200 * SECOND);
    rig.done(json!({ "act": "no-line-yet", "specimen": late })).await;
    assert_eq!(rig.view().await["samples"][0]["repeat"], Value::Null);
    rig.clock.advance_by(700 * SECOND);
    let note = rig.done(json!({ "act": "no-line-yet", "specimen": late })).await;
    assert!(note.contains("3 new specimens"), "{note}");
    for (of, value) in [("clay", "8.0"), ("sand", "13.3")] {
        let what = json!({ "act": "enter-reading", "specimen": late, "of": of, "value": value });
        assert_eq!(rig.act(what).await.status, 200);
    }
    let view = rig.view().await;
    let sample = &view["samples"][0];
    assert_eq!(view["places"][0]["specimen"]["odd"]["late"], true);
    assert_eq!((&sample["repeat"]["specimens"], &sample["planned"]), (&json!(3), &json!(3)));
    assert_eq!((&sample["complete"], &sample["reported"]), (&json!(0), &Value::Null));
    assert_eq!(sample["registered"], 0, "of the new ones none has begun");
    let why = sample["results"][0]["doesNotCount"].as_str().unwrap();
    assert!(why.contains("no clear line"), "{why}");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn notes_places_and_runs_are_shown_and_reach_the_published_record() {
    let rig = Rig::new().await;
    let specimen = rig.filled("S-1", 1).await;
    rig.mark(&specimen, "soak", "begin").await;
    rig.clock.advance_by(60 * SECOND);
    let note = rig.done(json!({ "act": "note-specimen", "specimen": specimen, "note": "bumped" })).await;
    assert!(note.contains("deviation"), "{note}");
    rig.done(json!({ "act": "correct-place", "specimen": specimen, "place": 4 })).await;
    let text = rig.refusal(json!({ "act": "move-cylinder", "specimen": specimen, "place": 12 })).await;
    assert!(text.contains("places 1 to 8"), "{text}");
    rig.clock.advance_by(540 * SECOND);
    for (edge, s) in [("begin", 20), ("end", 10), ("begin", 25), ("end", 1)] {
        rig.mark(&specimen, "shake", edge).await;
        rig.clock.advance_by(s * SECOND);
    }
    let view = rig.view().await;
    let shown = &view["places"][3]["specimen"]["odd"];
    assert_eq!((&shown["runs"], &shown["notes"][0]["by"]), (&json!(2), &json!("Ada Field")));
    let said = json!({ "act": "interrupted-run", "specimen": specimen, "counts": true, "reason": "a jam" });
    assert!(rig.done(said).await.contains("45.0 s in all"));
    rig.mark(&specimen, "irrigate", "end").await;
    rig.clock.advance_by(1200 * SECOND);
    for (of, value) in [("clay", "8.0"), ("sand", "13.3")] {
        let what = json!({ "act": "enter-reading", "specimen": specimen, "of": of, "value": value });
        assert_eq!(rig.act(what).await.status, 200);
    }
    let list = rig.get("/documents?kind=record").await.json();
    let id = list["documents"][0]["id"].as_str().unwrap().to_owned();
    let record = rig.get(&format!("/documents/{id}")).await.json();
    let incidents = &record["data"]["incidents"];
    assert_eq!(incidents["notes"][0]["during"], "soak");
    assert_eq!(incidents["places"][0]["change"], "corrected");
    assert_eq!(incidents["interruption"]["total"]["text"], "45.0");
    assert_eq!(record["dataschema"], "https://stillstand.example/schema/specimen-record/1.1.0");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kept_weighing_is_given_its_place_and_a_sample_planned_anew_or_withdrawn() {
    let rig = Rig::new().await;
    rig.weigh("1204.5").await;
    let (first, second) = (rig.sample("S-1").await, rig.sample("S-2").await);
    let view = rig.view().await;
    let weighing = view["balance"]["kept"][0]["id"].clone();
    let surplus = json!({ "for": "sample", "sample": first, "name": "passing", "forced": true });
    let what = json!({ "act": "place-weighing", "weighing": weighing, "target": surplus });
    assert_eq!(rig.act(what).await.status, 400, "an unknown key is refused, inside a target too");
    let offered = view["balance"]["targets"].as_array().unwrap();
    let target = offered.iter().find(|t| t["words"].as_str().unwrap().starts_with("S-1")).unwrap();
    let place = json!({ "act": "place-weighing", "weighing": weighing, "target": target["target"] });
    rig.done(place).await;
    let view = rig.view().await;
    assert_eq!(view["balance"]["kept"], json!([]));
    assert_eq!(view["balance"]["given"][0]["of"], "S-1: `passing`");
    let other = json!({ "for": "sample", "sample": second, "name": "passing" });
    rig.done(json!({ "act": "reassign-weighing", "weighing": weighing, "target": other })).await;
    rig.done(json!({ "act": "plan-specimens", "sample": second, "specimens": 2 })).await;
    rig.done(json!({ "act": "withdraw-sample", "sample": first, "reason": "registered twice" })).await;
    let view = rig.view().await;
    assert_eq!(view["samples"].as_array().unwrap().len(), 1);
    assert_eq!(view["samples"][0]["planned"], 2);
    assert_eq!(view["samples"][0]["masses"][0]["mass"], "1204.5 g");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn lowering_the_number_publishes_the_result_and_the_sample_leaves() {
    let rig = Rig::new().await;
    let specimen = rig.filled("S-1", 1).await;
    let sample = rig.view().await["samples"][0]["id"].clone();
    rig.done(json!({ "act": "plan-specimens", "sample": sample, "specimens": 2 })).await;
    rig.irrigated(&specimen).await;
    for (of, value) in [("clay", "8.0"), ("sand", "13.3")] {
        let what = json!({ "act": "enter-reading", "specimen": specimen, "of": of, "value": value });
        assert_eq!(rig.act(what).await.status, 200);
    }
    rig.mark(&specimen, "clean", "done").await;
    assert_eq!(rig.get("/documents?kind=result").await.json()["documents"], json!([]));
    let note = rig.done(json!({ "act": "plan-specimens", "sample": sample, "specimens": 1 })).await;
    assert!(note.contains("result is 42"), "{note}");
    assert_eq!(rig.get("/documents?kind=result").await.json()["documents"][0]["result"], "42");
    assert_eq!(rig.view().await["samples"], json!([]));
    rig.end().await;
}
