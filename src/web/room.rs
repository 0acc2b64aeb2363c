//! The room's page: the solution's temperature over the last hours, and other stations.

use super::access::Access;
use super::aside::aside;
use super::problem::Problem;
use super::{AppState, view};
use crate::domain::moment::MINUTE;
use crate::journal::{JournalError, Reader};
use crate::paper::facts;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::{Extension, Json};
use serde::Deserialize;
use serde_json::{Value, json};
use std::sync::{Arc, Mutex, PoisonError};

/// Hours of a picture, unless told, and at most.
const USUAL: u8 = 4;
const MOST: u8 = 24;

/// The last forecast, for the next who asks: all screens of a room show the same one.
#[derive(Debug, Clone, Default)]
pub struct LastForecast(Arc<Mutex<Option<view::room::Made>>>);

/// Which picture.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wanted {
    hours: Option<u8>,
}

/// The temperatures, in as many stretches as a picture can show.
pub(super) async fn temperatures(
    State(state): State<AppState>,
    Extension(access): Extension<Access>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let Query(wanted) = wanted.map_err(|e| Problem::new(StatusCode::BAD_REQUEST, e.body_text()))?;
    let hours = wanted.hours.unwrap_or(USUAL);
    if !(1..=MOST).contains(&hours) {
        return Err(Problem::new(StatusCode::BAD_REQUEST, format!("`hours` is {hours}; give 1 to {MOST}")));
    }
    let committed = state.station.committed().borrow().clone();
    let to_ns = state.clock.now().wall_ns;
    let from_ns = to_ns - i64::from(hours) * 60 * MINUTE;
    let holds_ns = committed.bench.stale_ns();
    let path = state.journal.path().to_path_buf();
    let unreadable = |e: &JournalError| {
        // Paths and words of the system are not for everybody.
        let stranger = matches!(access, Access::Stranger);
        let why = if stranger { "the journal cannot be read now".to_owned() } else { e.to_string() };
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, why)
    };
    let (forecast, units) = (state.forecast.clone(), state.units);
    // Reading and fitting both take long: not on the thread on which the bench works.
    let drawn = move || {
        let (readings, _) = facts::warmths(&Reader::open(&path)?, from_ns - holds_ns, to_ns)?;
        let readings: Vec<_> = readings.into_iter().map(|reading| (reading.at_ns, reading.value)).collect();
        let lock = || forecast.0.lock().unwrap_or_else(PoisonError::into_inner);
        let mut made = lock().clone();
        let seen = view::room::picture(&committed.bench, &readings, from_ns..to_ns, units, &mut made);
        *lock() = made;
        Ok(seen)
    };
    let drawn: Result<Value, JournalError> = aside(&state, &access, drawn).await?;
    drawn.map(Json).map_err(|e| unreadable(&e))
}

/// Other stations, as far as they are followed.
pub(super) async fn stations(
    State(state): State<AppState>,
    Extension(access): Extension<Access>,
) -> Json<Value> {
    let Some(followed) = &state.followed else { return Json(json!({ "follows": false })) };
    let known = Arc::clone(&followed.borrow());
    let seen = view::following::stations(&known, &state.clock.now(), state.units);
    Json(if matches!(access, Access::Stranger) { view::room::others(&seen) } else { seen })
}
