//! The pages of the people and of what waits for review.

use super::{AppState, view};
use axum::extract::State;
use axum::routing::get;
use axum::{Json, Router};
use serde_json::Value;

pub(super) fn routes() -> Router<AppState> {
    Router::new().route("/people/view", get(people)).route("/review/view", get(review))
}

async fn people(State(state): State<AppState>) -> Json<Value> {
    let committed = state.station.committed().borrow().clone();
    Json(view::people::page(&committed.bench, &state.clock.now(), &state.zone))
}

async fn review(State(state): State<AppState>) -> Json<Value> {
    let committed = state.station.committed().borrow().clone();
    Json(view::review::page(&committed.bench, &state.zone))
}
