//! The built program at a bench: serial lines, switches over a broker, the page, the network.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lab::Lab;
use common::lines::{print_key, print_key_moving, probe_line};
use common::mosquitto::Mosquitto;
use common::running::{Running, alarm, at_place, is_active, is_over};
use common::site::{STATION, Site};
use common::{program, soon};
use serde_json::{Value, json};
use uuid::Uuid;

fn topic(rest: &str) -> String {
    format!("stillstand/1/{STATION}/{rest}")
}

/// Sends a trigger as any button can, and waits until the page shows what it did.
async fn press(
    broker: &Mosquitto,
    bench: &Running,
    trigger: &str,
    payload: &str,
    shows: impl Fn(&Value) -> bool,
) {
    broker.publish(&topic(&format!("trigger/{trigger}")), payload, &[]).await;
    bench.until(&format!("the effect of {trigger} {payload}"), shows).await;
}

fn runs(place: usize, step: &str) -> impl Fn(&Value) -> bool {
    move |view| at_place(view, place)["running"]["step"] == step
}

/// Plays one specimen at place 3 whose intervals are all far too short.
async fn short_specimen(broker: &Mosquitto, bench: &Running, site: &Site) -> Uuid {
    let sample = bench.sample("Quarry fines 21", 1).await;
    bench.done(json!({ "act": "prepare", "sample": sample, "what": { "done": "sieved" } })).await;
    bench.done(json!({ "act": "await-sample-mass", "sample": sample, "name": "passing" })).await;
    site.balance.say(print_key_moving("1203.1")).await;
    site.balance.say(print_key("1204.5")).await;
    bench.until("the sample's mass", |v| v["balance"]["weighings"] == 1).await;
    let specimen = bench.specimen(sample, 3).await;
    bench.done(json!({ "act": "await-specimen-mass", "specimen": specimen })).await;
    site.balance.say(print_key("152.30")).await;
    bench.until("the tin's mass", |v| at_place(v, 3)["mass"] == "152.30 g").await;
    bench.mark(specimen, "tin", "done").await;
    bench.soaking(specimen).await;
    bench.lasted(3, "soak", 700).await;
    bench.mark(specimen, "loosen", "begin").await;
    press(broker, bench, "shaker", "on", runs(3, "shake")).await;
    bench.lasted(3, "shake", 1200).await;
    press(broker, bench, "shaker", "off", |v| at_place(v, 3)["running"]["step"] != "shake").await;
    press(broker, bench, "foot-switch", "press", runs(3, "irrigate")).await;
    press(broker, bench, "foot-switch", "PRESS", runs(3, "sedimentation")).await;
    bench.lasted(3, "sedimentation", 500).await;
    press(broker, bench, "place-3", "press", |v| at_place(v, 3)["running"].is_null()).await;
    // 3.3 / 8.0 is the published worked example of AASHTO T 176: reported 42. (It prints 41.2 for
    // 41.25; a tie goes up here.) The indicator stands 10 in above the foot.
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    specimen
}

fn number(text: &Value) -> f64 {
    text.as_str().unwrap().trim_end_matches(" s").parse().unwrap()
}

