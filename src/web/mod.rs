//! The pages: the bench page, one record, the documents, and the acts of the people
//! at the bench. Nothing here knows a rule of the trade or changes state: an act becomes an input
//! of the station, and what is shown is a function of what was committed.
//!
//! ```text
//!   browser ── serve (TLS, places, time) ── guard (host, origin, type) ── access (account, role) ──┐
//!                                           ┌─────────────────────────────────────────────────────┘
//!                                           ├─ GET  /events     view and beat, as they change
//!                                           ├─ POST /act        one act; answered once it is on the disk
//!                                           ├─ GET  /documents  as they were published
//!                                           ├─ GET  /records    records and results of years, files of them
//!                                           ├─ GET  /samples    the day's samples, one of them, labels
//!                                           ├─ GET  /report     a sample's report, as a page and as PDF
//!                                           └─ GET  /           page files, built into the program
//! ```

pub mod view;
mod access;
mod act;
mod aside;
mod body;
mod charts;
mod documents;
mod entry;
mod equipment;
mod files;
mod guard;
mod pages;
mod people;
mod problem;
mod reading;
mod records;
pub mod report;
pub mod room;
mod samples;
mod serve;
mod solutions;
pub mod stream;
pub mod words;

use crate::clock::Clock;
use crate::daemon::station::StationHandle;
use crate::domain::intake::LabelSheet;
use crate::domain::overview::Following;
use crate::domain::reading::Live;
use crate::domain::signal::Told;
use crate::domain::units::Units;
use crate::door::house::Place;
use crate::door::{Door, Encryption, Guest};
use crate::journal::Journal;
use crate::keeping::list::Listing;
use access::Access;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Json, Router};
use problem::Problem;
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// How long connections may take to end once the station ends.
const FAREWELL: Duration = Duration::from_secs(2);
/// How long the journal may take to say what waits for the network before the last answer is
/// shown again: a page must not stand still because a disk does.
const COUNT_WITHIN: Duration = Duration::from_millis(100);

/// What the pages need of the station; cheap to clone.
#[derive(Debug, Clone)]
pub struct AppState {
    /// The way to the station.
    pub station: StationHandle,
    /// For the documents.
    pub journal: Journal,
    /// Brings the list of documents up to date.
    pub listing: Listing,
    /// How long what the journal holds is kept, in words.
    pub kept: Arc<str>,
    /// Less than so many bytes free on the journal's disk is an alarm.
    pub reserve: u64,
    /// Stamps acts on arrival.
    pub clock: Arc<dyn Clock>,
    /// The clock runs by itself; a stepped one is not carried on by the page.
    pub running_clock: bool,
    /// What the instruments show, by name.
    pub live: BTreeMap<String, watch::Receiver<Live>>,
    /// What other stations say of themselves; `None`: none is followed.
    pub followed: Option<watch::Receiver<Arc<Following>>>,
    /// The forecast that the room page was shown last.
    pub forecast: room::LastForecast,
    /// What horn, lamps and relay do, by name.
    pub outputs: watch::Receiver<BTreeMap<String, Told>>,
    /// What open pages are shown.
    pub shown: stream::Shown,
    /// The settings in force, for people.
    pub settings: Arc<Value>,
    /// What the pages say, in the language of the settings.
    pub words: words::Words,
    /// IANA time zone in which people see times.
    pub zone: Arc<str>,
    /// In which units figures are shown.
    pub units: Units,
    /// The label printer's label.
    pub labels: LabelSheet,
    /// What reports take.
    pub reports: report::Reports,
    /// Port that requests must name in `Host`.
    pub port: u16,
    /// Name under which browsers on other machines call the station.
    pub name: Option<Arc<str>>,
    /// Encryption of the pages; `None`: none.
    pub encryption: Option<Encryption>,
    /// Accounts; `None`: whoever reaches the pages may use them.
    pub door: Option<Arc<Door>>,
}

impl AppState {
    /// The view at this instant.
    fn view(&self, waiting: u64) -> Value {
        let committed = self.station.committed().borrow().clone();
        let (bench, fault) = (committed.shown(), committed.fault.as_ref());
        let seen = view::Seen {
            bench: &bench,
            sequence: committed.sequence,
            fault: fault.map(|alarm| alarm.text.as_str()),
            now: self.clock.now(),
            running_clock: self.running_clock,
            zone: &self.zone,
            units: self.units,
            waiting,
            outputs: self.outputs.borrow().clone(),
            live: self.live.iter().map(|(name, live)| (name.clone(), live.borrow().clone())).collect(),
        };
        view::view(&seen)
    }

    /// Whether the person of an account works here, by the register. Before anybody is registered
    /// the name of the account holds, so that the first person can be.
    ///
    /// # Errors
    /// A sentence for whoever signs on.
    fn is_registered(&self, guest: &Guest) -> Result<(), String> {
        let Some(person) = &guest.person else { return Ok(()) };
        let committed = self.station.committed().borrow().clone();
        let people = &committed.bench.people;
        if !people.is_kept() {
            return Ok(());
        }
        match people.meant(person) {
            Some(known) if known.left.is_none() => Ok(()),
            Some(_) => Err(format!("`{person}`, whose account this is, works here no more")),
            None => Err(format!("`{person}`, whose account this is, is not in the register of people")),
        }
    }

