//! The page of the solutions.

use super::AppState;
use axum::Json;
use axum::extract::State;
use serde_json::Value;

pub(super) async fn view(State(state): State<AppState>) -> Json<Value> {
    let committed = state.station.committed().borrow().clone();
    Json(super::view::solution::page(&committed.bench, &state.clock.now(), &state.zone))
}
