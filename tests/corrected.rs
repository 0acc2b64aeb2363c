//! Mistakes corrected through the page, on specimens at work and on samples that left the bench
//! long ago; the journal's own rows against a fold of all its events.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::program;
use common::running::{Running, at_place};
use common::site::Site;
use serde_json::{Value, json};
use stillstand::domain::bench::{Bench, CLOSED_KEPT, ClosedSample, Event};
use stillstand::domain::moment::Moment;
use stillstand::journal::{ClosedWanted, Reader};
use uuid::Uuid;

/// A specimen at place 1 up to its readings, each press by the page.
async fn read(bench: &Running, label: &str) -> Uuid {
    let sample = bench.sample(label, 1).await;
    let specimen = bench.specimen(sample, 1).await;
    bench.soaking(specimen).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    specimen
}

async fn records(bench: &Running) -> Vec<Value> {
    bench.get("/documents?kind=record&limit=200").await.json()["documents"].as_array().unwrap().clone()
}

fn reading(specimen: Uuid, value: &str) -> Value {
    json!({ "act": "correct-reading", "specimen": specimen, "of": "sand", "value": value })
}

/// Every row of what has left the bench is what all events up to the row's own lead to.
fn rows_follow_from_the_events(site: &Site) -> usize {
    let reader = Reader::open(&site.journal()).unwrap();
    let mut rows = reader.closed_page(&ClosedWanted::default(), 1000).unwrap();
    rows.sort_by_key(|row| row.seq);
    let mut bench = Bench::default();
    let (mut after, mut compared) = (0, 0);
    loop {
        let events = reader.events(after, 1000).unwrap();
        let Some(last) = events.last() else { break };
        after = last.seq;
        for row in events {
            let event: Event = serde_json::from_str(row.payload.as_ref().unwrap()).unwrap();
            let moment: Moment = serde_json::from_str(&row.moment).unwrap();
            bench.apply(&event, &moment);
            for kept in rows.iter().filter(|kept| kept.seq == row.seq) {
                let stored: ClosedSample = serde_json::from_str(&kept.state).unwrap();
                let folded = bench.closed.iter().find(|c| c.sample.id == kept.id).unwrap();
                assert_eq!(**folded, stored, "{}", kept.label);
                compared += 1;
            }
        }
    }
    assert_eq!(compared, rows.len());
    compared
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_sample_that_left_the_bench_long_ago_is_corrected_after_a_restart() {
    let site = Site::new("corrected", None);
    let bench = site.start().await;
    let mut specimens = Vec::new();
    let samples = CLOSED_KEPT + 3;
    for n in 0..samples {
        let specimen = read(&bench, &format!("B-{n}")).await;
        bench.mark(specimen, "clean", "done").await;
        specimens.push(specimen);
    }
    let first_id = records(&bench).await.last().unwrap()["id"].as_str().unwrap().to_owned();
    let first = bench.get(&format!("/documents/{first_id}")).await.text;
    site.kill(bench).await;

    let bench = site.start().await;
    let oldest = specimens[0];
    assert!(bench.refused(reading(Uuid::now_v7(), "13.4")).await.contains("there is no specimen"));
    let correction = bench.done(reading(oldest, "13.4")).await;
    let newest = &records(&bench).await[0];
    assert_eq!((&newest["subject"], &newest["result"]), (&oldest.to_string().into(), &"43".into()));
    let second = bench.get(&format!("/documents/{}", newest["id"].as_str().unwrap())).await.json();
    assert_eq!(
        (&second["data"]["version"], &second["data"]["replaces"]["id"]),
        (&2.into(), &first_id.as_str().into())
    );
    assert_eq!(second["data"]["changes"][0]["reasonPending"], true);
    assert_eq!(bench.get(&format!("/documents/{first_id}")).await.text, first, "the first version stays");
    // The same two, at the same time: one after the other, and the second is told.
    let act =
        json!({ "act": "give-reason", "specimen": oldest, "correction": correction, "reason": "misread" });
    let (one, two) = tokio::join!(bench.act(act.clone()), bench.act(act));
    let mut outcomes = [one.0, two.0];
    outcomes.sort_unstable();
    assert_eq!(outcomes, [200, 409]);
    assert_eq!(bench.stop().await, 0);

    assert_eq!(rows_follow_from_the_events(&site), samples);
    let verified = program(&["verify".as_ref(), site.journal().as_os_str()]).await;
    assert_eq!(verified.code, 0, "{}", verified.err);
    // Of all that was published in two runs of the program, by one key.
    let signed = Reader::open(&site.journal()).unwrap().documents(0, 10_000).unwrap();
    let signed = signed.iter().filter(|row| row.kind != "weighing").count();
    let words = format!(" {signed} signatures good (1 keys)");
    assert!(signed > 3 && verified.out.contains(&words), "{}, {words}", verified.out);
    let reader = Reader::open(&site.journal()).unwrap();
    let wanted = ClosedWanted { label: Some("B-0".to_owned()), ..Default::default() };
    assert_eq!(reader.closed_page(&wanted, 9).unwrap().len(), 1);

    site.free().await;
    let bench = site.start().await;
    assert!(bench.refused(reading(oldest, "13.4")).await.contains("already"), "what was corrected is kept");
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_takes_back_corrects_and_tells_who_was_quicker() {
    let site = Site::new("taken-back", None);
    let bench = site.start().await;
    let sample = bench.sample("C-1", 1).await;
    let specimen = bench.specimen(sample, 3).await;
    bench.soaking(specimen).await;
    let seen = at_place(&bench.view().await, 3)["version"].clone();
    bench.mark(specimen, "loosen", "begin").await;
    let shown = bench.view().await;
    assert_eq!(at_place(&shown, 3)["undo"]["text"], "loosen begins");
    assert_eq!(at_place(&shown, 3)["undo"]["by"], "Ash Fenn");

    let body = json!({ "id": Uuid::now_v7(), "who": "Bea Low", "seen": seen, "do": { "act": "mark-next", "specimen": specimen } });
    let answer = bench.post(body.to_string().as_bytes()).await;
    let refusal = &answer.json()["refusal"];
    assert_eq!((answer.status, &refusal["refused"]), (409, &"changed".into()));
    assert_eq!(refusal["since"][0]["what"], "place 3: loosen begins");
    assert_eq!(refusal["since"][0]["by"], "Ash Fenn");

    bench.done(json!({ "act": "withdraw-last", "specimen": specimen })).await;
    let shown = bench.view().await;
    let at = at_place(&shown, 3);
    assert_eq!(at["running"]["step"], "soak");
    assert_eq!(
        (&at["corrections"][0]["reason"], &at["history"][1]["withdrawn"]),
        (&Value::Null, &true.into())
    );
    let correction = at["corrections"][0]["id"].clone();
    bench.done(json!({ "act": "give-reason", "specimen": specimen, "correction": correction, "reason": "too early" })).await;
    assert_eq!(at_place(&bench.view().await, 3)["corrections"][0]["reason"], "too early");
    assert_eq!(bench.stop().await, 0);
}
