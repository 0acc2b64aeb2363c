//! The built program holds specimens with deviations, has them decided by the page and from the
//! network, asks for more where results lie apart, and says whether a limit is met.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lab::Lab;
use common::running::Running;
use common::site::Site;
use common::work::METHOD;
use serde_json::{Value, json};
use uuid::Uuid;

async fn limited(bench: &Running, label: &str, specimens: u32, at_least: &str) -> Uuid {
    let limit = json!({ "at-least": at_least, "specification": "Section 3 contract" });
    bench
        .done(json!({
            "act": "register-sample", "label": label, "method": METHOD, "specimens": specimens,
            "particulars": { "limit": limit, "material": "crushed sand 0/4" },
        }))
        .await
}

/// A specimen in a few moments: its soak is cut short, which is a deviation.
async fn hurried(bench: &Running, sample: Uuid, place: usize, sand: &str) -> Uuid {
    let specimen = bench.specimen(sample, place).await;
    finish(bench, specimen, sand).await;
    specimen
}

async fn finish(bench: &Running, specimen: Uuid, sand: &str) {
    bench.soaking(specimen).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", sand).await;
}

fn admit(specimen: Uuid) -> Value {
    json!({ "act": "quality", "what": "admit", "specimen": specimen, "reason": "a trial of the bench" })
}

async fn page(bench: &Running, sample: Uuid) -> Value {
    bench.get(&format!("/samples/{sample}/data")).await.json()
}

#[tokio::test(flavor = "multi_thread")]
async fn held_specimens_are_decided_by_the_page_and_from_the_network() {
    let lab = Lab::open().await;
    let site = Site::new("quality", Some(lab.port()));
    let hold = [("STILLSTAND_BENCH__DEVIATIONS", "hold"), ("STILLSTAND_BENCH__PRECISION", "on")];
    let bench = site.launch(&hold).ready().await;
    let sample = limited(&bench, "North 12", 2, "40").await;
    let first = hurried(&bench, sample, 1, "13.3").await;
    let second = hurried(&bench, sample, 2, "13.4").await;
    let shown = page(&bench, sample).await;
    assert_eq!(shown["reported"], Value::Null);
    assert_eq!(shown["verdict"]["verdict"], "not-decided");
    assert_eq!(shown["specimens"][0]["counting"]["state"], "held");
    let waits = shown["quality"]["waits"][0].as_str().unwrap();
    assert!(waits.contains("North 12-1, North 12-2 are held"), "{waits}");

    lab.reaches_station().await;
    let asked = json!({ "id": Uuid::now_v7(), "who": "Cleo Marsh", "do": admit(first) }).to_string();
    let reply = lab.ask("ask/act", asked.as_bytes()).await;
    assert_eq!(reply["outcome"], "done", "{reply}");
    let replace = json!({ "act": "quality", "what": "replace", "specimen": second, "place": 3 });
    let third = bench.done(replace).await;
    finish(&bench, third, "13.2").await;
    bench.done(admit(third)).await;
    let taken = lab.takes(4).await;
    let (_, result) = taken.iter().find(|(kind, _)| kind == "result").unwrap();
    let data = &result["data"];
    assert_eq!(result["dataschema"], "https://stillstand.example/schema/sample-result/1.3.0");
    // 42 and 40: 41.
    assert_eq!(data["result"]["text"], "41");
    assert_eq!(data["acceptance"]["verdict"], "pass");
    assert_eq!(data["precision"]["verdict"], "within");
    assert_eq!(data["notCounted"][0]["why"], "replaced");
    let who: Vec<_> = data["changes"].as_array().unwrap().iter().map(|c| &c["who"]["person"]).collect();
    assert_eq!(who, ["Cleo Marsh", "Ash Fenn"]);

    assert_eq!(bench.stop().await, 0);
    site.free().await;
    // Without the setting: what was registered under it keeps it.
    let bench = site.start().await;
    let limit = json!({ "at-least": "45", "specification": "Section 3 contract" });
    bench
        .done(json!({
            "act": "quality", "what": "set-limit", "sample": sample, "limit": limit,
            "reason": "the contract was amended",
        }))
        .await;
    let taken = lab.takes(8).await;
    let (kind, last) = taken.last().unwrap();
    assert_eq!((kind.as_str(), &last["data"]["acceptance"]["verdict"]), ("result", &"fail".into()));
    assert_eq!(last["data"]["version"], 2);
    assert_eq!(page(&bench, sample).await["specimens"][1]["counting"]["replacedBy"], "North 12-3");
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn results_too_far_apart_ask_for_more_as_the_methods_file_says() {
    let site = Site::new("apart", None);
    // The shipped file with what the laboratory's agency asks for.
    let shipped = format!("{}/config/methods/{METHOD}.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(shipped).unwrap();
    let agency = "source = \"the agency decides\", confidence = \"agency\"";
    let set = |text: String, key: &str, value: u32| {
        let (unset, set) =
            (format!("{key} = {{ {agency} }}"), format!("{key} = {{ value = {value}, {agency} }}"));
        assert!(text.contains(&unset), "{key}");
        text.replace(&unset, &set)
    };
    let text = set(set(text, "max-difference", 8), "further-specimens", 1);
    let methods = site.folder.file("methods");
    std::fs::create_dir_all(&methods).unwrap();
    std::fs::write(methods.join(format!("{METHOD}.toml")), text).unwrap();
    let methods = methods.display().to_string();
    let bench = site.launch(&[("STILLSTAND_STATION__METHODS", methods.as_str())]).ready().await;
    let sample = bench.sample("South 3", 2).await;
    hurried(&bench, sample, 1, "13.3").await;
    hurried(&bench, sample, 2, "14.2").await;
    let waits = bench.view().await["samples"][0]["waits"][0].clone();
    assert!(waits.as_str().unwrap().contains("1 more"), "42 and 53: {waits}");
    hurried(&bench, sample, 3, "13.4").await;
    // 42, 53 and 43: 46.
    assert_eq!(page(&bench, sample).await["reported"], "46");
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn charts_are_kept_where_the_settings_say_so_and_outlast_a_restart() {
    let site = Site::new("charts", None);
    let on = [("STILLSTAND_BENCH__CHARTS", "on")];
    let bench = site.launch(&on).ready().await;
    for (n, sand) in ["13.2", "13.3", "13.4", "13.3", "13.2", "13.3", "13.4", "13.3"].iter().enumerate() {
        let sample = limited(&bench, &format!("W-{n}"), 1, "40").await;
        hurried(&bench, sample, n + 1, sand).await;
    }
    let chart = json!({ "method": METHOD, "material": "crushed sand 0/4" });
    let freeze =
        |reason: &str| json!({ "act": "quality", "what": "freeze-limits", "chart": chart, "reason": reason });
    bench.done(freeze("eight results of one pit")).await;
    let shown = bench.get("/charts/view").await.json();
    let limits = &shown["charts"][0]["limits"];
    // Mean 41.25; ranges of 1.25 over 1.128, three times: 3.32.
    assert_eq!((&limits["centre"]["text"], &limits["upper"]["text"]), (&"41.25".into(), &"44.57".into()));
    assert_eq!(limits["frozen"], true);
    assert_eq!(bench.stop().await, 0);
    site.free().await;
    let bench = site.launch(&on).ready().await;
    assert_eq!(bench.get("/charts/view").await.json()["charts"], shown["charts"]);
    assert_eq!(bench.stop().await, 0);
}
