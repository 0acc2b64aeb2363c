//! The built program keeps the list of equipment: checks from the balance's own line, a record that
//! says what was used and how it stood, and the same list after a restart.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lines::print_key;
use common::running::{Running, at_place};
use common::site::Site;
use serde_json::{Value, json};

const KINDS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/equipment");

fn on(mut what: Value) -> Value {
    what["act"] = "equipment".into();
    what
}

async fn register(bench: &Running, item: &str, kind: &str, more: Value) {
    let mut what = json!({ "what": "register", "item": item, "kind": kind, "kit": true });
    what.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    bench.done(on(what)).await;
}

async fn check(bench: &Running, item: &str, check: &str, found: Value) {
    bench.done(on(json!({ "what": "check", "item": item, "check": check, "found": found }))).await;
}

/// Begins a check, has the balance print a line, and waits until the check has it.
async fn weigh(bench: &Running, site: &Site, item: &str, name: &str, grams: &str) {
    bench.done(on(json!({ "what": "begin-check", "item": item, "check": name }))).await;
    site.balance.say(print_key(grams)).await;
    bench.until("the mass of the check", |view| view["equipment"]["checking"]["masses"] == 1).await;
}

async fn state(bench: &Running, item: &str) -> Value {
    let page = bench.get("/equipment/view").await.json();
    page["items"].as_array().unwrap().iter().find(|known| known["id"] == item).unwrap()["state"].clone()
}

#[tokio::test(flavor = "multi_thread")]
async fn checks_come_from_the_balance_and_the_record_says_what_was_used() {
    let site = Site::new("equipment", None);
    let kinds = [("STILLSTAND_STATION__EQUIPMENT", KINDS)];
    let bench = site.launch(&kinds).ready().await;
    register(&bench, "M-1", "check-mass", json!({ "class": "F2", "nominal": "1000" })).await;
    check(&bench, "M-1", "calibration", json!({ "good": true, "note": "certificate 12" })).await;
    register(&bench, "BAL-1", "balance", json!({ "class": "G2", "instrument": "balance" })).await;
    weigh(&bench, &site, "BAL-1", "check mass", "1000.1").await;
    let found = json!({ "with": "M-1", "zero": "0.0", "zero-after": "0.0" });
    check(&bench, "BAL-1", "check mass", found).await;
    assert_eq!(state(&bench, "BAL-1").await, "good");
    register(&bench, "FOOT-1", "foot-assembly", json!({})).await;
    weigh(&bench, &site, "FOOT-1", "mass", "1005.4").await;
    check(&bench, "FOOT-1", "mass", json!({})).await;
    assert_eq!(state(&bench, "FOOT-1").await, "failed", "WAQTC FOP for AASHTO T 176: 1000 ± 5 g");

    let sample = bench.sample("Quarry fines 22", 1).await;
    bench.done(json!({ "act": "await-sample-mass", "sample": sample, "name": "passing" })).await;
    site.balance.say(print_key("1204.5")).await;
    bench.until("the sample's mass", |view| view["balance"]["weighings"] == 1).await;
    let specimen = bench.specimen(sample, 3).await;
    bench.soaking(specimen).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    bench
        .until("the result", |view| {
            at_place(view, 3)["result"]["reported"] == "42" || !view["finished"][0].is_null()
        })
        .await;
    let list = bench.get("/documents?kind=record").await.json();
    let id = list["documents"][0]["id"].as_str().unwrap().to_owned();
    let record = bench.get(&format!("/documents/{id}")).await.json();
    let used = record["data"]["equipment"].as_array().unwrap();
    let states: Vec<_> =
        used.iter().map(|u| (u["id"].as_str().unwrap(), u["state"].as_str().unwrap())).collect();
    assert_eq!(states, [("BAL-1", "good"), ("FOOT-1", "failed")]);
    let codes = record["data"]["deviations"].as_array().unwrap().iter().map(|d| d["code"].as_str().unwrap());
    assert_eq!(codes.filter(|code| code.starts_with("equipment")).collect::<Vec<_>>(), ["equipment-failed"]);

    assert_eq!(bench.stop().await, 0);
    site.free().await;
    let bench = site.launch(&kinds).ready().await;
    assert_eq!(
        (state(&bench, "BAL-1").await, state(&bench, "FOOT-1").await),
        ("good".into(), "failed".into())
    );
    let doubt = bench.get("/equipment/FOOT-1/records").await.json();
    assert_eq!(doubt["records"][0]["id"], id.as_str());
    let said =
        bench.refused(on(json!({ "what": "register", "item": "FOOT-1", "kind": "foot-assembly" }))).await;
    assert!(said.contains("already"), "{said}");
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_without_the_setting_keeps_no_list_and_says_how_to() {
    let site = Site::new("no-equipment", None);
    let bench = site.start().await;
    let said = bench.refused(on(json!({ "what": "register", "item": "X", "kind": "tin" }))).await;
    assert!(said.contains("station.equipment"), "{said}");
    assert!(bench.view().await["equipment"].is_null());
    assert_eq!(bench.stop().await, 0);
}
