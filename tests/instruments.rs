//! The built program with instruments that say less than others: a balance without a mark of stability,
//! a probe with a certificate, a probe for the room.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lines::{Probe, Wire};
use common::running::{Running, alarm, is_over};
use common::site::{Site, settings};
use serde_json::{Value, json};
use std::time::Duration;
use tokio::task::JoinHandle;

const CERTIFICATE: &str = "[instruments.probe.correction]\ncertificate = \"K 17\"\ndate = \"2026-03-01\"\n\
    unit = \"Cel\"\npoints = [{ reading = \"15\", correction = \"-0.10\" }, { reading = \"25\", correction = \"-0.20\" }]\n";

/// A balance that shows these masses in turn, four times a second, until aborted.
fn shows(balance: &Wire, masses: &'static [&'static str]) -> JoinHandle<()> {
    let line = balance.clone();
    tokio::spawn(async move {
        let mut tick = tokio::time::interval(Duration::from_millis(250));
        for mass in masses.iter().cycle() {
            tick.tick().await;
            line.say(format!("+{mass:>8} g \r\n")).await;
        }
    })
}

fn site(name: &str, more: &str) -> Site {
    let site = Site::new(name, None);
    let text = settings(&site.folder, None, more);
    site.folder.write("stillstand.toml", &text.replace("balance-trailing-mark", "balance-unmarked-stream"));
    site
}

async fn origin(bench: &Running, view: &Value) -> Value {
    let id = view["balance"]["kept"][0]["id"].as_str().unwrap();
    bench.get(&format!("/documents/{id}")).await.json()["data"]["weighing"].clone()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_balance_without_a_mark_is_weighed_by_our_rule_or_by_a_persons_word() {
    let site = site("unmarked", "");
    let bench = site.start().await;
    let still = shows(&site.balance, &["52.30"]);
    let view = bench.until("a weighing by our own rule", |v| v["balance"]["weighings"] == 1).await;
    let weighing = origin(&bench, &view).await;
    assert_eq!((&weighing["text"], &weighing["origin"]["stableBy"]), (&"52.30".into(), &"own-rule".into()));
    let lines = weighing["origin"]["lines"].as_array().unwrap();
    assert!(lines.len() >= 5 && lines.iter().all(|line| line == "+   52.30 g \\r\\n"), "{lines:?}");
    assert!(weighing.get("confirmed").is_none());
    still.abort();
    // Two divisions up and down: it never settles. The first load is not weighed a second time.
    let draught = shows(&site.balance, &["131.25", "131.27", "131.24"]);
    let view =
        bench.until("the load that does not settle", |v| v["balance"]["unsettled"][0].is_object()).await;
    assert_eq!(view["balance"]["weighings"], 1);
    assert!(alarm(&view, "mass-not-stable-balance").is_some());
    let refused = bench.refused(json!({ "act": "confirm-mass", "instrument": "none" })).await;
    assert!(refused.contains("`none`") && refused.contains("balance"), "{refused}");
    let shown = view["balance"]["unsettled"][0]["mass"].as_str().unwrap().to_owned();
    bench.done(json!({ "act": "confirm-mass", "instrument": "balance" })).await;
    let view = bench.until("the confirmed mass", |v| v["balance"]["weighings"] == 2).await;
    assert!(is_over(&view, "mass-not-stable-balance"));
    let weighing = origin(&bench, &view).await;
    assert_eq!(format!("{} g", weighing["text"].as_str().unwrap()), shown);
    assert_eq!(weighing["origin"]["stableBy"], "hand");
    assert_eq!(weighing["confirmed"]["by"], json!({ "person": "Ash Fenn", "via": "page" }));
    draught.abort();
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_corrected_probe_and_one_for_the_room_are_shown_with_what_they_read() {
    let folder_of_room = "[instruments.room]\nkind = \"room-probe\"\nshape = \"probe-text-unit\"\nport = ";
    let site = site("corrected", "");
    let port = site.folder.file("room.port");
    let room = Probe::start(Wire::open(&port), "21.3");
    let more = format!("{CERTIFICATE}{folder_of_room}\"{}\"\n", port.display());
    site.folder.write("stillstand.toml", &settings(&site.folder, None, &more));
    let bench = site.start().await;
    let view = bench
        .until("both temperatures", |v| v["probe"]["reading"].is_object() && v["room"].is_object())
        .await;
    // 22.4 lies 0.74 of the way from 15 to 25: -0.174, exactly.
    let reading = &view["probe"]["reading"];
    assert_eq!((&reading["text"], &reading["corrected"]["reading"]), (&"22.226".into(), &"22.4".into()));
    assert_eq!((&view["room"]["text"], &view["room"]["corrected"]), (&"21.3".into(), &Value::Null));
    // Beyond the certificate nothing counts; the display shows what the probe says.
    site.probe.shows.send("25.1".to_owned()).unwrap();
    let view = bench.until("the alarm", |v| alarm(v, "outside-certificate-probe").is_some()).await;
    assert_eq!(view["probe"]["reading"]["text"], "22.226");
    site.probe.shows.send("22.0".to_owned()).unwrap();
    bench.until("well again", |v| is_over(v, "outside-certificate-probe")).await;
    drop(room);
    assert_eq!(bench.stop().await, 0);
}
