//! What is shown: the page's files, the event stream, the documents.

use super::*;
use crate::domain::moment::SECOND;
use crate::domain::quantity::{Quantity, Unit};
use std::time::Duration;
use tokio_stream::StreamExt;

/// The stream's next event of a kind, as its JSON.
async fn next(stream: &mut (impl tokio_stream::Stream<Item = String> + Unpin), kind: &str) -> Value {
    let found = async {
        loop {
            let event = stream.next().await.expect("the stream ended");
            if let Some(data) = event.strip_prefix(&format!("event: {kind}\ndata: ")) {
                return serde_json::from_str(data.trim()).unwrap();
            }
        }
    };
    tokio::time::timeout(Duration::from_secs(10), found).await.expect("no such event came")
}

async fn events(rig: &Rig) -> impl tokio_stream::Stream<Item = String> + Unpin + use<> {
    let request = Request::builder().uri("/events").header("host", HOST).body(Body::empty()).unwrap();
    let response = rig.app.clone().oneshot(request).await.unwrap();
    assert_eq!(response.headers()["content-type"], "text/event-stream");
    // One event is one chunk: it is written whole.
    response.into_body().into_data_stream().map(|chunk| String::from_utf8(chunk.unwrap().to_vec()).unwrap())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_gets_a_view_at_once_and_after_each_commit() {
    let rig = Rig::new().await;
    let mut stream = events(&rig).await;
    let first = next(&mut stream, "view").await;
    assert_eq!(first["station"]["zone"], "America/Denver");
    assert_eq!(first["samples"], json!([]));
    rig.sample("S-1").await;
    let second = next(&mut stream, "view").await;
    assert_eq!(second["samples"][0]["label"], "S-1");
    assert!(second["sequence"].as_u64() > first["sequence"].as_u64());
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_sees_what_the_instruments_show_and_a_stepped_clock_move() {
    let rig = Rig::new().await;
    let mut stream = events(&rig).await;
    let before = next(&mut stream, "view").await["now"]["wallMs"].as_i64().unwrap();
    let beat = next(&mut stream, "beat").await;
    assert_eq!(beat, json!({ "wallMs": before, "running": false }));
    rig.clock.advance_by(90 * SECOND);
    let after = next(&mut stream, "view").await["now"]["wallMs"].as_i64().unwrap();
    assert_eq!(after - before, 90_000);
    let value = Some(Quantity::new("98.1".parse().unwrap(), Unit::Gram));
    rig.live.send_replace(Live { lines: 1, value, stable: true, overload: false });
    // Well before the view that comes in any case.
    let shown = tokio::time::timeout(super::stream::REFRESH / 2, next(&mut stream, "view")).await.unwrap();
    assert_eq!(shown["instruments"][0]["live"], "98.1 g");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn open_streams_end_with_the_station() {
    let rig = Rig::new().await;
    let mut stream = events(&rig).await;
    next(&mut stream, "view").await;
    rig.cancel.cancel();
    let ended = async { while stream.next().await.is_some() {} };
    tokio::time::timeout(Duration::from_secs(5), ended).await.expect("the stream went on");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn serving_ends_promptly_with_a_page_open() {
    let rig = Rig::new().await;
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let with = OpenWith { fresh_id: Uuid::now_v7(), now_wall_ns: 0 };
    let (journal, _) = Journal::open(&rig.folder.join("other.db"), &with).unwrap();
    let state = AppState {
        station: rig.station.clone(),
        listing: crate::keeping::list::Listing::new(journal.clone()),
        reserve: 0,
        kept: "records 10 years".into(),
        journal,
        clock: Arc::new(rig.clock.clone()),
        running_clock: false,
        outputs: tokio::sync::watch::channel(BTreeMap::new()).1,
        live: BTreeMap::new(),
        followed: None,
        shown: stream::Shown::default(),
        forecast: room::LastForecast::default(),
        settings: Arc::new(json!([])),
        words: words::Words::english(),
        zone: "UTC".into(),
        units: Units::default(),
        labels: LabelSheet { width_mm: 76, height_mm: 38, dots_per_inch: 203 },
        reports: crate::web::report::Reports::new(None, crate::domain::report::laboratory::PaperSize::A4),
        port: address.port(),
        name: None,
        encryption: None,
        door: None,
    };
    let served = tokio::spawn(serve(listener, state, rig.cancel.clone()));
    let mut page = tokio::net::TcpStream::connect(address).await.unwrap();
    let request = format!("GET /events HTTP/1.1\r\nhost: {address}\r\n\r\n");
    tokio::io::AsyncWriteExt::write_all(&mut page, request.as_bytes()).await.unwrap();
    let mut start = [0; 12];
    tokio::io::AsyncReadExt::read_exact(&mut page, &mut start).await.unwrap();
    assert_eq!(&start, b"HTTP/1.1 200");
    rig.cancel.cancel();
    tokio::time::timeout(Duration::from_secs(5), served).await.expect("it went on").unwrap().unwrap();
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_view_shows_the_running_interval_with_its_window() {
    let rig = Rig::new().await;
    let specimen = rig.filled("S-1", 3).await;
    rig.mark(&specimen, "soak", "begin").await;
    rig.clock.advance_by(100 * SECOND);
    let view = rig.view().await;
    let running = &view["places"][2]["specimen"]["running"];
    // 10 min +/- 1 min, from the shipped method file.
    assert_eq!(running["elapsedMs"], 100_000);
    assert_eq!((&running["opensMs"], &running["closesMs"]), (&json!(540_000), &json!(660_000)));
    assert_eq!(running["window"], "540 to 660 s");
    assert_eq!(view["doNext"][0]["opensInMs"], 440_000);
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn while_the_clock_is_not_set_the_time_is_not_known() {
    let rig = Rig::new().await;
    let specimen = rig.filled("S-1", 3).await;
    rig.mark(&specimen, "soak", "begin").await;
    let committed = rig.station.committed().borrow().clone();
    let shown = |off_ns: i64| {
        // The machine was started again a minute ago.
        let mut now = rig.clock.now().plus(600 * SECOND);
        (now.boot, now.boot_ns) = (Uuid::now_v7(), 60 * SECOND);
        now.wall_ns -= off_ns;
        view::view(&view::Seen {
            bench: &committed.bench,
            sequence: committed.sequence,
            fault: None,
            now,
            running_clock: true,
            zone: "UTC",
            units: Units::default(),
            waiting: 0,
            live: BTreeMap::new(),
            outputs: BTreeMap::new(),
        })
    };
    let lost = shown(7 * 365 * 86_400 * SECOND);
    let running = &lost["places"][2]["specimen"]["running"];
    assert_eq!((&running["elapsedMs"], &running["clock"]), (&Value::Null, &json!("wall-clock")));
    assert_eq!(
        (&lost["doNext"][0]["unknown"], &lost["doNext"][0]["closesInMs"]),
        (&json!(true), &Value::Null)
    );
    assert_eq!(lost["ahead"], json!([]));
    let set = shown(0);
    assert_eq!(set["places"][2]["specimen"]["running"]["elapsedMs"], 600_000);
    assert_eq!(set["doNext"][0]["unknown"], false);
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn documents_are_listed_and_read_as_published() {
    let rig = Rig::new().await;
    let specimen = rig.filled("S-1", 1).await;
    for (step, edge) in [("soak", "begin"), ("shake", "begin"), ("shake", "end"), ("irrigate", "begin")] {
        rig.mark(&specimen, step, edge).await;
        rig.clock.advance_by(45 * SECOND);
    }
    rig.mark(&specimen, "irrigate", "end").await;
    for (of, value) in [("clay", "8.0"), ("sand", "13.3")] {
        let what = json!({ "act": "enter-reading", "specimen": specimen, "of": of, "value": value });
        assert_eq!(rig.act(what).await.status, 200);
    }
    let list = rig.get("/documents?kind=record").await.json();
    let line = &list["documents"][0];
    assert_eq!((&line["label"], &line["result"]), (&json!("S-1-1"), &json!("42")));
    let document = rig.get(&format!("/documents/{}", line["id"].as_str().unwrap())).await;
    assert_eq!(document.headers["content-type"], "application/cloudevents+json");
    assert_eq!(document.headers["cache-control"], "no-store");
    let record = document.json();
    assert_eq!(record["data"]["specimen"]["label"], "S-1-1");
    assert_eq!(line["deviations"], record["data"]["deviations"].as_array().unwrap().len());
    // Nothing lies before the first; the sample's result is a document of another kind.
    let number = line["number"].as_u64().unwrap();
    assert_eq!(rig.get(&format!("/documents?before={number}")).await.json()["documents"], json!([]));
    assert_eq!(rig.get("/documents?kind=result").await.json()["documents"][0]["result"], "42");
    for (query, words) in
        [("kind=letter", "letter"), ("limit=0", "limit"), ("after=3", "after"), ("before=x", "before")]
    {
        let answer = rig.get(&format!("/documents?{query}")).await;
        assert_eq!(answer.status, 400, "{query}");
        assert!(answer.json()["detail"].as_str().unwrap().contains(words), "{}", answer.body);
    }
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn page_files_have_their_type_and_are_fetched_once() {
    let rig = Rig::new().await;
    let page = rig.get("/").await;
    assert!(page.headers["content-type"].to_str().unwrap().starts_with("text/html"));
    // Everything that the page names is there, and nothing stands in it that the policy forbids.
    let named: Vec<&str> = page.body.split('"').filter(|s| s.starts_with("/page/")).collect();
    assert!(named.len() >= 3, "{named:?}");
    for path in named {
        let file = rig.get(path).await;
        assert_eq!(file.status, 200, "{path}");
        let tag = file.headers["etag"].to_str().unwrap();
        let again = rig.send("GET", path, &[("host", HOST), ("if-none-match", tag)], "").await;
        assert_eq!((again.status, again.body.as_str()), (304, ""), "{path}");
    }
    for html in [page.body, rig.get("/record/anything").await.body] {
        assert!(!html.contains("style=") && !html.contains("onclick") && !html.contains("<style"));
    }
    assert!(!page.headers["content-security-policy"].to_str().unwrap().contains("unsafe"));
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_level_would_be_recorded_as_is_told_while_it_is_typed_and_changes_nothing() {
    let rig = Rig::new().await;
    let specimen = rig.filled("S-1", 3).await;
    let before = rig.get("/view").await.json()["sequence"].clone();
    let ask = |of: &str, value: &str| format!("/reading?specimen={specimen}&of={of}&value={value}");
    // Worked example of T 176 (WAQTC FOP): a clay level of 7.95 is recorded as 8.0; the sand's 3.22 as 3.3,
    // here read at the indicator, 10 in higher.
    let clay = rig.get(&ask("clay", "7.95")).await.json();
    assert_eq!((&clay["recorded"], &clay["moved"]), (&json!("8.0"), &json!(true)));
    let sand = rig.get(&ask("sand", "13.22")).await.json();
    assert_eq!(
        (&sand["recorded"], &sand["reading"], &sand["offset"]),
        (&json!("3.3"), &json!("3.22"), &json!("10"))
    );
    let over = rig.get(&ask("clay", "15.4")).await;
    assert_eq!(over.status, 409);
    assert!(over.json()["text"].as_str().unwrap().contains("top mark"), "{}", over.body);
    assert_eq!(rig.get("/reading?specimen=none&of=clay&value=1").await.status, 400);
    assert_eq!(rig.get("/view").await.json()["sequence"], before);
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_is_whole_in_each_language_and_says_which_it_is() {
    let rig = Rig::new().await;
    let sample = rig.sample("S-1").await;
    let papers =
        [format!("/report/{sample}"), format!("/samples/{sample}/label"), format!("/worksheet/{METHOD}")];
    for (language, words) in [("en", "Do next"), ("es", "A continuación")] {
        let app = super::app(AppState { words: words::Words::of(language).unwrap(), ..rig.state.clone() });
        for path in [
            "/",
            "/room",
            "/samples",
            "/records",
            "/settings",
            "/equipment",
            "/solutions",
            "/people",
            "/review",
            "/charts",
        ]
        .into_iter()
        .chain(papers.iter().map(String::as_str))
        {
            let request = Request::builder().uri(path).header("host", HOST).body(Body::empty()).unwrap();
            let response = app.clone().oneshot(request).await.unwrap();
            let body = axum::body::to_bytes(response.into_body(), 1 << 20).await.unwrap();
            let html = String::from_utf8(body.to_vec()).unwrap();
            assert!(html.contains(&format!("<html lang=\"{language}\">")), "{path}");
            assert!(
                !html.contains("{{") && !html.contains("<!--"),
                "{path}: something was not filled in:\n{html}"
            );
            assert_eq!(path == "/", html.contains(words), "{path}");
        }
    }
    rig.end().await;
}
