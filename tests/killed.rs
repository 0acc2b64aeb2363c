//! The program is killed again and again, at instants that a seed chooses, while people act and
//! press without a pause: what it had confirmed is there once, and what ran goes on.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lab::Lab;
use common::running::{Running, at_place};
use common::site::Site;
use common::work::METHOD;
use common::{LOOK, http, program, soon};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use stillstand::journal::{EventRow, InputRow, Reader};
use tokio::sync::watch;
use uuid::Uuid;

/// Chooses the instants, unless the variable `KILL_SEED` names another.
const SEED: u64 = 20;
const KILLS: u32 = 14;
/// Specimens run through again and again at these; the rest of the bench is for the long soak.
const BUSY: [usize; 3] = [1, 2, 3];
const LONG: usize = 8;

/// What clients were told.
#[derive(Debug, Default)]
struct Notes {
    /// Acts by id, with the outcome that was confirmed.
    acts: BTreeMap<Uuid, String>,
    /// Acts that were sent once, with nobody waiting to send them again.
    hasty: BTreeSet<Uuid>,
    /// Switches of their own name, confirmed.
    presses: BTreeSet<String>,
    /// Presses of the one foot switch: sent, confirmed.
    foot: (usize, usize),
}

#[derive(Clone)]
struct Client {
    pages: watch::Receiver<Option<SocketAddr>>,
    notes: Arc<Mutex<Notes>>,
    stop: watch::Receiver<bool>,
}

impl Client {
    fn stopped(&self) -> bool {
        *self.stop.borrow()
    }

    async fn pages(&self) -> SocketAddr {
        let mut pages = self.pages.clone();
        let there = soon("pages", pages.wait_for(Option::is_some)).await.unwrap();
        there.unwrap()
    }

    /// One act until it is confirmed, under one id however often it is sent.
    async fn act(&self, what: &Value) -> Value {
        let id = Uuid::now_v7();
        let body = json!({ "id": id, "who": "Ash Fenn", "do": what }).to_string();
        let confirmed = async {
            loop {
                let pages = self.pages().await;
                match http::post(pages, "/act", "application/json", body.as_bytes()).await {
                    Ok(answer) if matches!(answer.status, 200 | 409) => return answer.json(),
                    Ok(answer) => assert!(answer.status >= 500, "{}", answer.text),
                    Err(_) => tokio::time::sleep(LOOK).await,
                }
            }
        };
        let answer = soon("an act is confirmed", confirmed).await;
        let outcome = answer["outcome"].as_str().unwrap().to_owned();
        self.notes.lock().unwrap().acts.insert(id, outcome);
        answer
    }

    async fn view(&self) -> Value {
        soon("a view", async {
            loop {
                if let Ok(answer) = http::get(self.pages().await, "/view").await {
                    return answer.json();
                }
                tokio::time::sleep(LOOK).await;
            }
        })
        .await
    }

    /// A sample and its specimen; a client that was cut off finds them by their label and place.
    async fn specimen(&self, label: &str, place: usize) -> Uuid {
        let what = json!({ "act": "register-sample", "label": label, "method": METHOD, "specimens": 1 });
        self.act(&what).await;
        let view = self.view().await;
        let samples = view["samples"].as_array().unwrap();
        let sample =
            &samples.iter().find(|s| s["label"] == label).expect("the sample that was confirmed")["id"];
        self.act(&json!({ "act": "register-specimen", "sample": sample, "place": place })).await;
        let view = self.view().await;
        let specimen = at_place(&view, place);
        assert_eq!(specimen["sample"], *sample, "the specimen that was confirmed");
        specimen["id"].as_str().unwrap().parse().unwrap()
    }

