//! The built program leads a sample step by step from the bag to the tin: masses from the balance's
//! own line, the bench's deadlines, a power cut on the way, and a record that tells it all.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lines::print_key;
use common::running::Running;
use common::site::Site;
use common::work::METHOD;
use serde_json::{Value, json};
use uuid::Uuid;

/// The shipped method with a tempering and a drying that a test can wait for.
fn quick_methods(site: &Site) -> String {
    let folder = site.folder.file("methods");
    std::fs::create_dir_all(&folder).unwrap();
    let shipped = format!("{}/config/methods/{METHOD}.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(shipped).unwrap();
    let quick = text
        .replace("tempering-min = { value = 15, unit = \"min\"", "tempering-min = { value = 1, unit = \"s\"")
        .replace(
            "constant-mass-every = { value = 30, unit = \"min\"",
            "constant-mass-every = { value = 2, unit = \"s\"",
        );
    assert_eq!(quick.matches("unit = \"s\", source = \"FOP").count(), 1);
    std::fs::write(folder.join(format!("{METHOD}.toml")), quick).unwrap();
    folder.display().to_string()
}

async fn prepare(bench: &Running, sample: Uuid, mut what: Value) {
    what["act"] = "preparation".into();
    what["sample"] = json!(sample);
    bench.done(what).await;
}

async fn refused(bench: &Running, sample: Uuid, mut what: Value) -> String {
    what["act"] = "preparation".into();
    what["sample"] = json!(sample);
    bench.refused(what).await
}

/// The balance prints a line, and the station has one weighing more.
async fn weigh(bench: &Running, site: &Site, grams: &str) {
    let before = bench.view().await["balance"]["weighings"].as_u64().unwrap();
    site.balance.say(print_key(grams)).await;
    bench.until("one weighing more", |view| view["balance"]["weighings"] == before + 1).await;
}

/// Waits until the list of what to do next has this act of the sample, possible now.
async fn is_next(bench: &Running, text: &str) {
    bench
        .until(text, |view| {
            let mut acts = view["doNext"].as_array().unwrap().iter();
            acts.any(|act| act["opensInMs"] == 0 && act["text"].as_str().unwrap().contains(text))
        })
        .await;
}

async fn course(bench: &Running, sample: Uuid) -> Value {
    bench.get(&format!("/samples/{sample}/data")).await.json()["course"]["on"].clone()
}

async fn to_the_tins(bench: &Running, site: &Site, sample: Uuid) {
    prepare(bench, sample, json!({ "what": "follow", "course": "oven-dry-2" })).await;
    for step in ["sieve", "keep the fines"] {
        prepare(bench, sample, json!({ "what": "done", "step": step })).await;
    }
    bench.done(json!({ "act": "await-sample-mass", "sample": sample, "name": "passing" })).await;
    weigh(bench, site, "1204.5").await;
    for step in ["reduce", "weigh what is left"] {
        prepare(bench, sample, json!({ "what": "skip", "step": step, "reason": "not done here" })).await;
    }
    prepare(bench, sample, json!({ "what": "cast", "finding": "too-dry", "changed": "water added" })).await;
    prepare(bench, sample, json!({ "what": "cast", "finding": "good" })).await;
    is_next(bench, "mix before the next tin").await;
    for (mark, empty) in [("T-7", "45.2"), ("T-8", "45.4")] {
        prepare(bench, sample, json!({ "what": "weigh-empty-tin", "mark": mark })).await;
        weigh(bench, site, empty).await;
        prepare(bench, sample, json!({ "what": "remix" })).await;
        prepare(bench, sample, json!({ "what": "fill-tin", "mark": mark })).await;
    }
}

async fn dried(bench: &Running, site: &Site, sample: Uuid, grams: &str) {
    let of = json!({ "mass": "dried", "load": 1 });
    prepare(bench, sample, json!({ "what": "await-drying-mass", "of": of })).await;
    weigh(bench, site, grams).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sample_is_prepared_step_by_step_and_dried_over_a_power_cut() {
    let site = Site::new("preparation", None);
    let methods = quick_methods(&site);
    let quick = [("STILLSTAND_STATION__METHODS", methods.as_str())];
    let bench = site.launch(&quick).ready().await;
    let sample = bench.sample("Quarry fines 30", 2).await;
    to_the_tins(&bench, &site, sample).await;
    prepare(&bench, sample, json!({ "what": "begin-drying" })).await;
    let of = json!({ "mass": "before-drying", "load": 1 });
    prepare(&bench, sample, json!({ "what": "await-drying-mass", "of": of })).await;
    weigh(&bench, &site, "352.9").await;
    prepare(&bench, sample, json!({ "what": "note-oven", "load": 1, "temperature": "110" })).await;
    // Heavier than before drying: it is kept beside, said, and the right one is waited for.
    dried(&bench, &site, sample, "353.4").await;
    let on = course(&bench, sample).await;
    assert!(on["declined"]["why"].as_str().unwrap().contains("352.9 g"), "{on:#}");
    weigh(&bench, &site, "350.6").await;
    let of = json!({ "mass": "dried", "load": 1 });
    let text = refused(&bench, sample, json!({ "what": "await-drying-mass", "of": of })).await;
    assert!(text.contains("too soon"), "{text}");

    site.kill(bench).await;
    let bench = site.launch(&quick).ready().await;
    is_next(&bench, "weigh drying 1, dried").await;
    dried(&bench, &site, sample, "350.2").await;
    let on = course(&bench, sample).await;
    // 100 x 0.4 / (350.6 - 90.6) is 0.1538...; not under 0.10.
    assert_eq!(on["loads"][0]["weighings"][1]["change"], "0.154 %");
    assert_eq!((&on["loads"][0]["constant"], &on["declined"]), (&json!(false), &Value::Null));
    is_next(&bench, "weigh drying 1, dried").await;
    dried(&bench, &site, sample, "350.1").await;
    let on = course(&bench, sample).await;
    assert_eq!(on["loads"][0]["constant"], true, "{on:#}");
    // 100 x (262.3 - 259.5) / 259.5 is 1.0789...
    assert_eq!(on["loads"][0]["water"], "1.08 %");
    prepare(&bench, sample, json!({ "what": "cooled", "load": 1 })).await;

    let specimen = bench.specimen(sample, 2).await;
    bench.soaking(specimen).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    bench.until("the record", |view| view["finished"][0]["kind"] == "record").await;
    let list = bench.get("/documents?kind=record").await.json();
    let id = list["documents"][0]["id"].as_str().unwrap().to_owned();
    let record = bench.get(&format!("/documents/{id}")).await.json();
    let told = &record["data"]["preparation"];
    assert_eq!(told["tin"]["mark"], "T-7");
    let raw = told["drying"]["weighings"][2]["gross"]["origin"]["raw"].as_str().unwrap();
    assert!(raw.contains("350.1 g"), "the balance's own line stands behind it: {raw}");
    assert_eq!(told["drying"]["constant"], true);
    let codes = record["data"]["deviations"].as_array().unwrap().iter().map(|d| d["code"].as_str().unwrap());
    let of_preparation: Vec<_> =
        codes.filter(|code| !code.starts_with("interval") && !code.starts_with("temperature")).collect();
    assert!(of_preparation.is_empty(), "{of_preparation:?}");
    assert_eq!(bench.stop().await, 0);
}
