//! Who may ask what, and what becomes of an act.

use super::*;

#[tokio::test(flavor = "multi_thread")]
async fn a_page_from_elsewhere_reaches_nothing() {
    let rig = Rig::new().await;
    let json = ("content-type", "application/json");
    let act = json!({ "id": Uuid::now_v7(), "do": { "act": "register-sample", "label": "X", "method": METHOD,
        "specimens": 1 } })
    .to_string();
    let refused: [&[(&str, &str)]; 8] = [
        &[json],
        &[("host", "bench.example:8765"), json],
        &[("host", "127.0.0.1:8766"), json],
        &[("host", "127.0.0.1.bench.example:8765"), json],
        &[("host", HOST), ("host", HOST), json],
        &[("host", HOST), ("origin", "http://bench.example:8765"), json],
        &[("host", HOST), ("origin", "null"), json],
        &[("host", HOST), ("content-type", "text/plain")],
    ];
    for headers in refused {
        let answer = rig.send("POST", "/act", headers, act.clone()).await;
        assert_eq!(answer.status, 403, "{headers:?}");
        assert!(!answer.json()["detail"].as_str().unwrap().is_empty());
        assert!(answer.headers.contains_key("content-security-policy"), "{headers:?}");
    }
    assert_eq!(rig.send("GET", "/view", &[("host", "bench.example")], "").await.status, 403);
    assert_eq!(rig.view().await["samples"], json!([]), "nothing of it happened");
    for host in ["localhost:8765", "127.0.0.1:8765", "[::1]:8765"] {
        let origin = format!("http://{host}");
        let answer = rig.send("GET", "/view", &[("host", host), ("origin", &origin)], "").await;
        assert_eq!(answer.status, 200, "{host}");
    }
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_no_act_is_refused_with_what_is_wrong_and_where() {
    let rig = Rig::new().await;
    let id = Uuid::now_v7();
    for (body, words) in [
        (format!(r#"{{"id":"{id}","do":{{"act":"stop-awaiting"}},"forced":true}}"#), "forced"),
        (format!(r#"{{"id":"{id}","do":{{"act":"no-line-yet","specimen":"{id}","loud":1}}}}"#), "loud"),
        (format!(r#"{{"id":"{id}","do":{{"act":"boil"}}}}"#), "boil"),
        (format!(r#"{{"id":"{id}","do":{{"act":"mark-next"}}}}"#), "specimen"),
        (r#"{"id": "#.to_owned(), "line 1 column"),
        ("\u{0}".repeat(70_000), "65536"),
    ] {
        let answer = rig.post(body).await;
        assert_eq!(answer.status, 400, "{}", answer.body);
        let detail = answer.json()["detail"].as_str().unwrap().to_owned();
        assert!(detail.contains(words), "{detail}");
    }
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_act_sent_twice_happens_once() {
    let rig = Rig::new().await;
    let body =
        json!({ "id": Uuid::now_v7(), "do": { "act": "register-sample", "label": "S-1", "method": METHOD,
        "specimens": 1 } })
        .to_string();
    let first = rig.post(body.clone()).await;
    let again = rig.post(body).await;
    assert_eq!((first.status, again.status), (200, 200));
    assert_eq!(first.json()["outcome"], "done");
    assert_eq!(again.json()["outcome"], "done-before");
    assert_eq!(rig.view().await["samples"].as_array().unwrap().len(), 1);
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refusal_is_a_conflict_with_words_and_changes_nothing() {
    let rig = Rig::new().await;
    let specimen = rig.filled("S-1", 1).await;
    let before = rig.view().await["places"].clone();
    let what = json!({ "act": "enter-reading", "specimen": specimen, "of": "clay", "value": "8.0" });
    let answer = rig.act(what).await;
    assert_eq!(answer.status, 409);
    assert_eq!(answer.json()["refusal"]["refused"], "out-of-order");
    assert!(answer.json()["text"].as_str().unwrap().contains("possible: tap done"), "{}", answer.body);
    assert_eq!(rig.view().await["places"], before);
    // What the person saw is out of date.
    let outdated =
        json!({ "id": Uuid::now_v7(), "seen": 0, "do": { "act": "mark-next", "specimen": specimen } });
    let answer = rig.post(outdated.to_string()).await;
    assert_eq!((answer.status, &answer.json()["refusal"]["refused"]), (409, &json!("changed")));
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_act_is_stamped_on_arrival_and_comes_through_the_page_whatever_it_says() {
    let rig = Rig::new().await;
    let body = json!({ "id": Uuid::now_v7(), "via": "trigger foot", "who": "Ada Field",
        "do": { "act": "register-sample", "label": "S-1", "method": METHOD, "specimens": 1 } });
    assert_eq!(rig.post(body.to_string()).await.status, 200);
    let committed = rig.station.committed().borrow().clone();
    let registered = &committed.bench.samples.values().next().unwrap().registered;
    assert_eq!(registered.by.via, "page");
    assert_eq!(registered.by.person.as_deref(), Some("Ada Field"));
    assert_eq!(registered.moment, rig.clock.now());
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_that_has_ended_says_so() {
    let rig = Rig::new().await;
    assert_eq!(rig.get("/readyz").await.status, 200);
    rig.cancel.cancel();
    let mut committed = rig.station.committed();
    while committed.changed().await.is_ok() {}
    assert_eq!(rig.get("/readyz").await.status, 503);
    assert_eq!(rig.act(json!({ "act": "stop-awaiting" })).await.status, 503);
    assert_eq!(rig.get("/livez").await.status, 200);
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_methods_and_wrong_addresses_are_problems() {
    let rig = Rig::new().await;
    let answer = rig.get("/act").await;
    assert_eq!((answer.status, answer.headers["allow"].to_str().unwrap()), (405, "POST"));
    let answer = rig.send("DELETE", "/view", &[("host", HOST)], "").await;
    assert_eq!((answer.status, answer.headers["allow"].to_str().unwrap()), (405, "GET,HEAD"));
    for path in ["/bench", "/page/secret.js", "/page/..%2fmod.rs", "/documents/none"] {
        let answer = rig.get(path).await;
        assert_eq!(answer.status, 404, "{path}");
        assert_eq!(answer.headers["content-type"], "application/problem+json");
        assert_eq!(answer.json()["status"], 404);
    }
    rig.end().await;
}
