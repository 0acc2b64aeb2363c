//! The rehearsal as anybody runs it: the built program alone, or with a real broker.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::mosquitto::Mosquitto;
use common::{Ended, Folder, program};
use serde_json::{Value, json};
use std::fmt::Write as _;

async fn rehearse(folder: &Folder, seed: u32, more: &[&str]) -> Ended {
    let (out, seed) = (folder.path().display().to_string(), seed.to_string());
    let mut args = vec!["rehearse", "--once", "--pace", "600", "--seed", &seed];
    args.extend(["--listen", "127.0.0.1:0", "--out", &out]);
    args.extend(more);
    program(&args).await
}

/// The records in the file that the last line of standard output names.
fn records(ended: &Ended) -> Vec<Value> {
    assert_eq!(ended.code, 0, "{}", ended.err);
    let path = ended.out.lines().last().expect("a path on standard output");
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{path}: {e}"));
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// What a seed decides: everything but identities, wall time, the chain and where files lie.
fn essence(value: &Value) -> Value {
    const OTHERS: [&str; 10] = [
        "id",
        "source",
        "subject",
        "time",
        "journal",
        "port",
        "specimenId",
        "sampleId",
        "signature",
        "signedby",
    ];
    match value {
        Value::Object(fields) => fields
            .iter()
            .filter(|(key, _)| !OTHERS.contains(&key.as_str()))
            .map(|(key, value)| (key.clone(), essence(value)))
            .collect::<serde_json::Map<_, _>>()
            .into(),
        Value::Array(values) => values.iter().map(essence).collect(),
        other => other.clone(),
    }
}

/// Nanoseconds between the instants of a specimen, as its own record tells them.
fn durations(record: &Value) -> Vec<&Value> {
    let steps = record["data"]["steps"].as_array().unwrap();
    steps.iter().map(|step| &step["duration"]["exactNs"]).filter(|ns| !ns.is_null()).collect()
}

fn codes(record: &Value) -> Vec<(&str, &str)> {
    let of = |d: &'_ Value, key: &str| -> &'static str {
        Box::leak(d[key].as_str().unwrap_or("").to_owned().into_boxed_str())
    };
    record["data"]["deviations"].as_array().unwrap().iter().map(|d| (of(d, "code"), of(d, "step"))).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_seed_repeats_itself_and_tells_the_story() {
    let folders = ["one", "two", "three"].map(Folder::new);
    let [one, two, three] = &folders;
    let (one, two, three) =
        tokio::join!(rehearse(one, 5, &[]), rehearse(two, 5, &[]), rehearse(three, 6, &[]));
    let (one, two, three) = (records(&one), records(&two), records(&three));
    assert_eq!((one.len(), two.len(), three.len()), (6, 6, 6));
    for (a, b) in one.iter().zip(&two) {
        assert_eq!(essence(a), essence(b), "the same seed");
        assert!(!durations(a).is_empty());
        assert_ne!(a["id"], b["id"], "two runs are two records");
        assert_eq!(
            (&a["data"]["station"]["rehearsal"], &a["data"]["station"]["id"]),
            (&json!(true), &"rehearsal".into())
        );
    }
    let all = |records: &[Value]| records.iter().map(|r| json!(durations(r))).collect::<Vec<_>>();
    assert_ne!(all(&one), all(&three), "another seed");

    let shorts = one.iter().filter(|r| codes(r).contains(&("interval-short", "shake"))).count();
    assert_eq!(shorts, 1, "one shake was stopped early");
    assert!(one.iter().any(|r| codes(r).contains(&("temperature-high", ""))), "the solution was too warm");
    let samples: std::collections::BTreeSet<_> =
        one.iter().map(|r| r["data"]["sample"]["label"].as_str().unwrap()).collect();
    assert_eq!(samples.len(), 3);
    assert!(one.iter().any(|r| codes(r).is_empty()), "and some went well");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_general_client_can_watch_it_at_a_real_broker() {
    let broker = Mosquitto::start("topic readwrite #\n").await;
    let topics = ["record", "result", "status"].map(|last| format!("stillstand/1/rehearsal/{last}"));
    let mut reader = broker.reader(&topics).await;
    let folder = Folder::new("watched");
    let at = format!("127.0.0.1:{}", broker.port);
    let ended = rehearse(&folder, 5, &["--broker", &at]).await;
    let written = records(&ended);
    assert_eq!(written.len(), 6);
    let (mut seen, mut results, mut states) = (Vec::new(), 0, Vec::new());
    while seen.len() < 6 || results < 3 || states.last() != Some(&"offline".to_owned()) {
        let (topic, text) = reader.next("what the rehearsal published").await;
        let message: Value = serde_json::from_str(&text).unwrap();
        match topic.as_str() {
            "record" => seen.push(message),
            "result" => results += 1,
            _ => states.push(message["state"].as_str().unwrap().to_owned()),
        }
    }
    assert_eq!(seen, written, "the file holds the records as they were published");
    assert_eq!(states, ["online", "offline"]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn records_that_the_broker_denies_are_no_success() {
    let topics = ["status", "meta", "result", "weighing", "reading/#", "place/#", "alarm/#", "trigger/#"];
    let mut access = "topic read #\ntopic readwrite rehearsal/#\n".to_owned();
    for topic in topics {
        writeln!(access, "topic readwrite stillstand/1/rehearsal/{topic}").unwrap();
    }
    let broker = Mosquitto::start(&access).await;
    let folder = Folder::new("denied");
    let at = format!("127.0.0.1:{}", broker.port);
    let ended = rehearse(&folder, 5, &["--broker", &at]).await;
    assert_ne!(ended.code, 0, "{}", ended.out);
    let words = ["the rehearsal failed", "not every record", "network-denied", "access list"];
    assert!(words.iter().all(|word| ended.err.contains(word)), "says what the broker refused: {}", ended.err);
    assert_eq!(ended.out, "", "no path of records");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_is_not_there_is_told_at_once() {
    let nobody = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let folder = Folder::new("nobody");
    let ended = rehearse(&folder, 5, &["--broker", &nobody.to_string()]).await;
    assert_ne!(ended.code, 0);
    assert!(ended.err.contains(&nobody.port().to_string()), "names the broker: {}", ended.err);
}