    /// Documents that the network has not taken, or `last` while the journal does not say.
    async fn waiting(&self, last: u64) -> u64 {
        match tokio::time::timeout(COUNT_WITHIN, self.journal.unacked_count()).await {
            Ok(Ok(count)) => count,
            _ => last,
        }
    }
}

/// The pages as a service, without a socket.
pub fn app(state: AppState) -> Router {
    app_until(state, CancellationToken::new())
}

/// Serves the pages until `cancel`; open event streams end with it.
///
/// # Errors
/// The listener failed.
pub async fn serve(
    listener: tokio::net::TcpListener,
    state: AppState,
    cancel: CancellationToken,
) -> std::io::Result<()> {
    let app = app_until(state.clone(), cancel.clone());
    serve::serve(listener, app, state, cancel).await
}

fn app_until(state: AppState, cancel: CancellationToken) -> Router {
    let events_state = state.clone();
    let events = move |Extension(access): Extension<Access>, place: Option<Extension<Arc<Place>>>| {
        let place = place.map(|Extension(place)| place);
        std::future::ready(stream::events(events_state.clone(), &access, place, cancel.clone()))
    };
    let called = guard::Called::of(&state);
    let looked_at = state.clone();
    Router::new()
        .route("/page/{file}", get(files::file))
        .route("/view", get(one_view))
        .route("/settings/view", get(settings))
        .route("/charts/view", get(charts::view))
        .route("/equipment/view", get(equipment::view))
        .route("/equipment/{item}/records", get(equipment::records))
        .route("/solutions/view", get(solutions::view))
        .route("/events", get(events.clone()))
        // The same for the room page, which may be open: without an account it shows what that shows.
        .route("/room/events", get(events))
        .route("/act", post(act::act))
        .route("/reading", get(reading::reading))
        .route("/room/temperatures", get(room::temperatures))
        .route("/room/stations", get(room::stations))
        .merge(pages::routes())
        .merge(samples::routes())
        .merge(records::routes())
        .merge(people::routes())
        .merge(entry::routes())
        .merge(report::routes())
        .route("/documents", get(documents::list))
        .route("/documents/{id}", get(documents::one))
        .route("/documents/{id}/versions", get(documents::versions))
        .route("/documents/{id}/shown", get(documents::shown))
        .route("/documents/{id}/signature", get(documents::signature))
        .route("/keys", get(documents::keys))
        .route("/livez", get(|| async { "live\n" }))
        .route("/readyz", get(ready))
        .fallback(|| async { Problem::new(StatusCode::NOT_FOUND, "there is nothing at this address") })
        .method_not_allowed_fallback(|| async {
            Problem::new(StatusCode::METHOD_NOT_ALLOWED, "this address takes other methods; see `Allow`")
        })
        .layer(axum::middleware::from_fn_with_state(looked_at, access::access))
        .layer(axum::middleware::from_fn(move |request, next| guard::guard(called.clone(), request, next)))
        .with_state(state)
}

/// The settings in force, and when the certificate that they name ends.
async fn settings(State(state): State<AppState>) -> Json<Value> {
    let mut settings = Value::clone(&state.settings);
    let ends = state.encryption.as_ref().map(Encryption::ends);
    let wall_ns = state.clock.now().wall_ns;
    let says = ends.and_then(|ends| {
        ends.soon(wall_ns).or_else(|| Some(format!("the certificate of the pages ends on {}", ends.day()?)))
    });
    let rows = settings.as_array_mut().into_iter().flatten();
    let row = rows.into_iter().find(|row| row["key"] == "web.tls.certificate-file");
    if let (Some(row), Some(says)) = (row, says) {
        let about = row["about"].as_str().unwrap_or_default();
        row["about"] = format!("{says}. {about}").into();
    }
    Json(settings)
}

async fn one_view(State(state): State<AppState>) -> Response {
    let waiting = state.waiting(0).await;
    ([(header::CONTENT_TYPE, "application/json")], state.view(waiting).to_string()).into_response()
}

/// Ready: the station takes inputs and its journal takes events.
async fn ready(State(state): State<AppState>, Extension(access): Extension<Access>) -> Response {
    let mut committed = state.station.committed();
    // Only what was seen lets the channel say that its other end is gone.
    committed.mark_unchanged();
    if committed.has_changed().is_err() {
        return Problem::new(StatusCode::SERVICE_UNAVAILABLE, "the station has ended").into_response();
    }
    let fault = committed.borrow().fault.clone();
    match fault {
        // Paths and words of the system are not for everybody.
        Some(_) if matches!(access, Access::Stranger) => {
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, "the journal takes nothing").into_response()
        }
        Some(fault) => Problem::new(StatusCode::SERVICE_UNAVAILABLE, fault.text).into_response(),
        None => "ready\n".into_response(),
    }
}

#[cfg(test)]
mod test;
