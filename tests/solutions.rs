//! The built program makes solutions: masses from the balance's own line, acts over HTTP and MQTT, a
//! record that says which bottle the specimen met, and the same shelf after a restart.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lines::print_key;
use common::outage::RealBroker;
use common::running::Running;
use common::site::Site;
use serde_json::{Value, json};
use uuid::Uuid;

const RECIPES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/solutions");

fn on(mut what: Value) -> Value {
    what["act"] = "solution".into();
    what
}

/// Asks for a component, has the balance print a line, and waits until the batch has it.
async fn weigh(bench: &Running, site: &Site, component: &str, grams: &str) {
    bench.done(on(json!({ "what": "await-component", "batch": "ST-1", "component": component }))).await;
    let before = bench.view().await["balance"]["weighings"].as_u64().unwrap();
    site.balance.say(print_key(grams)).await;
    bench.until("the mass", |view| view["balance"]["weighings"] == before + 1).await;
}

async fn stated(bench: &Running, batch: &str, component: &str, value: &str, unit: &str) {
    let what = json!({ "what": "state-component", "batch": batch, "component": component, "value": value,
        "unit": unit, "with": "measuring cylinder" });
    bench.done(on(what)).await;
}

async fn done(bench: &Running, batch: &str, steps: &[&str]) {
    for step in steps {
        bench.done(on(json!({ "what": "step-done", "batch": batch, "step": step }))).await;
    }
}

async fn batch(bench: &Running, id: &str) -> Value {
    let page = bench.get("/solutions/view").await.json();
    page["batches"].as_array().unwrap().iter().find(|known| known["id"] == id).unwrap().clone()
}

