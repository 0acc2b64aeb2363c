//! What the open room page shows to whoever has no account, and what that may cost.

use super::door::{House, MINUTE, register};
use super::*;
use std::time::Duration;
use tokio_stream::StreamExt;

#[tokio::test(flavor = "multi_thread")]
async fn an_open_room_page_opens_what_it_shows_and_nothing_else() {
    let house = House::new(true).await;
    for path in
        ["/room", "/room/events", "/room/temperatures", "/room/stations", "/samples/list", "/page/room.js"]
    {
        assert_eq!(house.get(path, "").await.status, 200, "{path}");
    }
    for path in ["/events", "/view", "/samples/find?code=x", "/documents", "/records/list", "/people/view"] {
        assert_eq!(house.get(path, "").await.status, 401, "{path}");
    }
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_open_room_page_shows_nobody_and_takes_nothing() {
    let house = House::new(true).await;
    let key = house.on("operate").await;
    for (label, body) in [("S-1", register("S-1")), ("S-2", register("S-2"))] {
        assert_eq!(house.act(&key, None, body).await.status, 200, "{label}");
    }
    assert_eq!(house.act("", Some("Ada Field"), register("S-3")).await.status, 401);
    // One sample is finished, by somebody who has a name.
    let done = house.rig.sample("S-4").await;
    house.rig.whole_test(&done, 1).await;
    let key = house.on("operate").await;
    let begun = house.rig.filled("S-5", 2).await;
    let note = json!({ "act": "note-specimen", "specimen": begun, "note": "words", "text": "by the window" });
    assert_eq!(house.act(&key, None, note).await.status, 200);
    let view = house.rig.view().await;
    assert!(view.to_string().contains("Ada Field") && view.to_string().contains("by the window"));
    let shown = super::super::view::room::shown(&view);
    let list = house.get("/samples/list?days=31&find=S", "").await.json();
    for told in ["Ada Field", "by the window", "history", "particulars"] {
        let told_of = |value: &Value| value.to_string().contains(told);
        assert!(!told_of(&shown) && !told_of(&list), "{told}: {shown} {list}");
    }
    let keys = |value: &Value| {
        let mut keys: Vec<_> = value.as_object().unwrap().keys().cloned().collect();
        keys.sort();
        keys
    };
    assert_eq!(keys(&list), ["day", "samples", "zone"]);
    let samples = list["samples"].as_array().unwrap();
    let labels: Vec<_> = samples.iter().map(|sample| &sample["label"]).collect();
    assert_eq!(labels, ["S-4"], "a sample without a result is no result of today");
    assert_eq!(keys(&samples[0]), ["id", "label", "reported", "verdict"]);
    // AASHTO T 176: each level to the next mark above, 8.0 in and 13.3 in, of which the foot is 10 in;
    // 3.3 / 8.0 x 100 = 41.25, to the next whole number above.
    assert_eq!(samples[0]["reported"], "42");
    assert_eq!(
        keys(&shown),
        [
            "alarms",
            "alarmsAside",
            "aside",
            "consumers",
            "fault",
            "instruments",
            "now",
            "outputs",
            "places",
            "probe",
            "room",
            "sequence",
            "station",
            "unconfirmed",
            "waiting"
        ]
    );
    let place = &shown["places"].as_array().unwrap()[1];
    assert_eq!(keys(place), ["place", "specimen"]);
    assert_eq!(
        keys(&place["specimen"]),
        ["begun", "complete", "deviations", "fault", "id", "label", "result", "running", "voided"]
    );
    let all = house.get("/samples/list", &key).await.body;
    assert!(all.contains("S-1") && all.contains("S-4"), "{all}");
    house.rig.end().await;
}

/// The views of a stranger's stream.
async fn views(house: &House) -> impl tokio_stream::Stream<Item = Value> + Unpin + use<> {
    let request = Request::builder().uri("/room/events").header("host", HOST).body(Body::empty()).unwrap();
    let stream = house.app.clone().oneshot(request).await.unwrap().into_body().into_data_stream();
    stream.filter_map(|chunk| {
        let event = String::from_utf8(chunk.unwrap().to_vec()).unwrap();
        event.strip_prefix("event: view\ndata: ").map(|view| serde_json::from_str(view.trim()).unwrap())
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn strangers_have_no_view_made_for_them() {
    let house = House::with(true, |state| state.running_clock = true).await;
    let key = house.on("look").await;
    let soon = Duration::from_secs(10);
    let mut open = views(&house).await;
    let first = tokio::time::timeout(soon, open.next()).await.expect("no view came").unwrap();
    // A view that is made now would tell another time; what was painted is not made anew for a while.
    house.rig.clock.advance_by(MINUTE);
    assert_ne!(house.get("/view", &key).await.json()["now"], first["now"]);
    for n in 0..8 {
        let next = tokio::time::timeout(soon, views(&house).await.next()).await.expect("no view came");
        assert_eq!(next.unwrap(), first, "stream {n}");
    }
    drop(open);
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn strangers_have_two_questions_of_the_journal_worked_on_at_once_and_hold_up_nobody_else() {
    let house = House::new(true).await;
    let key = house.on("look").await;
    let door = house.door.clone();
    let state = AppState { door: Some(door.clone()), ..house.rig.state.clone() };
    // Two that take long, and whose strangers went.
    let (ends, end) = std::sync::mpsc::channel::<()>();
    let end = Arc::new(std::sync::Mutex::new(end));
    for free in [1, 0] {
        let end = end.clone();
        let long = move || end.lock().unwrap_or_else(std::sync::PoisonError::into_inner).recv();
        let mut asked = Box::pin(crate::web::aside::aside(&state, &Access::Stranger, long));
        assert!(tokio::time::timeout(Duration::ZERO, &mut asked).await.is_err());
        drop(asked);
        assert_eq!(door.looks_free(), free, "the work goes on and keeps its place");
    }
    for path in ["/room/temperatures", "/samples/list"] {
        let strangers = house.get(path, "");
        let mut strangers = std::pin::pin!(strangers);
        tokio::select! {
            biased;
            answer = &mut strangers => panic!("{path}: {}", answer.status),
            answer = house.get(path, &key) => assert_eq!(answer.status, 200, "{path}"),
        }
    }
    drop(ends);
    assert_eq!(house.get("/room/temperatures", "").await.status, 200);
    assert_eq!(house.get("/samples/list", "").await.status, 200);
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_open_room_page_tells_of_the_journals_fault_without_paths_or_words_of_the_system() {
    let rig = Rig::new().await;
    let words = "/var/lib/stillstand/journal.sqlite: No space left on device (os error 28)";
    let mut bench = crate::domain::bench::Bench::clone(&rig.station.committed().borrow().bench);
    let fault = crate::domain::alarm::Alarm {
        name: crate::domain::alarm::Name::NotKept,
        about: String::new(),
        occurrence: Uuid::now_v7(),
        text: words.to_owned(),
        raised: at(0),
        cleared: None,
        acknowledged: None,
        replaced: Vec::new(),
    };
    let out = crate::domain::alarm::OutOfService {
        by: crate::domain::specimen::By { person: Some("Ada Field".to_owned()), via: "page".to_owned() },
        reason: "being mended".to_owned(),
        since: at(0),
    };
    bench.alarms.insert(fault.key(), fault);
    bench.out_of_service.insert("probe-silent".to_owned(), out);
    let seen = view::Seen {
        bench: &bench,
        sequence: 1,
        fault: Some(words),
        now: at(0),
        running_clock: false,
        zone: "UTC",
        units: Units::default(),
        waiting: 0,
        outputs: BTreeMap::new(),
        live: BTreeMap::new(),
    };
    let view = view::view(&seen);
    assert!(view.to_string().contains("No space left"), "whoever is signed on sees it");
    let shown = view::room::shown(&view);
    let alarm = &shown["alarms"][0];
    assert_eq!(
        (&alarm["key"], &alarm["text"]),
        (&json!("not-kept"), &json!("the journal cannot be written"))
    );
    assert_eq!((&shown["aside"], &shown["alarmsAside"]), (&json!(1), &json!([])));
    for told in ["/var/lib", "os error", "Ada Field", "being mended"] {
        assert!(!shown.to_string().contains(told), "{told}: {shown}");
    }
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_picture_that_cannot_be_drawn_says_no_path_to_whoever_has_no_account() {
    let house = House::new(true).await;
    let key = house.on("look").await;
    // The page reads the journal by its path: nobody finds it there now.
    std::fs::rename(house.rig.folder.join("journal.db"), house.rig.folder.join("away.db")).unwrap();
    let (stranger, guest) =
        (house.get("/room/temperatures", "").await, house.get("/room/temperatures", &key).await);
    assert_eq!((stranger.status, guest.status), (503, 503));
    assert_eq!(stranger.json()["detail"], "the journal cannot be read now");
    assert!(guest.body.contains("journal.db"), "{}", guest.body);
    std::fs::rename(house.rig.folder.join("away.db"), house.rig.folder.join("journal.db")).unwrap();
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_open_room_page_shows_of_other_stations_nothing_that_can_be_done() {
    use crate::domain::overview::Said;
    let told = json!({
        "at": "2030-01-01T13:00:00.000Z", "title": "Bench 2", "rehearsal": false, "clockRuns": true,
        "waiting": 0, "temperature": null, "moreAlarms": 0, "alarmsAside": 0, "results": [], "moreResults": 0,
        "earlierMissing": false,
        "alarms": [{
            "alarm": "not-kept", "priority": "high", "state": "unacknowledged",
            "text": "/srv/journal.sqlite: os error 28",
        }],
        "places": [{
            "place": 1, "label": "Q-7", "complete": false, "voided": false, "next": "soak begins", "running": null,
            "deviations": 0, "result": null,
        }],
    });
    let mut following = Following::of(std::iter::empty());
    following.why = Some("10.0.0.9: refused".to_owned());
    assert!(following.hear("b2", Said::Overview(told.to_string().as_bytes()), false, at(0)));
    let (sender, followed) = watch::channel(Arc::new(following));
    let house = House::with(true, |state| state.followed = Some(followed)).await;
    let key = house.on("look").await;
    let seen = house.get("/room/stations", &key).await.json();
    let place = |seen: &Value| seen["stations"][0]["said"]["places"][0].clone();
    assert_eq!(place(&seen)["next"], "soak begins", "{seen}");
    let shown = house.get("/room/stations", "").await;
    assert_eq!(shown.status, 200);
    let seen = shown.json();
    assert_eq!((&place(&seen)["label"], &place(&seen)["next"]), (&json!("Q-7"), &Value::Null), "{seen}");
    for told in ["soak begins", "/srv", "os error", "10.0.0.9"] {
        assert!(!shown.body.contains(told), "{told}: {}", shown.body);
    }
    drop(sender);
    house.rig.end().await;
}
