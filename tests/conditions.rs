//! Conditions that come and go at the bench, also while the program is not there to see it.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::http::Events;
use common::lab::Lab;
use common::lines::print_key;
use common::mosquitto::Mosquitto;
use common::running::{Running, alarm, at_place, is_active, is_over};
use common::site::{STATION, Site, settings};
use common::soon;
use serde_json::{Value, json};
use std::time::Duration;
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;
use tokio::sync::watch;
use uuid::Uuid;

/// A specimen from its tin to its record, by the page alone.
async fn quick_specimen(bench: &Running, label: &str, place: usize) -> Uuid {
    let sample = bench.sample(label, 1).await;
    let specimen = bench.specimen(sample, place).await;
    bench.soaking(specimen).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    specimen
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn records_wait_for_the_broker_and_for_a_reader_through_power_cuts() {
    let port = common::mosquitto::free_port();
    let site = Site::new("away", Some(port));
    let bench = site.start().await;
    bench.until("no broker", |v| is_active(v, "network-away")).await;
    quick_specimen(&bench, "Lot 1", 1).await;
    bench.until("record and result wait", |v| v["waiting"] == 2).await;
    site.kill(bench).await;

    let broker = Mosquitto::start_at(port, "topic readwrite #\n").await;
    let bench = site.start().await;
    bench
        .until("a broker, but nobody reads", |v| {
            is_over(v, "network-away") && is_active(v, "network-no-subscriber") && v["waiting"] == 2
        })
        .await;
    quick_specimen(&bench, "Lot 2", 2).await;
    site.kill(bench).await;

    let topics = ["record", "result"].map(|last| format!("stillstand/1/{STATION}/{last}"));
    let mut reader = broker.reader(&topics).await;
    let bench = site.start().await;
    for (n, kind) in ["record", "result", "record", "result"].iter().enumerate() {
        let (topic, text) = reader.next(kind).await;
        let document: Value = serde_json::from_str(&text).unwrap();
        assert_eq!((topic.as_str(), &document["sequence"]), (*kind, &format!("{:010}", n + 1).into()));
    }
    bench
        .until("the network is well again, and the page says so", |v| {
            v["waiting"] == 0 && !is_active(v, "network-no-subscriber") && !is_active(v, "network-away")
        })
        .await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_settings_no_longer_name_raises_no_alarm_for_ever() {
    let site = Site::new("fewer", None);
    let bench = site.start().await;
    let sample = bench.sample("At the far end", 1).await;
    let specimen = bench.specimen(sample, 8).await;
    site.balance.pull().await;
    bench.until("the balance is gone", |v| is_active(v, "instrument-gone-balance")).await;
    assert_eq!(bench.stop().await, 0);

    // The balance is given away, and the bench gets smaller while a cylinder stands at its end.
    let text = settings(&site.folder, None, "[bench]\nplaces = 2\n");
    let cut = |text: &str, from: &str, to: &str| {
        let (head, rest) = text.split_once(from).unwrap();
        let (_, tail) = rest.split_once(to).unwrap();
        format!("{head}{to}{tail}")
    };
    let text = cut(&text, "[instruments.balance]", "[instruments.probe]");
    let text = cut(&text, "[triggers.place-3]", "[bench]");
    site.folder.write("stillstand.toml", &text);
    let bench = site.start().await;
    let view = bench.view().await;
    assert!(!is_active(&view, "instrument-gone-balance"), "{:#}", view["alarms"]);
    assert_eq!(view["instruments"].as_array().unwrap().len(), 1);
    assert_eq!(at_place(&view, 8)["id"], specimen.to_string(), "a cylinder is never out of sight");
    bench.soaking(specimen).await;
    let text = bench.refused(json!({ "act": "register-specimen", "sample": sample, "place": 3 })).await;
    assert!(text.contains("1 to 2"), "{text}");
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stray_message_is_shown_until_somebody_has_seen_it() {
    let lab = Lab::open().await;
    let site = Site::new("stray", Some(lab.port()));
    let bench = site.start().await;
    lab.reaches_station().await;
    for _ in 0..3 {
        assert_eq!(lab.press("garage-door", "press").await["outcome"], "refused");
    }
    let view = bench.until("the stray press", |v| alarm(v, "trigger-refused-unknown").is_some()).await;
    assert_eq!(view["refused"].as_array().unwrap().len(), 3, "each is shown");
    let occurrence = &alarm(&view, "trigger-refused-unknown").unwrap()["occurrence"];
    bench.done(json!({ "act": "acknowledge-alarm", "occurrence": occurrence })).await;
    bench.until("back to normal", |v| alarm(v, "trigger-refused-unknown").is_none()).await;
    assert_eq!(lab.press("garage-door", "press").await["outcome"], "refused");
    bench.until("the next one is a new occurrence", |v| alarm(v, "trigger-refused-unknown").is_some()).await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_solutions_temperature_is_watched_and_its_absence_is_never_good() {
    let lab = Lab::open().await;
    let site = Site::new("warm", Some(lab.port()));
    let quick = "[bench]\ntemperature-alarm-s = 1\ntemperature-stale-s = 2\ntemperature-idle-s = 1\n";
    site.folder.write("stillstand.toml", &settings(&site.folder, Some(lab.port()), quick));
    let bench = site.start().await;
    let sample = bench.sample("Warm day", 1).await;
    let specimen = bench.specimen(sample, 1).await;
    bench.soaking(specimen).await;
    site.probe.shows.send_replace("26.10".to_owned());
    bench.until("too warm", |v| is_active(v, "temperature-high")).await;
    site.probe.shows.send_replace("22.0".to_owned());
    bench.until("well again", |v| is_over(v, "temperature-high")).await;
    site.probe.shows.send_replace(String::new());
    let view = bench.until("silent", |v| is_active(v, "probe-silent")).await;
    assert_eq!(view["probe"]["reading"]["stale"], true, "an old temperature is not shown as if it held");
    site.probe.shows.send_replace("22.1".to_owned());
    bench.until("it speaks again", |v| is_over(v, "probe-silent")).await;
    bench.done(json!({ "act": "take-probe-out" })).await;
    site.probe.shows.send_replace("31.0".to_owned());
    bench.until("the hand warms it", |v| v["probe"]["reading"]["text"] == "31.0").await;
    site.probe.shows.send_replace("22.2".to_owned());
    bench.until("it has cooled", |v| v["probe"]["reading"]["text"] == "22.2").await;
    bench.done(json!({ "act": "put-probe-in", "stands-in": "dummy-cylinder" })).await;
    bench.until("it reads where it stands now", |v| !v["probe"]["reading"].is_null()).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    let record = lab.takes(1).await.remove(0).1;
    let told = &record["data"]["temperature"];
    assert_eq!(told["maximum"]["text"], "26.10", "out of the solution it is no temperature: {told:#}");
    assert_eq!((&told["minimum"]["text"], &told["probe"]), (&"22.0".into(), &"dummy-cylinder".into()));
    let seconds = |key: &str| told[key]["text"].as_str().unwrap().parse::<f64>().unwrap();
    assert!(seconds("above") >= 1.0 && seconds("withoutReading") > 0.0, "{told:#}");
    let codes: Vec<&str> = record["data"]["deviations"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| d["code"].as_str().unwrap())
        .collect();
    assert!(codes.contains(&"temperature-high") && codes.contains(&"temperature-not-shown"), "{codes:?}");
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn open_pages_and_silent_clients_do_not_keep_the_station_from_ending() {
    let site = Site::new("open", None);
    let bench = site.start().await;
    let mut page = Events::open(bench.pages).await.unwrap();
    soon("the page is served", page.next()).await.unwrap();
    let _silent = TcpStream::connect(bench.pages).await.unwrap();
    let mut half = TcpStream::connect(bench.pages).await.unwrap();
    half.write_all(b"POST /act HTTP/1.1\r\nHost: 127").await.unwrap();
    site.balance.say(print_key("1.00")).await;
    let ended = tokio::time::timeout(Duration::from_secs(10), bench.stop()).await;
    assert_eq!(ended.expect("long before a supervisor loses patience"), 0);
    let gone = async { while page.next().await.is_ok() {} };
    soon("the page notices at once", gone).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn instruments_that_speak_only_when_asked_are_asked() {
    let site = Site::new("asked", None);
    site.probe.shows.send_replace(String::new());
    let text = settings(&site.folder, None, "")
        .replace("balance-trailing-mark", "balance-status-words")
        .replace("probe-text-unit", "probe-polled-number");
    site.folder.write("stillstand.toml", &text);
    let (load, shown) = watch::channel("S S       0.00 g\r\n".to_owned());
    let (warmth, celsius) = watch::channel("+022.41\r".to_owned());
    let balance = site.balance.answers("SI\r\n", shown);
    let probe = site.probe.wire.answers("T\r", celsius);
    let bench = site.start().await;
    bench.until("a temperature", |v| v["probe"]["reading"]["text"] == "22.41").await;
    // What lies there when the station comes may have been weighed before; a load that moves is none.
    let before = bench.view().await["balance"]["weighings"].as_i64().unwrap();
    load.send_replace("S D     310.02 g\r\n".to_owned());
    bench.until("the moving load is shown", |v| v["instruments"][0]["live"] == "310.02 g").await;
    load.send_replace("S S     412.70 g\r\n".to_owned());
    let view = bench.until("one weighing", |v| v["balance"]["kept"][0]["mass"] == "412.70 g").await;
    assert!(view["balance"]["weighings"].as_i64().unwrap() <= before + 1);
    // The same load, asked about again and again, is one weighing.
    let lines = |v: &Value| v["instruments"][0]["lines"].as_i64().unwrap();
    let so_far = lines(&view);
    let view = bench.until("three more answers", |v| lines(v) >= so_far + 3).await;
    assert!(view["balance"]["weighings"].as_i64().unwrap() <= before + 1, "{}", view["balance"]);
    balance.abort();
    bench.until("no answer is an alarm", |v| is_active(v, "no-answer-balance")).await;
    warmth.send_replace("+0".to_owned());
    bench
        .until("half a number is nonsense or no answer, never a temperature", |v| {
            is_active(v, "probe-nonsense-probe") || is_active(v, "no-answer-probe")
        })
        .await;
    assert_eq!(bench.view().await["probe"]["reading"]["text"], "22.41");
    probe.abort();
    assert_eq!(bench.stop().await, 0);
}
