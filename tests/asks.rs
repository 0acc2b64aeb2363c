//! Asks over a real broker by a client that nobody here wrote: one effect for each correlation,
//! and a clear word for whatever cannot be taken.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::outage::{RealBroker, most_memory_kib};
use common::site::{STATION, Site};
use common::soon;
use common::work::METHOD;
use serde_json::{Value, json};
use std::process::Stdio;
use uuid::Uuid;

const OPEN: &str = "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false";

async fn broker() -> RealBroker {
    let mut broker = RealBroker::prepared(OPEN);
    broker.start().await;
    broker
}

fn register(label: &str) -> String {
    let what = json!({ "act": "register-sample", "label": label, "method": METHOD, "specimens": 1 });
    json!({ "id": Uuid::now_v7(), "who": "Ash Fenn", "do": what }).to_string()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_correlation_has_one_effect_and_one_reply_also_after_a_kill() {
    let broker = broker().await;
    let site = Site::new("correlation", Some(broker.port));
    let bench = site.start().await;
    broker.shows("status", |s| s["state"] == "online").await;
    let first = broker.ask("act", register("Lot 1").as_bytes(), "a1").await;
    assert_eq!(first["outcome"], "done", "{first}");
    // The same correlation with another act in it: what counts is the correlation.
    assert_eq!(broker.ask("act", register("Lot 2").as_bytes(), "a1").await, first);
    let refused = broker.ask("act", register("Lot 1").as_bytes(), "a2").await;
    assert_eq!(refused["outcome"], "refused", "the label is taken: {refused}");
    site.kill(bench).await;
    let bench = site.start().await;
    assert_eq!(broker.ask("act", register("Lot 3").as_bytes(), "a1").await, first);
    assert_eq!(broker.ask("act", register("Lot 4").as_bytes(), "a2").await, refused);
    assert_eq!(bench.view().await["samples"].as_array().unwrap().len(), 1);
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_cannot_be_taken_is_told_why_and_harms_nothing() {
    let broker = broker().await;
    let site = Site::new("bad-asks", Some(broker.port));
    let bench = site.start().await;
    broker.shows("status", |s| s["state"] == "online").await;
    let act_of = |what: Value| json!({ "id": Uuid::now_v7(), "do": what }).to_string().into_bytes();
    let cases: [(&str, Vec<u8>, &str); 9] = [
        ("act", b"".to_vec(), "this is no act"),
        ("act", b"[1, 2".to_vec(), "this is no act"),
        ("act", b"{\"id\": \xff\xfe}".to_vec(), "not UTF-8 from byte 7"),
        ("act", act_of(json!({ "act": "fly" })), "fly"),
        ("act", act_of(json!({ "act": "register-sample", "label": 7, "method": METHOD })), "invalid type"),
        ("act", vec![b'x'; 70_000], "70000 bytes"),
        ("dance", b"{}".to_vec(), "there is no ask `dance`"),
        (
            "replay-from",
            json!({ "consumer": "archive", "number": "one" }).to_string().into_bytes(),
            "replay-from",
        ),
        ("confirm-receipt", b"{\"through\": 1}".to_vec(), "missing field"),
    ];
    for (n, (verb, payload, said)) in cases.into_iter().enumerate() {
        let reply = broker.ask(verb, &payload, &format!("case-{n}")).await;
        assert_eq!(reply["outcome"], "refused", "{reply}");
        assert!(reply["text"].as_str().unwrap().contains(said), "{said}: {reply}");
    }
    // Ten megabytes: over the largest packet that the station takes, so the broker keeps it back.
    let huge = broker.folder.file("huge");
    std::fs::write(&huge, vec![b'y'; 10_000_000]).unwrap();
    let topic = format!("stillstand/1/{STATION}/ask/act");
    let more = ["-V", "5", "-t", &topic, "-f", huge.to_str().unwrap()];
    for _ in 0..3 {
        soon("published", broker.client("mosquitto_pub", &more).status()).await.unwrap();
    }
    assert_eq!(broker.ask("act", register("Lot 1").as_bytes(), "after").await["outcome"], "done");
    let most = most_memory_kib(bench.child.id().unwrap());
    assert!(most < 80_000, "{most} KiB");
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_of_the_older_protocol_asks_with_an_envelope() {
    let broker = broker().await;
    let site = Site::new("envelope", Some(broker.port));
    let bench = site.start().await;
    broker.shows("status", |s| s["state"] == "online").await;
    let more = ["-V", "311", "-t", "reply/old", "-F", "%p", "-C", "2", "-W", "30"];
    let reader = broker.client("mosquitto_sub", &more).stdout(Stdio::piped()).spawn().unwrap();
    let topic = format!("stillstand/1/{STATION}/ask/act");
    let act: Value = serde_json::from_str(&register("Lot 1")).unwrap();
    let envelope = json!({ "reply-to": "reply/old", "correlation": "k-9", "ask": act }).to_string();
    // Until the reader's subscription stands nobody hears a reply; the effect stays one.
    let more = ["-V", "311", "-t", &topic, "-m", &envelope];
    let asking = async {
        loop {
            broker.client("mosquitto_pub", &more).status().await.unwrap();
            tokio::time::sleep(common::LOOK).await;
        }
    };
    let output = tokio::select! {
        output = soon("two replies", reader.wait_with_output()) => output.unwrap(),
        () = asking => unreachable!(),
    };
    let text = String::from_utf8(output.stdout).unwrap();
    let replies: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(replies[0], replies[1]);
    assert_eq!(
        (&replies[0]["correlation"], &replies[0]["reply"]["outcome"]),
        (&"k-9".into(), &"done".into())
    );
    assert_eq!(bench.view().await["samples"].as_array().unwrap().len(), 1);
    assert_eq!(bench.stop().await, 0);
}
