//! What a level would be recorded as, while it is typed: asked of the bench, so that the page knows no
//! rule of marks.

use super::AppState;
use super::problem::Problem;
use crate::domain::bench::Refusal;
use crate::domain::method::Level;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;
use uuid::Uuid;

/// The level that somebody types.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Typed {
    specimen: Uuid,
    of: Level,
    value: String,
}

pub(super) async fn reading(
    State(state): State<AppState>,
    typed: Result<Query<Typed>, QueryRejection>,
) -> Response {
    let typed = match typed {
        Ok(Query(typed)) => typed,
        Err(error) => return Problem::new(StatusCode::BAD_REQUEST, error.body_text()).into_response(),
    };
    let committed = state.station.committed().borrow().clone();
    match committed.bench.would_record(typed.specimen, typed.of, &typed.value) {
        Ok(level) => Json(json!({
            "recorded": level.recorded.to_string(),
            "reading": level.reading.to_string(),
            "offset": level.offset.normalize().to_string(),
            "moved": level.recorded != level.reading,
        }))
        .into_response(),
        Err(refusal) => (StatusCode::CONFLICT, Json(refused(&refusal))).into_response(),
    }
}

fn refused(refusal: &Refusal) -> serde_json::Value {
    json!({ "text": refusal.to_string() })
}
