//! The page of the equipment, and the records that used an item.

use super::AppState;
use super::problem::Problem;
use crate::domain::report::DocumentKind;
use crate::journal::{JournalError, ListedWanted, OutboxRow, Reader};
use crate::keeping::words::{self, Property};
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};

/// Lines of one answer, at most.
const MOST: usize = 200;
/// Documents that are looked up at once.
const AT_ONCE: u32 = 200;
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
    /// Only documents with a lower number: the `before` of an answer asks for the next one.
    before: Option<u64>,
}

impl Between {
    fn holds(&self, ms: i64) -> bool {
        self.from_ms.is_none_or(|from| ms >= from) && self.to_ms.is_none_or(|to| ms <= to)
    }
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
    let at_work =
        bench.specimens.values().filter(|specimen| !specimen.is_complete()).filter_map(|specimen| {
            // An item that was checked meanwhile has an entry for each time between two checks.
            let entries = specimen.equipment.iter().filter(|used| used.id == item);
            let mut timed = entries.map(|used| (used, used.moment.wall_ns.div_euclid(1_000_000)));
            let (used, ms) = timed.find(|(_, ms)| between.holds(*ms))?;
            let line =
                json!({ "label": specimen.label, "place": specimen.place, "atMs": ms, "state": used.state });
            Some(line)
        });
    let at_work: Vec<Value> = at_work.collect();
    let reach = state.listing.for_answer().await.map_err(|e| unreadable(&e))?;
    let path = state.journal.path().to_path_buf();
    let asked = item.clone();
    let found = tokio::task::spawn_blocking(move || page(&Reader::open(&path)?, &asked, &between));
    let found = found.await.map_err(|_| unreadable(&JournalError::Closed))?;
    let (found, before) = found.map_err(|e| unreadable(&e))?;
    Ok(Json(json!({
        "item": item,
        "records": found,
        "atWork": at_work,
        "whole": before.is_none() && reach.through >= reach.newest,
        "before": before,
    })))
}

/// Lines of one answer, and the number before which the next one goes on.
fn page(reader: &Reader, item: &str, between: &Between) -> Result<(Vec<Value>, Option<u64>), JournalError> {
    let ns = |ms: i64| ms.saturating_mul(1_000_000);
    let mut wanted = ListedWanted {
        kind: Some(DocumentKind::Record.as_str().to_owned()),
        newest: true,
        // A record is made after what it tells of, and nobody knows how long after.
        from_ns: between.from_ms.map(ns),
        below: between.before,
        ..ListedWanted::default()
    };
    let words = [words::tag(Property::Item, item)];
    let mut lines = Vec::new();
    loop {
        let found = reader.searched(&words, &wanted, AT_ONCE)?;
        for one in &found {
            let Some(row) = reader.document_at(one.number)? else { continue };
            lines.extend(line(item, &row, between));
            if lines.len() == MOST {
                return Ok((lines, Some(one.number)));
            }
        }
        match found.last() {
            Some(last) => wanted.below = Some(last.number),
            None => return Ok((lines, None)),
        }
    }
}

/// The line of a record that used the item in a time.
fn line(item: &str, row: &OutboxRow, between: &Between) -> Option<Value> {
    let document: Value = serde_json::from_str(&row.payload).ok()?;
    let entries = document.pointer("/data/equipment")?.as_array()?.iter().filter(|used| used["id"] == item);
    let mut timed =
        entries.filter_map(|used| Some((used, used["at"].as_str()?.parse::<jiff::Timestamp>().ok()?)));
    let (used, at) = timed.find(|(_, at)| between.holds(at.as_millisecond()))?;
    Some(json!({
        "number": row.number,
        "id": row.id,
        "label": document.pointer("/data/specimen/label"),
        "result": document.pointer("/data/result/text"),
        "state": used["state"],
        "atMs": at.as_millisecond(),
    }))
}

fn unreadable(error: &JournalError) -> Problem {
    tracing::warn!("the records could not be read: {error}");
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string())
}
