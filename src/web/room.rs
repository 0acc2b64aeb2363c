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
use std::sync::Arc;

/// Hours of a picture, unless told, and at most.
const USUAL: u8 = 4;
const MOST: u8 = 24;

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
    let unreadable = |e: JournalError| Problem::new(StatusCode::SERVICE_UNAVAILABLE, e.to_string());
    let read = move || facts::warmths(&Reader::open(&path)?, from_ns - holds_ns, to_ns);
    let (readings, _) = aside(&state, &access, read).await?.map_err(unreadable)?;
    let readings: Vec<_> = readings.into_iter().map(|reading| (reading.at_ns, reading.value)).collect();
    Ok(Json(view::room::picture(&committed.bench, &readings, from_ns..to_ns, state.units)))
}

/// Other stations, as far as they are followed.
pub(super) async fn stations(State(state): State<AppState>) -> Json<Value> {
    let Some(followed) = &state.followed else { return Json(json!({ "follows": false })) };
    let known = Arc::clone(&followed.borrow());
    Json(view::following::stations(&known, &state.clock.now(), state.units))
}
