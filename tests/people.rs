//! The built program with a register of people: who is signed on acts, a reviewer decides over page
//! and network, and nothing of a code or badge is in the journal's files.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lab::Lab;
use common::running::Running;
use common::site::{Launched, Site};
use serde_json::{Value, json};
use stillstand::domain::bench::CLOSED_KEPT;
use uuid::Uuid;

const REVIEWER: &str = "Cleo Marsh";
const CODE: &str = "Q7X3W9";
const BADGE: &str = "NL-STAFF-000417";

fn launch(site: &Site) -> Launched {
    site.launch(&[("STILLSTAND_BENCH__REVIEW", "on"), ("STILLSTAND_BENCH__QUALIFICATION", "note")])
}

fn on(mut what: Value) -> Value {
    what["act"] = "review".into();
    what
}

fn act(who: &str, what: &Value) -> String {
    json!({ "id": Uuid::now_v7(), "who": who, "do": what }).to_string()
}

async fn answer(bench: &Running, who: &str, what: Value) -> Value {
    bench.post(act(who, &on(what)).as_bytes()).await.json()
}

/// Ash Fenn, who does everything in these tests, keeps the register and works; Cleo Marsh reviews.
async fn staffed(bench: &Running) {
    let roles = json!(["administer", "operate"]);
    bench.done(on(json!({ "what": "add-person", "name": "Ash Fenn", "roles": roles, "code": CODE }))).await;
    let said = bench.refused(json!({ "act": "stop-awaiting" })).await;
    assert!(said.contains("Ash Fenn is not signed on"), "{said}");
    bench.done(on(json!({ "what": "sign-on", "code": CODE.to_lowercase() }))).await;
    let reviewer = json!({ "what": "add-person", "name": REVIEWER, "roles": ["review"], "badge": BADGE });
    bench.done(on(reviewer)).await;
    let signed = answer(bench, "", json!({ "what": "sign-on", "badge": BADGE })).await;
    assert_eq!(signed["outcome"], "done", "{signed}");
}

/// A sample of one specimen at a place, complete, its cylinder clean.
async fn tested(bench: &Running, label: &str, place: usize) -> Uuid {
    let sample = bench.sample(label, 1).await;
    let specimen = bench.specimen(sample, place).await;
    bench.soaking(specimen).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    bench.mark(specimen, "clean", "done").await;
    sample
}

/// The newest document of the sample's record and of its result.
async fn newest(bench: &Running, sample: Uuid) -> [Value; 2] {
    let whole = bench.get(&format!("/samples/{sample}/data")).await.json();
    let of = |versions: &Value| versions[0]["document"].as_str().unwrap().to_owned();
    let mut found = Vec::new();
    for id in [of(&whole["specimens"][0]["versions"]), of(&whole["versions"])] {
        found.push(bench.get(&format!("/documents/{id}")).await.json());
    }
    found.try_into().unwrap()
}

