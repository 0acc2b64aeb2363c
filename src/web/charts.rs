//! The control charts as their page shows them.

use super::problem::Problem;
use super::{AppState, view};
use crate::domain::quality::chart::Zones;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};

/// Which rules.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wanted {
    /// The rules of zones too.
    #[serde(default)]
    zones: bool,
}

pub(super) async fn view(
    State(state): State<AppState>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let Query(wanted) = wanted.map_err(|e| Problem::new(StatusCode::BAD_REQUEST, e.body_text()))?;
    let committed = state.station.committed().borrow().clone();
    let zones = if wanted.zones { Zones::In } else { Zones::Out };
    let mut value = view::charts::charts(&committed.shown(), zones);
    value["zone"] = json!(&*state.zone);
    Ok(Json(value))
}