/// Exactly the three short intervals, with what was required, what was, and by how much.
fn judge_deviations(data: &Value) {
    let found = data["deviations"].as_array().unwrap();
    let expected = [
        ("soak", "540 to 660 s", 540.0),
        ("shake", "44 to 46 s", 44.0),
        ("sedimentation", "1185 to 1215 s", 1185.0),
    ];
    assert_eq!(found.len(), 3, "{found:#?}");
    for (deviation, (step, required, least)) in found.iter().zip(expected) {
        assert_eq!((&deviation["code"], &deviation["step"]), (&"interval-short".into(), &step.into()));
        assert_eq!(deviation["required"], required);
        let (actual, by) = (number(&deviation["actual"]), number(&deviation["by"]));
        assert!(actual > 0.0 && (actual + by - least).abs() < 1e-6, "{deviation}");
        let told = data["steps"].as_array().unwrap().iter().find(|s| s["name"] == step).unwrap();
        assert_eq!(number(&told["duration"]["text"]).to_bits(), actual.to_bits(), "{told}");
        assert_eq!(told["verdict"], "short");
        assert_eq!(told["duration"]["clock"], "boot-clock");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_specimen_from_the_tin_to_the_laboratory_network() {
    let broker = Mosquitto::start("topic readwrite #\n").await;
    let mut reader = broker.reader(&["record", "result", "weighing"].map(topic)).await;
    let site = Site::new("whole", Some(broker.port));
    let bench = site.start().await;
    bench.until("connected", |v| !is_active(v, "network-away") && !v["probe"]["reading"].is_null()).await;
    let status: Value = serde_json::from_str(&broker.retained(&topic("status")).await).unwrap();
    assert_eq!(status["state"], "online");
    // Whoever can ask the station by then can press, too.
    let asked: Value = serde_json::from_str(&broker.ask(&topic("ask/view"), "").await).unwrap();
    assert_eq!(asked["station"]["id"], STATION);

    let specimen = short_specimen(&broker, &bench, &site).await;

    let mut documents: Vec<(String, String)> = Vec::new();
    for n in 1..=4 {
        documents.push(reader.next(&format!("document {n}")).await);
    }
    let kinds: Vec<&str> = documents.iter().map(|(kind, _)| kind.as_str()).collect();
    assert_eq!(kinds, ["weighing", "weighing", "record", "result"]);
    let json = |n: usize| serde_json::from_str::<Value>(&documents[n].1).unwrap();
    for n in 0..4 {
        assert_eq!(json(n)["sequence"], format!("{:010}", n + 1));
    }
    let record = json(2);
    assert_eq!(record["subject"], specimen.to_string());
    let data = &record["data"];
    judge_deviations(data);
    assert_eq!(data["specimen"]["mass"]["text"], "152.30");
    assert_eq!(data["specimen"]["mass"]["origin"]["raw"], print_key("152.30").escape_default().to_string());
    assert_eq!(data["sample"]["masses"]["passing"]["text"], "1204.5");
    assert_eq!(
        (&data["readings"]["sand"]["text"], &data["readings"]["sand"]["entered"]),
        (&"3.3".into(), &"13.3".into())
    );
    assert_eq!(
        (&data["result"]["text"], &data["calculation"]["ratio"]["text"]),
        (&"42".into(), &"41.3".into())
    );
    assert_eq!(data["temperature"]["maximum"]["text"], "22.4");
    assert_eq!(data["temperature"]["withoutReading"]["text"], "0.0");
    assert_eq!(data["station"]["rehearsal"], false);
    let shaken = data["steps"].as_array().unwrap().iter().find(|s| s["name"] == "shake").unwrap();
    assert_eq!(shaken["begin"]["by"]["via"], "trigger shaker");
    assert_eq!(json(3)["data"]["result"]["text"], "42");

    // The page gives it byte by byte as it was published.
    let shown = bench.get(&format!("/documents/{}", record["id"].as_str().unwrap())).await;
    assert_eq!((shown.status, &shown.text), (200, &documents[2].1));
    bench.mark(specimen, "clean", "done").await;
    bench.until("place 3 is free, nothing waits", |v| at_place(v, 3).is_null() && v["waiting"] == 0).await;

    assert_eq!(bench.stop().await, 0);
    let status: Value = serde_json::from_str(&broker.retained(&topic("status")).await).unwrap();
    assert_eq!(status["state"], "offline");
    let verified = program(&["verify", site.journal().to_str().unwrap()]).await;
    assert_eq!(verified.code, 0, "{}", verified.err);
}

/// A specimen settles at place 1 and one soaks at place 2 while all around goes wrong.
async fn two_at_work(bench: &Running) -> [Uuid; 2] {
    let sample = bench.sample("Terrace sand 2", 2).await;
    let one = bench.specimen(sample, 1).await;
    bench.soaking(one).await;
    bench.settling(one).await;
    let two = bench.specimen(sample, 2).await;
    bench.soaking(two).await;
    [one, two]
}

/// What must not change: who stands where, at which version, and what runs since when.
fn at_work(view: &Value) -> Vec<(Value, Value, Value, i64)> {
    let now = view["now"]["wallMs"].as_i64().unwrap();
    let places = view["places"].as_array().unwrap().iter().map(|p| &p["specimen"]);
    places
        .filter(|s| !s.is_null())
        .map(|s| {
            let running = &s["running"];
            let begin = now - running["elapsedMs"].as_i64().unwrap_or(now);
            // Both are cut to whole milliseconds, and the wall clock may be steered.
            (s["id"].clone(), s["version"].clone(), running["step"].clone(), (begin + 50) / 100)
        })
        .collect()
}

fn same_work(before: &Value, after: &Value) {
    let (before, after) = (at_work(before), at_work(after));
    assert_eq!(before.len(), after.len());
    for (b, a) in before.iter().zip(&after) {
        assert_eq!((&b.0, &b.1, &b.2), (&a.0, &a.1, &a.2));
        assert!((b.3 - a.3).abs() <= 1, "the interval's begin moved: {b:?} {a:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn garbage_and_half_lines_become_no_number_and_stop_nothing() {
    let lab = Lab::open().await;
    let site = Site::new("garbage", Some(lab.port()));
    let bench = site.start().await;
    two_at_work(&bench).await;
    let before = bench.view().await;
    let noise: Vec<u8> =
        (0..6000_u32).map(|n| u8::try_from(n.wrapping_mul(2_654_435_761) >> 24).unwrap()).collect();
    for wire in [&site.balance, &site.probe.wire] {
        wire.say(&noise).await;
        wire.say("\r\n").await;
        wire.say("      52.3").await;
        wire.say("\r\n").await;
    }
    site.probe.wire.say(probe_line("853.0")).await;
    let view = bench
        .until("both alarms of nonsense", |v| {
            alarm(v, "balance-nonsense-balance").is_some() && alarm(v, "probe-nonsense-probe").is_some()
        })
        .await;
    assert_eq!(view["balance"]["weighings"], 0, "noise is no mass");
    assert!(is_active(&view, "balance-nonsense-balance"));
    // Half a line, and its rest much later: one line, one weighing.
    let line = print_key("61.75");
    let (head, tail) = line.split_at(8);
    site.balance.say(head).await;
    bench.until("the probe goes on meanwhile", |v| is_over(v, "probe-nonsense-probe")).await;
    site.balance.say(tail).await;
    let view = bench.until("the weighing after the noise", |v| v["balance"]["weighings"] == 1).await;
    assert_eq!(view["balance"]["kept"][0]["mass"], "61.75 g");
    assert!(is_over(&view, "balance-nonsense-balance"));
    same_work(&before, &view);
    assert!(
        bench.said().contains("balance-nonsense") || bench.said().contains("alarm-raised"),
        "{}",
        bench.said()
    );
    assert_eq!(bench.stop().await, 0);
}

async fn wrong_triggers(lab: &Lab, bench: &Running) {
    let answer = lab.press("place-9", "press").await;
    assert_eq!(answer["outcome"], "refused");
    let text = answer["text"].as_str().unwrap();
    assert!(text.contains("place-9") && text.contains("place-8"), "says what there is: {text}");
    let answer = lab.press("place-1", "presss").await;
    assert!(answer["text"].as_str().unwrap().contains("send on, off or press"), "{answer}");
    lab.publish("trigger/place-2", b"press", true).await;
    let view = bench
        .until("the retained press is shown", |v| {
            v["refused"].as_array().unwrap().iter().any(|r| r["why"].as_str().unwrap().contains("retain"))
        })
        .await;
    assert!(alarm(&view, "trigger-refused-unknown").is_some() && is_active(&view, "trigger-refused-place-2"));
    // A press that names no cylinder while nothing is due is kept, and asked about.
    let answer = lab.press("foot-switch", "press").await;
    assert_eq!(answer["outcome"], "done");
    let view = bench.until("the kept press", |v| v["presses"].as_array().unwrap().len() == 1).await;
    assert!(view["presses"][0]["why"].as_str().unwrap().contains("no act is due"), "{view:#}");
    bench.done(json!({ "act": "dismiss-press", "press": view["presses"][0]["id"] })).await;
}

async fn wrong_acts(lab: &Lab, bench: &Running, [one, two]: [Uuid; 2]) {
    for (body, word) in [
        (r#"{"id":"0190", "#, "not an act"),
        (r#"{"id":"019f0000-0000-7fff-bfff-ffffffffffff","do":{"act":"dance"}}"#, "dance"),
        (
            r#"{"id":"019f0000-0000-7fff-bfff-ffffffffffff","do":{"act":"stop-awaiting"},"forced":1}"#,
            "forced",
        ),
        (r#"{"do":{"act":"stop-awaiting"}}"#, "id"),
    ] {
        let answer = bench.post(body.as_bytes()).await;
        assert_eq!((answer.status, answer.kind.as_str()), (400, "application/problem+json"));
        assert!(answer.json()["detail"].as_str().unwrap().contains(word), "{}", answer.text);
        let reply = lab.ask("ask/act", body.as_bytes()).await;
        assert_eq!(reply["outcome"], "refused");
        assert!(reply["text"].as_str().unwrap().contains(word.trim_start_matches("not an ")), "{reply}");
    }
    let large = vec![b' '; 70 * 1024];
    assert_eq!(bench.post(&large).await.status, 400);
    let form = common::http::post(bench.pages, "/act", "text/plain", b"{}").await.unwrap();
    assert_eq!(form.status, 403, "a form of another page is no act: {}", form.text);
    let reply = lab.ask("ask/dance", b"{}").await;
    assert!(reply["text"].as_str().unwrap().contains("dance"), "{reply}");
    let refused = |what: Value| async { bench.refused(what).await };
    let text = refused(json!({ "act": "mark", "specimen": two, "step": "shake", "edge": "end" })).await;
    assert!(text.contains("possible"), "{text}");
    let text = refused(json!({ "act": "mark", "specimen": one, "step": "boil", "edge": "done" })).await;
    assert!(text.contains("boil") && text.contains("sedimentation"), "{text}");
    let sample = bench.view().await["samples"][0]["id"].clone();
    let text = refused(json!({ "act": "register-specimen", "sample": sample, "place": 99 })).await;
    assert!(text.contains("99") && text.contains("1 to 8"), "{text}");
    let text = refused(json!({ "act": "register-specimen", "sample": sample, "place": 1 })).await;
    assert!(text.contains("Terrace sand 2-1"), "{text}");
}

async fn wrong_readings(bench: &Running, one: Uuid) -> Value {
    bench.mark(one, "sedimentation", "end").await;
    let enter =
        |of: &str, value: &str| json!({ "act": "enter-reading", "specimen": one, "of": of, "value": value });
    for value in ["0", "15.2", "-3", "8,0", "1e1", "", "NaN"] {
        let text = bench.refused(enter("clay", value)).await;
        assert!(text.contains("clay"), "{value}: {text}");
    }
    bench.enter(one, "clay", "3.0").await;
    for value in ["9.9", "3.1", "25.2"] {
        let text = bench.refused(enter("sand", value)).await;
        assert!(text.contains("sand") || text.contains("indicator"), "{value}: {text}");
    }
    // Sand over clay: asked about once, then accepted as a deviation.
    let text = bench.refused(enter("sand", "13.4")).await;
    assert!(text.contains("higher than the clay reading"), "{text}");
    let mut confirmed = enter("sand", "13.4");
    confirmed["confirmed"] = true.into();
    bench.done(confirmed).await;
    bench.view().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_wrong_is_refused_in_words_and_costs_the_other_specimen_nothing() {
    let lab = Lab::open().await;
    let site = Site::new("wrong", Some(lab.port()));
    let bench = site.start().await;
    lab.reaches_station().await;
    let specimens = two_at_work(&bench).await;
    let before = bench.view().await;
    wrong_triggers(&lab, &bench).await;
    wrong_acts(&lab, &bench, specimens).await;
    same_work(&before, &bench.view().await);
    let view = wrong_readings(&bench, specimens[0]).await;
    let (_, record) = lab.takes(1).await.remove(0);
    let codes: Vec<&Value> =
        record["data"]["deviations"].as_array().unwrap().iter().map(|d| &d["code"]).collect();
    assert!(codes.contains(&&"sand-over-clay".into()), "{codes:?}");
    let (mut before, mut after) = (at_work(&before), at_work(&view));
    assert_eq!((before.len(), after.len()), (2, 2));
    let (before, after) = (before.remove(1), after.remove(1));
    assert_eq!((before.0, before.1, before.2), (after.0, after.1, after.2), "the other one");
    assert_eq!(bench.stop().await, 0);
    let verified = program(&["verify", site.journal().to_str().unwrap()]).await;
    assert_eq!(verified.code, 0, "{}", verified.err);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cable_that_was_pulled_is_put_back_without_a_restart() {
    let site = Site::new("cable", None);
    let bench = site.start().await;
    site.balance.say(print_key("10.00")).await;
    bench.until("a weighing", |v| v["balance"]["weighings"] == 1).await;
    // Half a line is on its way when the cable goes: it must not be glued to what comes later.
    site.balance.say("      99.9").await;
    site.balance.pull().await;
    let view = bench.until("the balance is gone", |v| is_active(v, "instrument-gone-balance")).await;
    assert!(
        alarm(&view, "instrument-gone-balance").unwrap()["text"].as_str().unwrap().contains("balance.port")
    );
    assert_eq!(view["instruments"][0]["port"], "gone");
    site.balance.put_back().await;
    bench.until("the balance is back", |v| is_over(v, "instrument-gone-balance")).await;
    site.balance.say(print_key("52.30")).await;
    let view = bench.until("a weighing", |v| v["balance"]["weighings"] == 2).await;
    assert_eq!(view["balance"]["kept"][0]["mass"], "52.30 g");
    // The probe too, and its silence is an alarm of its own kind, never a reading.
    site.probe.wire.pull().await;
    bench.until("the probe is gone", |v| is_active(v, "instrument-gone-probe")).await;
    site.probe.wire.put_back().await;
    bench.until("the probe is back", |v| is_over(v, "instrument-gone-probe")).await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn eight_specimens_at_eight_places_at_once_keep_apart() {
    let lab = Lab::open().await;
    let site = Site::new("eight", Some(lab.port()));
    let bench = site.start().await;
    lab.reaches_station().await;
    let mut specimens = Vec::new();
    for place in 1..=8 {
        let sample = bench.sample(&format!("Lot {place}"), 1).await;
        specimens.push(bench.specimen(sample, place).await);
    }
    futures_all(specimens.iter().map(|s| bench.soaking(*s))).await;
    let view = bench.view().await;
    assert!((1..=8).all(|place| runs(place, "soak")(&view)), "all soak at once");
    // One shaker, one contact, which names no cylinder: the loosened one is meant. Back to front.
    for place in (1..=8).rev() {
        bench.mark(specimens[place - 1], "loosen", "begin").await;
        let on = lab.press("shaker", "on").await;
        assert!(on["note"].as_str().unwrap().contains(&format!("Lot {place}-1")), "{on}");
        assert_eq!(lab.press("shaker", "off").await["outcome"], "done");
    }
    for place in [3, 1, 8, 2, 7, 5, 4, 6] {
        for _ in 0..3 {
            // Irrigation begins, ends; the eye reads the line.
            assert_eq!(lab.press(&format!("place-{place}"), "press").await["outcome"], "done");
        }
    }
    // Clay 10.0 everywhere; sand 1.0 at place 1, 2.0 at place 2… : the result tells the place.
    futures_all(specimens.iter().map(|s| bench.enter(*s, "clay", "10.0"))).await;
    let enter = |(n, specimen): (usize, &Uuid)| {
        let (bench, specimen, sand) = (&bench, *specimen, format!("{}.0", 11 + n));
        async move { bench.enter(specimen, "sand", &sand).await }
    };
    futures_all(specimens.iter().enumerate().map(enter)).await;
    let documents = lab.takes(16).await;
    for place in 1..=8 {
        let label = format!("Lot {place}-1");
        let (_, record) = documents
            .iter()
            .find(|(kind, d)| kind == "record" && d["data"]["specimen"]["label"] == label.as_str())
            .unwrap_or_else(|| panic!("no record of {label}"));
        assert_eq!(record["data"]["specimen"]["place"], place);
        assert_eq!(record["data"]["result"]["text"], format!("{}", 10 * place), "{label}");
        assert_eq!(record["data"]["furtherRuns"], json!([]));
    }
    assert_eq!(bench.stop().await, 0);
}

/// All at once, as eight browsers would.
async fn futures_all<F: Future<Output = ()>>(all: impl Iterator<Item = F>) {
    let mut waiting: Vec<_> = all.map(Box::pin).collect();
    std::future::poll_fn(|context| {
        waiting.retain_mut(|one| one.as_mut().poll(context).is_pending());
        if waiting.is_empty() { std::task::Poll::Ready(()) } else { std::task::Poll::Pending }
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_service_managers_watchdog_is_fed() {
    let site = Site::new("watchdog", None);
    let bench = site.launch(&[("WATCHDOG_USEC", "600000")]).ready().await;
    let mut fed = 0;
    let mut buffer = [0; 4096];
    soon("five WATCHDOG=1", async {
        while fed < 5 {
            let length = bench.notify.recv(&mut buffer).await.unwrap();
            let text = String::from_utf8_lossy(buffer.get(..length).unwrap());
            // Faster than asked for, or the manager would end a healthy station.
            fed += usize::from(text.lines().any(|line| line == "WATCHDOG=1"));
        }
    })
    .await;
    let pause = async {
        loop {
            let length = bench.notify.recv(&mut buffer).await.unwrap();
            if String::from_utf8_lossy(buffer.get(..length).unwrap()).contains("WATCHDOG=1") {
                return;
            }
        }
    };
    let limit = std::time::Duration::from_millis(600);
    assert!(tokio::time::timeout(limit, pause).await.is_ok(), "within the limit that was asked for");
    assert_eq!(bench.stop().await, 0);
}
