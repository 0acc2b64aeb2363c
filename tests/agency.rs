//! One more agency's variant takes a file and no code: `tests/data/tarnbeck-test-9.toml` was written
//! from `docs/methods.md` alone, and a sample of two specimens goes through it at the built program.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lab::Lab;
use common::lines::print_key;
use common::running::{Running, at_place, is_active};
use common::site::Site;
use serde_json::{Value, json};
use uuid::Uuid;

const METHOD: &str = include_str!("data/tarnbeck-test-9.toml");

/// One specimen from its portion to its second level, by what the page sends.
async fn specimen(
    bench: &Running,
    site: &Site,
    sample: Uuid,
    place: usize,
    mass: &str,
    cycles: u32,
    levels: [&str; 2],
) -> Uuid {
    let specimen = bench.specimen(sample, place).await;
    bench.done(json!({ "act": "await-specimen-mass", "specimen": specimen })).await;
    site.balance.say(print_key(mass)).await;
    bench.until("the portion's mass", |v| at_place(v, place)["mass"] == format!("{mass} g")).await;
    bench.mark(specimen, "pour", "done").await;
    bench.lasted(place, "steep", 400).await;
    bench.mark(specimen, "swing", "begin").await;
    bench.lasted(place, "swing", 300).await;
    bench.mark(specimen, "swing", "end").await;
    let counted =
        json!({ "act": "measure", "what": "count", "specimen": specimen, "step": "swing", "number": cycles });
    bench.done(counted).await;
    bench.lasted(place, "rest", 400).await;
    bench.mark(specimen, "rest", "end").await;
    bench.enter(specimen, "clay", levels[0]).await;
    bench.enter(specimen, "sand", levels[1]).await;
    specimen
}

fn codes(record: &Value) -> Vec<&str> {
    record["data"]["deviations"].as_array().unwrap().iter().map(|d| d["code"].as_str().unwrap()).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_method_file_written_from_the_documentation_runs_a_whole_sample() {
    let lab = Lab::open().await;
    let site = Site::new("agency", Some(lab.port()));
    let folder = site.folder.file("own-methods");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("tarnbeck-test-9.toml"), METHOD).unwrap();
    let methods = folder.display().to_string();
    let bench = site.launch(&[("STILLSTAND_STATION__METHODS", methods.as_str())]).ready().await;
    bench.until("connected", |v| !is_active(v, "network-away") && !v["probe"]["reading"].is_null()).await;

    // The method says two specimens; nobody else has to.
    let what = json!({ "act": "register-sample", "label": "Marl 3", "method": "tarnbeck-test-9", "specimens": null });
    let sample = bench.done(what).await;
    let wet = json!({ "act": "measure", "what": "state-material", "sample": sample, "of": "moisture", "percent": "5" });
    bench.done(wet).await;
    let fines = json!({ "act": "measure", "what": "state-material", "sample": sample, "of": "fines", "percent": "5" });
    let why = bench.refused(fines).await;
    assert!(why.contains("makes nothing of the fines"), "{why}");

    // 90 g dry at 5 % are 94.5 +/- 2 g: 95.10 is within, 97.00 is not. 40 to 44 cycles: 39 are short.
    // Marks of 2 mm, the nearest: 241 goes to 242; 301.4 less 200 is 101.4 and goes to 102.
    let first = specimen(&bench, &site, sample, 1, "95.10", 42, ["241", "301.4"]).await;
    let second = specimen(&bench, &site, sample, 2, "97.00", 39, ["200", "280.9"]).await;
    let documents = lab.takes(5).await;
    let record = |id: Uuid| {
        let mut records = documents.iter().filter(|(kind, _)| kind == "record").map(|(_, document)| document);
        records.find(|document| document["subject"] == id.to_string()).unwrap()
    };
    let (one, two) = (record(first), record(second));
    assert_eq!(codes(one), Vec::<&str>::new(), "{one:#}");
    assert_eq!(codes(two), ["count-outside", "mass-outside"], "{two:#}");
    assert_eq!(two["data"]["deviations"][1]["required"], "92.5 to 96.5 g");
    assert_eq!(one["data"]["readings"]["clay"]["text"], "242");
    assert_eq!(one["data"]["readings"]["sand"]["text"], "102");
    // 100 x 102 / 242 is 42.1…, to the nearest whole number 42. 100 x 80 / 200 is 40.
    assert_eq!(
        (&one["data"]["result"]["text"], &two["data"]["result"]["text"]),
        (&"42".into(), &"40".into())
    );
    assert_eq!(one["data"]["result"]["name"], "sandShare");
    assert_eq!(one["data"]["counts"][0]["number"], 42);
    assert_eq!(one["data"]["method"]["standard"], "Tarnbeck Roads Test 9");

    // (42.149 + 40) / 2 is 41.07…: 41. They lie 2 apart, and the method allows 1.5.
    let (_, result) = documents.iter().find(|(kind, _)| kind == "result").unwrap();
    assert_eq!(result["data"]["result"]["text"], "41");
    assert_eq!(result["data"]["difference"]["verdict"], "over");
    assert_eq!(bench.stop().await, 0);
}