    /// Specimens one after the other at one place.
    async fn works_at(self, place: usize) {
        for n in 0.. {
            if self.stopped() {
                return;
            }
            let specimen = self.specimen(&format!("Lot {place}.{n}"), place).await;
            // Out of order: refused, and that is kept too.
            let wrong = json!({ "act": "mark", "specimen": specimen, "step": "clean", "edge": "done" });
            assert_eq!(self.act(&wrong).await["outcome"], "refused");
            for (step, edge) in [
                ("first fill", "done"),
                ("soak", "begin"),
                ("loosen", "begin"),
                ("shake", "begin"),
                ("shake", "end"),
                ("irrigate", "end"),
                ("sedimentation", "end"),
            ] {
                self.act(&json!({ "act": "mark", "specimen": specimen, "step": step, "edge": edge })).await;
            }
            for (of, value) in [("clay", "8.0"), ("sand", "13.3")] {
                self.act(&json!({ "act": "enter-reading", "specimen": specimen, "of": of, "value": value }))
                    .await;
            }
            self.act(&json!({ "act": "mark", "specimen": specimen, "step": "clean", "edge": "done" })).await;
        }
    }

    /// Acts that nobody sends again.
    async fn hastens(self) {
        while !self.stopped() {
            let id = Uuid::now_v7();
            let body = json!({ "id": id, "do": { "act": "stop-awaiting" } }).to_string();
            self.notes.lock().unwrap().hasty.insert(id);
            let pages = self.pages().await;
            let answer = http::post(pages, "/act", "application/json", body.as_bytes()).await;
            if answer.is_ok_and(|a| a.status == 200) {
                self.notes.lock().unwrap().acts.insert(id, "done".to_owned());
            }
            tokio::time::sleep(LOOK).await;
        }
    }

    /// Presses on the network, one at a time.
    async fn presses(self, lab: Arc<Lab>) {
        let patience = Duration::from_millis(400);
        for n in 0.. {
            if self.stopped() {
                return;
            }
            let name = format!("button-{n}");
            let answer = lab.try_ask(&format!("trigger/{name}"), b"press", patience).await;
            if let Some(answer) = answer {
                assert_eq!(answer["outcome"], "refused", "the settings do not know it");
                self.notes.lock().unwrap().presses.insert(name);
            }
            self.notes.lock().unwrap().foot.0 += 1;
            if lab.try_ask("trigger/foot-switch", b"press", patience).await.is_some() {
                self.notes.lock().unwrap().foot.1 += 1;
            }
        }
    }
}

/// When the long soak began, as the page tells it, in milliseconds of wall time.
async fn long_soak(bench: &Running) -> i64 {
    let view = bench.view().await;
    let running = &at_place(&view, LONG)["running"];
    assert_eq!((&running["step"], &running["clock"]), (&"soak".into(), &"boot-clock".into()), "{running}");
    view["now"]["wallMs"].as_i64().unwrap() - running["elapsedMs"].as_i64().unwrap()
}

fn all_events(reader: &Reader) -> Vec<EventRow> {
    let mut events: Vec<EventRow> = Vec::new();
    loop {
        let more = reader.events(events.last().map_or(0, |e| e.seq), 1000).unwrap();
        if more.is_empty() {
            return events;
        }
        events.extend(more);
    }
}

fn all_inputs(reader: &Reader) -> Vec<InputRow> {
    let mut inputs = Vec::new();
    loop {
        let more = reader.inputs(u64::try_from(inputs.len()).unwrap(), 1000).unwrap();
        if more.is_empty() {
            return inputs;
        }
        inputs.extend(more);
    }
}