fn decide(what: &str, sample: Uuid, documents: &[Value; 2], reason: &str) -> Value {
    let ids: Vec<_> = documents.iter().map(|document| document["id"].clone()).collect();
    on(json!({ "what": what, "of": { "sample": sample }, "documents": ids, "reason": reason }))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reviewer_approves_over_the_network_and_the_new_versions_go_out_in_order() {
    let lab = Lab::open().await;
    let site = Site::new("people", Some(lab.port()));
    let bench = launch(&site).ready().await;
    lab.reaches_station().await;
    staffed(&bench).await;
    let sample = tested(&bench, "Quarry fines 31", 2).await;
    let before = newest(&bench, sample).await;
    assert_eq!(before[1]["data"]["status"], "preliminary");
    let codes = before[0]["data"]["deviations"].as_array().unwrap().iter().map(|d| d["code"].clone());
    assert!(codes.collect::<Vec<_>>().contains(&"not-qualified".into()), "none was entered for Ash Fenn");
    let list = bench.get("/review/view").await.json();
    assert_eq!(
        (&list["items"][0]["label"], &list["items"][0]["state"]),
        (&"Quarry fines 31".into(), &"preliminary".into())
    );

    let approve = decide("approve", sample, &before, "raw data looked through");
    let own = lab.ask("ask/act", act("Ash Fenn", &approve).as_bytes()).await;
    assert!(own["text"].as_str().unwrap().contains("needs the role `review`"), "{own}");
    let done = lab.ask("ask/act", act(REVIEWER, &approve).as_bytes()).await;
    assert_eq!(done["outcome"], "done", "{done}");
    let taken = lab.takes(4).await;
    let told = taken.iter().map(|(kind, d)| {
        (kind.as_str(), d["data"]["status"].as_str().unwrap(), d["data"]["version"].as_u64().unwrap())
    });
    assert_eq!(
        told.collect::<Vec<_>>(),
        [
            ("record", "preliminary", 1),
            ("result", "preliminary", 1),
            ("record", "approved", 2),
            ("result", "approved", 2)
        ]
    );
    let [_, _, (_, record), (_, result)] = taken.as_slice() else { panic!("{}", taken.len()) };
    assert_eq!(record["data"]["replaces"]["id"], before[0]["id"]);
    assert_eq!(result["data"]["review"]["authorised"]["person"], REVIEWER);
    assert_eq!(result["data"]["review"]["decisions"][0]["who"]["via"], "ask");
    let looked_at = &result["data"]["review"]["decisions"][0]["document"];
    assert_eq!(looked_at["id"], before[1]["id"]);
    assert_eq!(
        format!("{:010}", looked_at["number"].as_u64().unwrap()),
        before[1]["sequence"].as_str().unwrap()
    );
    assert_eq!(result["data"]["specimens"][0]["record"], record["id"]);
    assert!(bench.get("/review/view").await.json()["items"].as_array().unwrap().is_empty());
    // The reviewer who looked at the first version is told.
    let late = lab.ask("ask/act", act(REVIEWER, &approve).as_bytes()).await;
    assert_eq!(late["refusal"]["refused"], "changed", "{late}");

    assert_eq!(bench.stop().await, 0);
    site.free().await;
    let folder: Vec<u8> = std::fs::read_dir(site.folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_file())
        .flat_map(|path| std::fs::read(path).unwrap())
        .collect();
    for entered in [CODE, &CODE.to_lowercase(), BADGE] {
        let found = folder.windows(entered.len()).any(|bytes| bytes == entered.as_bytes());
        assert!(!found, "{entered} stands in the journal or in the log");
    }
    assert!(folder.windows(8).any(|bytes| bytes == b"withheld"));
    let bench = launch(&site).ready().await;
    let view = bench.view().await;
    let names: Vec<_> = view["people"]["on"].as_array().unwrap().iter().map(|p| p["name"].clone()).collect();
    assert_eq!(names, ["Ash Fenn", REVIEWER], "a restart signs nobody off");
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sample_that_left_the_bench_long_ago_is_returned_corrected_and_approved() {
    let site = Site::new("reviewed", None);
    let bench = launch(&site).ready().await;
    staffed(&bench).await;
    let sample = tested(&bench, "Old", 1).await;
    for n in 0..=CLOSED_KEPT {
        tested(&bench, &format!("Later {n}"), 1).await;
    }
    let waits = bench.view().await["review"]["waiting"].clone();
    assert_eq!(waits, CLOSED_KEPT + 2);
    let first = newest(&bench, sample).await;
    let returned =
        bench.post(act(REVIEWER, &decide("return", sample, &first, "read the sand again")).as_bytes()).await;
    assert_eq!(returned.status, 200, "{}", returned.text);
    let second = newest(&bench, sample).await;
    assert_eq!(
        (&second[1]["data"]["status"], &second[1]["data"]["version"]),
        (&"returned".into(), &2.into())
    );
    let specimen = second[0]["data"]["specimen"]["id"].clone();
    let reading = json!({ "act": "correct-reading", "specimen": specimen, "of": "sand", "value": "13.4", "reason": "read again" });
    bench.done(reading).await;
    let third = newest(&bench, sample).await;
    assert_eq!(
        (&third[1]["data"]["status"], &third[1]["data"]["result"]["text"]),
        (&"preliminary".into(), &"43".into())
    );
    let stale = bench.post(act(REVIEWER, &decide("approve", sample, &second, "")).as_bytes()).await.json();
    assert_eq!(stale["refusal"]["refused"], "changed", "{stale}");
    let approved = bench.post(act(REVIEWER, &decide("approve", sample, &third, "")).as_bytes()).await;
    assert_eq!(approved.status, 200, "{}", approved.text);
    let last = newest(&bench, sample).await;
    assert_eq!(
        (&last[0]["data"]["status"], &last[1]["data"]["status"]),
        (&"approved".into(), &"approved".into())
    );
    let decisions = last[1]["data"]["review"]["decisions"].as_array().unwrap();
    let decisions: Vec<_> = decisions.iter().map(|d| d["decision"].as_str().unwrap()).collect();
    assert_eq!(decisions, ["returned", "approved"]);
    // Five wrong codes, and the right one waits too.
    for _ in 0..5 {
        let wrong = answer(&bench, "", json!({ "what": "sign-on", "code": "0000" })).await;
        assert_eq!(wrong["refusal"]["refused"], "sign-on", "{wrong}");
    }
    let right = answer(&bench, "", json!({ "what": "sign-on", "code": CODE })).await;
    assert!(right["text"].as_str().unwrap().contains("too many wrong codes"), "{right}");
    assert_eq!(bench.stop().await, 0);
}
