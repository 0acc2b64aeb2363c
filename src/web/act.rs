//! One act of a person: stamped on arrival, answered once it is on the disk.

use super::AppState;
use super::problem::Problem;
use crate::domain::bench::{Act, Outcome, What};
use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use std::time::Duration;

/// Largest act, bytes.
const LARGEST: usize = 64 * 1024;
/// How long the disk may take before the page is told that nothing is confirmed.
const CONFIRM_WITHIN: Duration = Duration::from_secs(10);

pub(super) async fn act(State(state): State<AppState>, body: Body) -> Response {
    let text = match axum::body::to_bytes(body, LARGEST).await {
        Ok(text) => text,
        Err(e) => {
            let why = format!("the act cannot be read, or is larger than {LARGEST} bytes: {e}");
            return Problem::new(StatusCode::BAD_REQUEST, why).into_response();
        }
    };
    // With the last byte: what the loop does before it gets here must not move the press.
    let moment = state.clock.now();
    let read = std::str::from_utf8(&text).map_err(|e| e.to_string());
    let mut act: Act = match read.and_then(|text| serde_json::from_str(text).map_err(|e| e.to_string())) {
        Ok(act) => act,
        Err(e) => return Problem::new(StatusCode::BAD_REQUEST, format!("not an act: {e}")).into_response(),
    };
    "page".clone_into(&mut act.via);
    let id = act.id;
    match tokio::time::timeout(CONFIRM_WITHIN, state.station.ask(What::Act(act), moment)).await {
        Ok(Some(outcome @ Outcome::Refused { .. })) => (StatusCode::CONFLICT, Json(outcome)).into_response(),
        Ok(Some(outcome)) => Json(outcome).into_response(),
        Ok(None) => {
            let why = "the station has ended; send the act again once it runs";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, why).into_response()
        }
        Err(_) => {
            let why = format!("act {id} is not confirmed yet; sent again it still happens only once");
            Problem::new(StatusCode::GATEWAY_TIMEOUT, why).into_response()
        }
    }
}
