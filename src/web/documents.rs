//! The documents as they were published.

use super::AppState;
use super::problem::Problem;
use crate::domain::report::{DocumentKind, Signed, key_set};
use crate::journal::{JournalError, OutboxRow, Reader};
use crate::signing::{self, Seen};
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};

/// Documents of one answer, unless it is asked for fewer or more, and at most.
const USUAL: u32 = 20;
const MOST: u32 = 200;

/// Which documents.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wanted {
    kind: Option<String>,
    /// Only documents with lower numbers.
    before: Option<u64>,
    limit: Option<u32>,
}

/// A list, newest first.
pub(super) async fn list(
    State(state): State<AppState>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let Query(wanted) = wanted.map_err(|e| bad(e.body_text()))?;
    let kind = wanted.kind.as_deref().unwrap_or(DocumentKind::Record.as_str());
    let kinds =
        [DocumentKind::Record, DocumentKind::Result, DocumentKind::Weighing].map(DocumentKind::as_str);
    if !kinds.contains(&kind) {
        return Err(bad(format!("`kind` is `{kind}`; there is: {}", kinds.join(", "))));
    }
    let limit = wanted.limit.unwrap_or(USUAL);
    if !(1..=MOST).contains(&limit) {
        return Err(bad(format!("`limit` is {limit}; give 1 to {MOST}")));
    }
    let rows = state.journal.documents(kind, wanted.before, limit).await.map_err(unreadable)?;
    Ok(Json(json!({ "documents": rows.iter().map(line).collect::<Vec<_>>() })))
}

/// One document, byte by byte as published.
pub(super) async fn one(State(state): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let row = state.journal.document(&id).await.map_err(unreadable)?;
    let row =
        row.ok_or_else(|| Problem::new(StatusCode::NOT_FOUND, format!("there is no document `{id}`")))?;
    if row.payload.is_empty() {
        let why = format!(
            "document {} was removed from the journal by the laboratory's rule; its number and its digest stay",
            row.number
        );
        return Err(Problem::new(StatusCode::GONE, why));
    }
    Ok(([(header::CONTENT_TYPE, "application/cloudevents+json")], row.payload).into_response())
}

/// One document with its figures in the units of the settings: to be looked at, and no evidence.
pub(super) async fn shown(State(state): State<AppState>, id: Path<String>) -> Result<Response, Problem> {
    let units = state.units;
    let published = one(State(state), id).await?;
    if units.is_as_read() {
        return Ok(published);
    }
    let unread = || Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the document cannot be read");
    let bytes = axum::body::to_bytes(published.into_body(), usize::MAX).await.map_err(|_| unread())?;
    let mut document: Value = serde_json::from_slice(&bytes).map_err(|_| unread())?;
    units.document(&mut document);
    Ok(Json(document).into_response())
}

/// The keys of the station's records, for whoever verifies them elsewhere (RFC 7517).
pub(super) async fn keys(State(state): State<AppState>) -> Response {
    let set = key_set(&state.station.committed().borrow().bench.signing_keys);
    ([(header::CONTENT_TYPE, "application/jwk-set+json")], set.to_string()).into_response()
}

/// What the signature of a document says, looked at now.
pub(super) async fn signature(
    State(state): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<Value>, Problem> {
    let missing = || Problem::new(StatusCode::NOT_FOUND, format!("there is no document `{id}`"));
    let row = state.journal.document(&id).await.map_err(unreadable)?.ok_or_else(missing)?;
    let bench = state.station.committed().borrow().bench.clone();
    let seen = match signing::verify(&row.payload, &bench.signing_keys) {
        Seen::Unsigned => "unsigned",
        Seen::Good => "good",
        Seen::UnknownKey => "unknown-key",
        Seen::Wrong => "wrong",
    };
    Ok(Json(json!({ "seen": seen, "key": Signed::of(&row.payload).map(|signed| signed.key) })))
}

/// Versions of one document that are followed back.
const VERSIONS: usize = 60;

/// Every version of what a document is about, the first one first: whatever version was asked for.
pub(super) async fn versions(
    State(state): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<Value>, Problem> {
    let missing = || Problem::new(StatusCode::NOT_FOUND, format!("there is no document `{id}`"));
    let asked = state.journal.document(&id).await.map_err(unreadable)?.ok_or_else(missing)?;
    // What is about the same and newer is known to the list alone.
    state.listing.for_answer().await.map_err(unreadable)?;
    let path = state.journal.path().to_path_buf();
    let read = move || followed(&Reader::open(&path)?, asked);
    let read = tokio::task::spawn_blocking(read).await.map_err(|_| unreadable(JournalError::Closed))?;
    let rows = read.map_err(unreadable)?;
    Ok(Json(json!({ "versions": rows.iter().rev().map(version).collect::<Vec<_>>() })))
}

/// From the newest version back: each names the one that it replaces. A removed one names none.
fn followed(reader: &Reader, asked: OutboxRow) -> Result<Vec<OutboxRow>, JournalError> {
    let newest = reader.newest_about(&asked.subject, &asked.kind)?.filter(|number| *number > asked.number);
    let newest = newest.map(|number| reader.document_at(number)).transpose()?.flatten();
    let mut rows = vec![newest.unwrap_or(asked)];
    while let Some(row) = rows.last().filter(|_| rows.len() < VERSIONS) {
        let document: Value = serde_json::from_str(&row.payload).unwrap_or_default();
        let Some(before) = document.pointer("/data/replaces/id").and_then(Value::as_str) else { break };
        let Some(row) = reader.document(before)? else { break };
        rows.push(row);
    }
    Ok(rows)
}

fn version(row: &OutboxRow) -> Value {
    let document: Value = serde_json::from_str(&row.payload).unwrap_or_default();
    json!({
        "document": row.id,
        "number": row.number,
        "madeMs": row.made_at_ns.div_euclid(1_000_000),
        "version": document.pointer("/data/version"),
        "removed": row.payload.is_empty(),
    })
}

fn line(row: &OutboxRow) -> Value {
    let document: Value = serde_json::from_str(&row.payload).unwrap_or_default();
    let text = |path: &str| document.pointer(path).cloned().unwrap_or_default();
    let label = ["/data/specimen/label", "/data/sample/label", "/data/for/label"];
    json!({
        "number": row.number,
        "id": row.id,
        "kind": row.kind,
        "subject": row.subject,
        "label": label.iter().find_map(|path| document.pointer(path)),
        "result": text("/data/result/text"),
        "deviations": document.pointer("/data/deviations").and_then(Value::as_array).map(Vec::len),
        "madeMs": row.made_at_ns.div_euclid(1_000_000),
        "takenMs": row.acked_at_ns.map(|ns| ns.div_euclid(1_000_000)),
    })
}

fn bad(why: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, why)
}

fn unreadable(error: JournalError) -> Problem {
    tracing::warn!("a document could not be read: {error}");
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string())
}
