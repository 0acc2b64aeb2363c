//! The day's samples, one of them, its labels, and the scanner.

use super::*;
use crate::domain::intake::code;

fn bag() -> Value {
    json!({
        "identifier": "NL-26-0417", "project": "North road", "lot": "12", "material": "crushed sand <0/4>",
        "limit": { "at-least": "45", "specification": "Section 3" }, "brought-by": "Cleo Marsh",
    })
}

impl Rig {
    async fn bag(&self, label: &str, particulars: Value) -> String {
        let what = json!({
            "act": "register-sample", "label": label, "method": METHOD, "specimens": 1, "particulars": particulars,
        });
        self.made(what).await
    }

    async fn list(&self, query: &str) -> Vec<String> {
        let answer = self.get(&format!("/samples/list{query}")).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        let list = answer.json();
        list["samples"].as_array().unwrap().iter().map(|s| s["label"].as_str().unwrap().to_owned()).collect()
    }

    /// Works a specimen to its clean cylinder.
    pub(super) async fn whole_test(&self, sample: &str, place: u32) -> String {
        let what = json!({ "act": "register-specimen", "sample": sample, "place": place });
        let specimen = self.made(what).await;
        for _ in 0..40 {
            let answer = self.act(json!({ "act": "mark-next", "specimen": specimen })).await;
            if answer.status != 200 {
                for (of, value) in [("clay", "7.95"), ("sand", "13.22")] {
                    let what = json!({
                        "act": "enter-reading", "specimen": specimen, "of": of, "value": value, "confirmed": true,
                    });
                    self.act(what).await;
                }
            }
            self.clock.advance_by(60_000_000_000);
            if self.view().await["places"].as_array().unwrap().iter().all(|p| p["specimen"].is_null()) {
                return specimen;
            }
        }
        panic!("the test did not come to its end: {}", self.view().await["places"]);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_list_shows_the_day_and_is_filtered_by_any_word_of_a_sample() {
    let rig = Rig::new().await;
    rig.bag("S-1", bag()).await;
    rig.bag("S-2", json!({ "project": "South road" })).await;
    rig.sample("S-3").await;
    assert_eq!(rig.list("").await, ["S-3", "S-2", "S-1"]);
    assert_eq!(rig.list("?find=ROAD").await, ["S-2", "S-1"]);
    assert_eq!(rig.list("?find=nl-26").await, ["S-1"]);
    assert_eq!(rig.list("?find=section").await, ["S-1"]);
    assert!(rig.list("?day=2001-02-03").await.is_empty());
    for bad in ["?day=yesterday", "?days=0", "?days=32", "?dya=1", &format!("?find={}", "x".repeat(81))] {
        assert_eq!(rig.get(&format!("/samples/list{bad}")).await.status, 400, "{bad}");
    }
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sample_that_has_left_stays_on_its_day_and_can_be_found_and_corrected() {
    let rig = Rig::new().await;
    let sample = rig.bag("S-1", bag()).await;
    let specimen = rig.whole_test(&sample, 1).await;
    let day = rig.get("/samples/list").await.json()["day"].as_str().unwrap().to_owned();
    // More samples than are kept in sight leave after it.
    for n in 0..13 {
        let other = rig.sample(&format!("T-{n}")).await;
        rig.whole_test(&other, 1).await;
    }
    assert!(rig.list(&format!("?day={day}&find=s-1")).await.contains(&"S-1".to_owned()));
    let tin = code::digits(specimen.parse().unwrap());
    for scan in ["NL-26-0417", "S-1", &sample, &code::digits(sample.parse().unwrap()), &tin] {
        let found = rig.get(&format!("/samples/find?scan={scan}")).await;
        assert_eq!(found.status, 200, "{scan}: {}", found.body);
        assert_eq!(found.json()["found"][0]["id"], sample.as_str(), "{scan}");
        let asked = rig.act(json!({ "act": "intake", "what": "find", "scan": scan })).await;
        assert_eq!(asked.json()["made"], sample.as_str(), "{scan}: {}", asked.body);
    }
    let mut right = bag();
    right["lot"] = json!("13");
    let what = json!({
        "act": "intake", "what": "correct-particulars", "sample": sample, "particulars": right,
        "reason": "read wrongly", "version": 1,
    });
    let answer = rig.act(what).await;
    assert_eq!(answer.status, 200, "{}", answer.body);
    let one = rig.get(&format!("/samples/{sample}/data")).await.json();
    assert_eq!(one["particulars"]["lot"], "13");
    let correction = &one["corrections"][0];
    assert_eq!((&correction["before"]["lot"], &correction["fields"]), (&json!("12"), &json!(["lot"])));
    assert_eq!(correction["by"], "Ada Field");
    for versions in [&one["versions"], &one["specimens"][0]["versions"]] {
        let numbers: Vec<_> =
            versions.as_array().unwrap().iter().map(|v| v["version"].as_u64().unwrap()).collect();
        assert_eq!(numbers, [2, 1]);
    }
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_unknown_scan_is_told_in_a_sentence_and_a_bad_one_too() {
    let rig = Rig::new().await;
    let unknown = rig.get("/samples/find?scan=4006381333931").await;
    assert_eq!(unknown.status, 404);
    assert!(unknown.json()["detail"].as_str().unwrap().contains("`4006381333931`"), "{}", unknown.body);
    for bad in ["", "%0A", "a%07b", &"9".repeat(81)] {
        assert_eq!(rig.get(&format!("/samples/find?scan={bad}")).await.status, 400, "{bad}");
    }
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn two_samples_of_one_label_are_both_shown_to_choose_from() {
    let rig = Rig::new().await;
    let first = rig.sample("S-1").await;
    rig.whole_test(&first, 1).await;
    let second = rig.sample("S-1").await;
    let found = rig.get("/samples/find?scan=S-1").await.json();
    let ids: Vec<_> = found["found"].as_array().unwrap().iter().map(|f| f["id"].as_str().unwrap()).collect();
    assert_eq!(ids, [second.as_str(), first.as_str()]);
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn labels_are_those_of_the_bag_and_of_each_tin_and_what_people_typed_is_only_text() {
    let rig = Rig::new().await;
    let sample = rig.bag("<b>S</b>", bag()).await;
    let tin = rig.made(json!({ "act": "register-specimen", "sample": sample, "place": 1 })).await;
    let page = rig.get(&format!("/samples/{sample}/label")).await;
    assert_eq!(page.status, 200, "{}", page.body);
    assert_eq!(page.body.matches("<article").count(), 2);
    assert!(page.body.contains("&lt;b&gt;S&lt;/b&gt;") && !page.body.contains("<b>S"), "{}", page.body);
    assert!(page.body.contains("aria-label=\"NL-26-0417\""));
    let words = ["<h1>Labels of sample &lt;b&gt;S&lt;/b&gt;</h1>", "Width, mm", ">Print</button>"];
    assert!(words.iter().all(|words| page.body.contains(words)), "{}", page.body);
    assert!(
        !page.body.contains("{{") && !page.body.contains("<!--"),
        "nothing is left to fill in: {}",
        page.body
    );
    let only = rig.get(&format!("/samples/{sample}/label?of={tin}")).await;
    assert_eq!(only.body.matches("<article").count(), 1);
    assert!(only.body.contains(&code::digits(tin.parse().unwrap())));
    let style = rig.get(&format!("/samples/{sample}/label.css?width=62&height=29")).await;
    assert!(style.body.contains("size: 62mm 29mm"), "{}", style.body);
    assert_eq!(rig.get(&format!("/samples/{sample}/label?width=5")).await.status, 400);
    assert_eq!(rig.get(&format!("/samples/{sample}/label?of={}", Uuid::now_v7())).await.status, 404);
    assert_eq!(rig.get(&format!("/samples/{}/label", Uuid::now_v7())).await.status, 404);
    rig.end().await;
}