#[tokio::test(flavor = "multi_thread")]
async fn from_the_first_weighing_to_the_record_that_names_the_bottle() {
    let mut broker =
        RealBroker::prepared("listener {port} 127.0.0.1\nallow_anonymous true\npersistence false");
    broker.start().await;
    let site = Site::new("solutions", Some(broker.port));
    let recipes = [("STILLSTAND_STATION__SOLUTIONS", RECIPES)];
    let bench = site.launch(&recipes).ready().await;
    let begin = json!({ "what": "begin", "batch": "ST-1", "recipe": "t176-stock-glutaraldehyde", "volume": "1.89",
        "unit": "L", "water": "distilled" });
    bench.done(on(begin)).await;
    // Half a gallon: 288.5 g, 1025 g, 29.5 g.
    let parts = batch(&bench, "ST-1").await["parts"].clone();
    assert_eq!(parts[0]["mass"]["text"], "288.5 g");
    weigh(&bench, &site, "calcium chloride", "288.7").await;
    weigh(&bench, &site, "glycerin", "1026.0").await;
    weigh(&bench, &site, "glutaraldehyde", "31.2").await;
    done(&bench, "ST-1", &["dissolve", "cool", "filter", "mix"]).await;
    stated(&bench, "ST-1", "make up", "1.89", "L").await;
    let said = bench.refused(on(json!({ "what": "finish", "batch": "ST-1" }))).await;
    assert!(said.contains("`glutaraldehyde`: 31.2 g is too much"), "{said}");
    weigh(&bench, &site, "glutaraldehyde", "29.6").await;
    bench.done(on(json!({ "what": "finish", "batch": "ST-1" }))).await;
    let begin = json!({ "what": "begin", "batch": "W-1", "recipe": "t176-working", "volume": "3.8", "unit": "L",
        "water": "distilled", "stock": "ST-1" });
    bench.done(on(begin)).await;
    stated(&bench, "W-1", "stock", "85", "mL").await;
    stated(&bench, "W-1", "make up", "3.8", "L").await;
    done(&bench, "W-1", &["mix"]).await;
    bench.done(on(json!({ "what": "finish", "batch": "W-1" }))).await;
    broker.shows("status", |status| status["state"] == "online").await;
    let ask = json!({ "id": Uuid::now_v7(), "who": "Ash Fenn", "do": on(json!({ "what": "put-in-use", "batch": "W-1" })) });
    let reply = broker.ask("act", ask.to_string().as_bytes(), "bottle").await;
    assert_eq!(reply["note"], "W-1 is the working solution in use, about 3.8 L left", "{reply}");

    let sample = bench.sample("Quarry fines 22", 1).await;
    let specimen = bench.specimen(sample, 3).await;
    bench.soaking(specimen).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    bench.until("the result", |view| !view["finished"][0].is_null()).await;
    let list = bench.get("/documents?kind=record").await.json();
    let id = list["documents"][0]["id"].as_str().unwrap().to_owned();
    let record = bench.get(&format!("/documents/{id}")).await.json();
    let solution = &record["data"]["solution"];
    let uses: Vec<_> =
        solution["uses"].as_array().unwrap().iter().map(|u| (&u["step"], &u["batch"])).collect();
    assert_eq!(uses, [(&json!("first fill"), &json!("W-1")), (&json!("irrigate"), &json!("W-1"))]);
    assert_eq!(solution["batches"][0]["stock"]["id"], "ST-1");
    let codes = record["data"]["deviations"].as_array().unwrap().iter().map(|d| d["code"].as_str().unwrap());
    assert_eq!(codes.filter(|code| code.starts_with("solution")).count(), 0);
    let weighings = bench.get("/documents?kind=weighing").await.json();
    let weighing = weighings["documents"][0]["id"].as_str().unwrap().to_owned();
    let weighing = bench.get(&format!("/documents/{weighing}")).await.json();
    assert_eq!(weighing["data"]["for"], json!({ "batch": "ST-1", "component": "glutaraldehyde" }));

    assert_eq!(bench.stop().await, 0);
    site.free().await;
    let bench = site.launch(&recipes).ready().await;
    let kept = batch(&bench, "W-1").await;
    assert_eq!((&kept["inUse"], &kept["fillings"]), (&json!(true), &json!(1)));
    assert_eq!(kept["left"], "3.5 L", "3800 mL less 80 and 221");
    let glutaraldehyde = batch(&bench, "ST-1").await["parts"][5].clone();
    assert_eq!(
        (&glutaraldehyde["sum"], glutaraldehyde["replaced"].as_array().unwrap().len()),
        (&json!("29.6 g"), 1)
    );
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_without_the_setting_keeps_no_solutions_and_says_how_to() {
    let site = Site::new("no-solutions", None);
    let bench = site.start().await;
    let act = json!({ "what": "begin", "batch": "X", "recipe": "t176-working", "volume": "3.8", "unit": "L",
        "water": "distilled" });
    let said = bench.refused(on(act)).await;
    assert!(said.contains("station.solutions"), "{said}");
    assert!(bench.view().await["solutions"].is_null());
    assert_eq!(bench.stop().await, 0);
}

#[test]
fn a_wrong_recipe_is_told_with_file_line_and_key_and_nothing_starts() {
    let site = common::Folder::new("wrong-recipe");
    let text = std::fs::read_to_string(format!("{RECIPES}/t176-working.toml")).unwrap();
    let wrong =
        text.replacen("kind = \"working\"", "kind = \"cooking\"", 1).replacen("\"distilled\"", "\"rain\"", 1);
    site.write("recipes/t176-working.toml", &wrong);
    site.write("stillstand.toml", &common::site::settings(&site, None, ""));
    let (line_of_kind, line_of_water) = (line(&wrong, "cooking"), line(&wrong, "\"rain\""));
    let said = std::process::Command::new(common::PROGRAM)
        .args(["check", "--settings"])
        .arg(site.path())
        .env("STILLSTAND_STATION__SOLUTIONS", site.file("recipes"))
        .output()
        .unwrap();
    let text = String::from_utf8(said.stderr).unwrap();
    assert!(!said.status.success());
    assert!(text.contains(&format!("t176-working.toml:{line_of_kind}: `kind`")), "{text}");
    assert!(text.contains(&format!("t176-working.toml:{line_of_water}: `water.kinds.1`")), "{text}");
    assert!(text.contains("2 faults"), "{text}");
}

fn line(text: &str, word: &str) -> usize {
    1 + text.lines().position(|line| line.contains(word)).unwrap()
}
