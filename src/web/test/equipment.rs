use super::*;
use crate::domain::equipment::{Kind, load};
use crate::domain::moment::SECOND;

/// The shipped kinds that these tests use.
pub(super) fn kinds() -> Vec<Kind> {
    let read = |name: &str, text: &str| load(&format!("{name}.toml"), text).unwrap();
    vec![
        read("foot-assembly", include_str!("../../../config/equipment/foot-assembly.toml")),
        read("irrigator", include_str!("../../../config/equipment/irrigator.toml")),
    ]
}

impl Rig {
    async fn equipment(&self, mut what: Value) -> Answer {
        what["act"] = "equipment".into();
        self.act(what).await
    }

    async fn foot(&self, grams: &str) {
        let found = json!({ "value": grams });
        let what = json!({ "what": "check", "item": "FOOT-1", "check": "mass", "found": found });
        assert_eq!(self.equipment(what).await.status, 200);
    }

    /// A whole specimen of a new sample; everything far too short.
    async fn finished(&self, label: &str) {
        let specimen = self.filled(label, 1).await;
        for (step, edge) in [("soak", "begin"), ("shake", "begin"), ("shake", "end"), ("irrigate", "end")] {
            self.mark(&specimen, step, edge).await;
            self.clock.advance_by(45 * SECOND);
        }
        for (of, value) in [("clay", "8.0"), ("sand", "13.3")] {
            let what = json!({ "act": "enter-reading", "specimen": specimen, "of": of, "value": value });
            assert_eq!(self.act(what).await.status, 200);
        }
        self.mark(&specimen, "clean", "done").await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_without_a_list_shows_none() {
    let rig = Rig::new().await;
    assert!(rig.view().await["equipment"].is_null());
    let page = rig.get("/equipment/view").await.json();
    assert_eq!((&page["items"], &page["daily"]), (&json!([]), &json!([])));
    assert!(rig.get("/equipment").await.headers["content-type"].to_str().unwrap().starts_with("text/html"));
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_list_shows_what_is_due_and_the_bench_page_one_line_of_it() {
    let rig = Rig::new().await;
    for (item, kind) in [("IRR-1", "irrigator"), ("FOOT-1", "foot-assembly")] {
        let what = json!({ "what": "register", "item": item, "kind": kind, "kit": true });
        assert_eq!(rig.equipment(what).await.status, 200);
    }
    rig.foot("999.8").await;
    let page = rig.get("/equipment/view").await.json();
    assert_eq!(page["daily"].as_array().unwrap().len(), 2);
    let foot = page["items"].as_array().unwrap().iter().find(|item| item["id"] == "FOOT-1").unwrap();
    assert_eq!(foot["state"], "past-due", "its daily check is open");
    let mass = &foot["checks"][0];
    assert_eq!((&mass["state"], &mass["required"]), (&json!("good"), &json!("995 to 1005 g")));
    assert!(mass["results"][0]["detail"].as_str().unwrap().contains("999.8 g"));
    let shown = json!([{ "item": "IRR-1", "check": "jets" }, { "item": "FOOT-1", "check": "free" }]);
    let answer = rig.equipment(json!({ "what": "all-in-order", "items": [shown[0]] })).await;
    assert_eq!(answer.status, 409);
    assert_eq!(rig.equipment(json!({ "what": "all-in-order", "items": shown })).await.status, 200);
    let line = rig.view().await["equipment"].clone();
    // The irrigator's holes were never checked.
    assert_eq!((&line["notInOrder"], &line["daily"][0]["made"]), (&json!(1), &json!(true)));
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_failed_check_lists_what_used_the_item_since_its_last_good_one() {
    let rig = Rig::new().await;
    let what = json!({ "what": "register", "item": "FOOT-1", "kind": "foot-assembly", "kit": true });
    assert_eq!(rig.equipment(what).await.status, 200);
    rig.finished("before").await;
    rig.clock.advance_by(60 * SECOND);
    rig.foot("1000.2").await;
    rig.clock.advance_by(60 * SECOND);
    rig.finished("in-doubt").await;
    rig.clock.advance_by(60 * SECOND);
    rig.foot("1007.0").await;
    let page = rig.get("/equipment/view").await.json();
    let doubts = page["items"][0]["lookBack"].as_array().unwrap();
    let doubt = doubts.iter().find(|doubt| doubt["check"] == "mass" && doubt["toMs"].is_null()).unwrap();
    assert_eq!((&page["items"][0]["state"], &doubt["kept"]), (&json!("failed"), &json!(true)));
    let from = doubt["fromMs"].as_i64().unwrap();
    let found = rig.get(&format!("/equipment/FOOT-1/records?from-ms={from}")).await.json();
    let labels: Vec<_> = found["records"].as_array().unwrap().iter().map(|r| r["label"].clone()).collect();
    assert_eq!(labels, [json!("in-doubt-1")], "{found}");
    let all = rig.get("/equipment/FOOT-1/records").await.json();
    assert_eq!(all["records"].as_array().unwrap().len(), 2);
    let through = json!({ "what": "looked-through", "item": "FOOT-1", "check": "mass", "from-ms": from, "note": "repeated" });
    assert_eq!(rig.equipment(through).await.status, 200);
    let page = rig.get("/equipment/view").await.json();
    let left: Vec<_> =
        page["items"][0]["lookBack"].as_array().unwrap().iter().map(|d| d["check"].clone()).collect();
    assert_eq!(left, [json!("free"), json!("mass")], "what was used before any check is not looked through");
    assert_eq!(rig.get("/equipment/FOOT-9/records").await.status, 404);
    assert_eq!(rig.get("/equipment/FOOT-1/records?since=1").await.status, 400);
    rig.end().await;
}