fn parsed(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

/// Compares what clients were told with what the journal holds.
fn compare(reader: &Reader, notes: &Notes) {
    let mut done: BTreeMap<String, usize> = BTreeMap::new();
    for event in all_events(reader).iter().filter(|e| e.kind == "act-done") {
        let act = parsed(event.payload.as_ref().unwrap())["act"].as_str().unwrap().to_owned();
        *done.entry(act).or_default() += 1;
    }
    assert!(done.values().all(|times| *times == 1), "no act was carried out twice");
    let inputs: Vec<(Value, Value)> =
        all_inputs(reader).iter().map(|row| (parsed(&row.payload), parsed(&row.outcome))).collect();
    for (id, outcome) in &notes.acts {
        let id = id.to_string();
        let kept: Vec<&str> = inputs
            .iter()
            .filter(|(input, _)| input["input"] == "act" && input["id"] == id.as_str())
            .map(|(_, outcome)| outcome["outcome"].as_str().unwrap())
            .collect();
        let times = done.get(&id).copied().unwrap_or(0);
        if outcome == "refused" {
            assert_eq!(times, 0, "{id} was refused");
            assert!(kept.contains(&"refused"), "{id} is kept as refused: {kept:?}");
        } else {
            assert_eq!(times, 1, "{id} was confirmed as {outcome}; kept: {kept:?}");
            assert_eq!(kept.iter().filter(|o| **o == "done").count(), 1, "{id}: {kept:?}");
        }
    }
    let named = |name: &str| {
        inputs.iter().filter(|(input, _)| input["input"] == "trigger" && input["name"] == name).count()
    };
    for name in &notes.presses {
        assert_eq!(named(name), 1, "{name} was confirmed");
    }
    let feet = named("foot-switch");
    assert!((notes.foot.1..=notes.foot.0).contains(&feet), "{:?}, kept: {feet}", notes.foot);
}

/// Kills and starts again, and sees to it each time that the long soak went on.
async fn kill_and_start(
    site: &Site,
    pages: &watch::Sender<Option<SocketAddr>>,
    mut bench: Running,
    began: i64,
) -> Running {
    let seed = std::env::var("KILL_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(SEED);
    let mut chance = StdRng::seed_from_u64(seed);
    for kill in 1..=KILLS {
        tokio::time::sleep(Duration::from_micros(chance.random_range(20_000..700_000))).await;
        pages.send_replace(None);
        site.kill(bench).await;
        // Some are killed while they start, too.
        if chance.random_bool(0.4) {
            let mut half = site.launch(&[]);
            tokio::time::sleep(Duration::from_micros(chance.random_range(1_000..250_000))).await;
            half.child.kill().await.unwrap();
            site.free().await;
        }
        bench = site.start().await;
        pages.send_replace(Some(bench.pages));
        let again = long_soak(&bench).await;
        assert!(
            (again - began).abs() <= 100,
            "after kill {kill} the soak began {} ms elsewhere",
            again - began
        );
    }
    bench
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_confirmed_is_kept_once_and_what_ran_goes_on() {
    let lab = Arc::new(Lab::open().await);
    let site = Site::new("killed", Some(lab.port()));
    let bench = site.start().await;
    let (pages, told) = watch::channel(Some(bench.pages));
    let (stop, stopped) = watch::channel(false);
    let client = Client { pages: told, notes: Arc::default(), stop: stopped };
    let long = client.specimen("The long soak", LONG).await;
    bench.soaking(long).await;
    let began = long_soak(&bench).await;

    let mut work = tokio::task::JoinSet::new();
    for place in BUSY {
        work.spawn(client.clone().works_at(place));
    }
    work.spawn(client.clone().hastens());
    work.spawn(client.clone().presses(lab.clone()));
    let bench = kill_and_start(&site, &pages, bench, began).await;
    stop.send_replace(true);
    while let Some(ended) = soon("the clients end", work.join_next()).await {
        ended.unwrap();
    }
    bench.until("nothing waits for the network", |v| v["waiting"] == 0).await;
    assert_eq!(bench.stop().await, 0);

    let verified = program(&["verify", site.journal().to_str().unwrap()]).await;
    assert_eq!(verified.code, 0, "{}", verified.err);
    let reader = Reader::open(&site.journal()).unwrap();
    let notes = std::mem::take(&mut *client.notes.lock().unwrap());
    compare(&reader, &notes);
    let documents = reader.documents(0, 100_000).unwrap();
    let taken = lab.takes(documents.len()).await;
    for (kept, (kind, document)) in documents.iter().zip(&taken) {
        assert_eq!((&kept.kind, &parsed(&kept.payload)), (kind, document), "document {}", kept.number);
    }
    eprintln!(
        "{KILLS} kills: {} acts, {} presses confirmed, {} documents in {} messages",
        notes.acts.len(),
        notes.presses.len() + notes.foot.1,
        documents.len(),
        lab.messages()
    );
    assert!(
        notes.acts.len() > 100 && notes.presses.len() > 20 && documents.len() > 10,
        "it was no idle bench"
    );
}
