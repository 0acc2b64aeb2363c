//! The pages as a client sees them: over the router, with a real station on a real journal and a
//! clock that stands still until it is moved.

mod door;
mod equipment;
mod odd;
mod report;
mod requests;
mod samples;
mod shown;
mod solutions;
mod strangers;
mod waits;

use super::*;
use crate::clock::SteppedClock;
use crate::daemon::station::Station;
use crate::domain::bench::{Bench, Started, What};
use crate::domain::moment::test::at;
use crate::domain::reading::InstrumentKind;
use crate::journal::OpenWith;
use axum::body::Body;
use axum::http::{HeaderMap, Request};
use serde_json::{Value, json};
use tower::ServiceExt;
use uuid::Uuid;

const PORT: u16 = 8765;
const HOST: &str = "127.0.0.1:8765";
const METHOD: &str = "aashto-t176-mechanical";

/// A station with its pages, in a folder of its own.
struct Rig {
    app: Router,
    state: AppState,
    clock: SteppedClock,
    cancel: CancellationToken,
    live: watch::Sender<Live>,
    station: StationHandle,
    running: tokio::task::JoinHandle<()>,
    folder: std::path::PathBuf,
}

struct Answer {
    status: u16,
    headers: HeaderMap,
    body: String,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.body))
    }
}

/// How the station starts.
fn started() -> Started {
    let text = include_str!("../../config/methods/aashto-t176-mechanical.toml");
    let method = crate::domain::method::load(&format!("{METHOD}.toml"), text).unwrap();
    Started {
        station: "bench-a".to_owned(),
        title: "Bench A".to_owned(),
        version: "0".to_owned(),
        rehearsal: false,
        bench: (*Bench::default().settings).clone(),
        triggers: BTreeMap::new(),
        instruments: [("balance".to_owned(), InstrumentKind::Balance)].into(),
        equipment: equipment::kinds(),
        recipes: solutions::recipes(),
        calendar: crate::domain::calendar::Calendar::default(),
        network: crate::domain::bench::NetworkFacts::default(),
        signing_key: None,
        methods: vec![Arc::new(method)],
    }
}

impl Rig {
    async fn new() -> Self {
        Self::of(started()).await
    }

    async fn of(started: Started) -> Self {
        let folder = std::env::temp_dir().join(format!("stillstand-web-{}", Uuid::now_v7()));
        std::fs::create_dir(&folder).unwrap();
        let clock = SteppedClock::new(at(0));
        let with = OpenWith { fresh_id: Uuid::now_v7(), now_wall_ns: clock.now().wall_ns };
        let (journal, restored) = Journal::open(&folder.join("journal.db"), &with).unwrap();
        let bench = crate::daemon::station::fold(&restored).unwrap();
        let (station, handle) = Station::new(journal.clone(), bench, restored, Arc::new(clock.clone()));
        let cancel = CancellationToken::new();
        let end = cancel.clone();
        let running = tokio::spawn(async move { Box::pin(station.run(end)).await.unwrap() });
        handle.ask(What::Started(Box::new(started)), clock.now()).await.unwrap();
        let (live, receiver) = watch::channel(Live::default());
        let state = AppState {
            station: handle.clone(),
            listing: crate::keeping::list::Listing::new(journal.clone()),
            reserve: 0,
            kept: "records 10 years".into(),
            journal,
            clock: Arc::new(clock.clone()),
            running_clock: false,
            outputs: watch::channel(BTreeMap::new()).1,
            live: [("balance".to_owned(), receiver)].into(),
            followed: None,
            shown: stream::Shown::default(),
            forecast: room::LastForecast::default(),
            settings: Arc::new(json!([])),
            words: words::Words::english(),
            zone: "America/Denver".into(),
            units: Units::default(),
            labels: LabelSheet { width_mm: 76, height_mm: 38, dots_per_inch: 203 },
            reports: crate::web::report::Reports::new(None, crate::domain::report::laboratory::PaperSize::A4),
            port: PORT,
            name: None,
            encryption: None,
            door: None,
        };
        let app = app_until(state.clone(), cancel.clone());
        Self { app, state, clock, cancel, live, station: handle, running, folder }
    }

    async fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: impl Into<Body>,
    ) -> Answer {
        let mut request = Request::builder().method(method).uri(path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let response = self.app.clone().oneshot(request.body(body.into()).unwrap()).await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let body = axum::body::to_bytes(response.into_body(), 1 << 22).await.unwrap();
        Answer { status, headers, body: String::from_utf8(body.to_vec()).unwrap() }
    }

    async fn get(&self, path: &str) -> Answer {
        self.send("GET", path, &[("host", HOST)], Body::empty()).await
    }

    async fn post(&self, body: String) -> Answer {
        let headers = [("host", HOST), ("content-type", "application/json")];
        self.send("POST", "/act", &headers, body).await
    }

    async fn act(&self, what: Value) -> Answer {
        self.post(json!({ "id": Uuid::now_v7(), "who": "Ada Field", "do": what }).to_string()).await
    }

    /// What an act made.
    async fn made(&self, what: Value) -> String {
        let answer = self.act(what).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        answer.json()["made"].as_str().unwrap().to_owned()
    }

    async fn sample(&self, label: &str) -> String {
        self.made(json!({ "act": "register-sample", "label": label, "method": METHOD, "specimens": 1 })).await
    }

    async fn view(&self) -> Value {
        self.get("/view").await.json()
    }

    /// A specimen of a new sample at a place, with its first fill.
    async fn filled(&self, label: &str, place: u32) -> String {
        let sample = self.sample(label).await;
        let what = json!({ "act": "register-specimen", "sample": sample, "place": place });
        let specimen = self.made(what).await;
        self.mark(&specimen, "first fill", "done").await;
        specimen
    }

    async fn mark(&self, specimen: &str, step: &str, edge: &str) {
        let what = json!({ "act": "mark", "specimen": specimen, "step": step, "edge": edge });
        let answer = self.act(what).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
    }

    async fn end(self) {
        self.cancel.cancel();
        self.running.await.unwrap();
        drop(self.app);
        std::fs::remove_dir_all(&self.folder).unwrap();
    }
}
