//! The page of the equipment, and the records that used an item.

use super::AppState;
use super::problem::Problem;
use crate::domain::report::DocumentKind;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};

/// Documents that are read at once, and at most in all: ten years of a busy bench.
const AT_ONCE: u32 = 200;
const MOST: usize = 100_000;

pub(super) async fn view(State(state): State<AppState>) -> Json<Value> {
    let committed = state.station.committed().borrow().clone();
    Json(super::view::equipment::page(&committed.bench, &state.clock.now(), &state.zone))
}

/// Which time.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Between {
    /// Milliseconds since 1970; without it, from the beginning.
    from_ms: Option<i64>,
    /// Milliseconds since 1970; without it, up to now.
    to_ms: Option<i64>,
}

/// Records that used an item in a time, newest first, and specimens at work that did.
pub(super) async fn records(
    State(state): State<AppState>,
    Path(item): Path<String>,
    between: Result<Query<Between>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let Query(between) = between.map_err(|e| Problem::new(StatusCode::BAD_REQUEST, e.body_text()))?;
    let bench = state.station.committed().borrow().bench.clone();
    if !bench.equipment.items.contains_key(&item) {
        return Err(Problem::new(StatusCode::NOT_FOUND, format!("there is no item of equipment `{item}`")));
    }
    let within =
        |ms: i64| between.from_ms.is_none_or(|from| ms >= from) && between.to_ms.is_none_or(|to| ms <= to);
    let at_work =
        bench.specimens.values().filter(|specimen| !specimen.is_complete()).filter_map(|specimen| {
            let used = specimen.equipment.iter().find(|used| used.id == item)?;
            let ms = used.moment.wall_ns.div_euclid(1_000_000);
            let line =
                json!({ "label": specimen.label, "place": specimen.place, "atMs": ms, "state": used.state });
            within(ms).then_some(line)
        });
    let at_work: Vec<Value> = at_work.collect();
    let (mut found, mut before, mut read) = (Vec::new(), None, 0);
    loop {
        let kind = DocumentKind::Record.as_str();
        let rows = state.journal.documents(kind, before, AT_ONCE).await.map_err(|error| {
            tracing::warn!("the records could not be read: {error}");
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string())
        })?;
        let Some(last) = rows.last() else { break };
        (before, read) = (Some(last.number), read + rows.len());
        // A record is made after what it tells of.
        let over = between.from_ms.is_some_and(|from| last.made_at_ns.div_euclid(1_000_000) < from);
        found.extend(
            rows.iter()
                .filter_map(|row| line(&item, row.number, &row.id, &row.payload))
                .filter(|line| line["atMs"].as_i64().is_some_and(within)),
        );
        if over || read >= MOST {
            break;
        }
    }
    Ok(Json(json!({ "item": item, "records": found, "atWork": at_work, "whole": read < MOST })))
}

/// The line of a record that used the item.
fn line(item: &str, number: u64, id: &str, payload: &str) -> Option<Value> {
    // Nothing is read that does not name it.
    if !payload.contains(item) {
        return None;
    }
    let document: Value = serde_json::from_str(payload).ok()?;
    let used = document.pointer("/data/equipment")?.as_array()?.iter().find(|used| used["id"] == item)?;
    let at: jiff::Timestamp = used["at"].as_str()?.parse().ok()?;
    Some(json!({
        "number": number,
        "id": id,
        "label": document.pointer("/data/specimen/label"),
        "result": document.pointer("/data/result/text"),
        "state": used["state"],
        "atMs": at.as_millisecond(),
    }))
}
