//! One sample: what came with it, its specimens, its weighings, and every version of what went out.

use super::{AppState, Problem, Whole, unreadable};
use crate::domain::specimen::Issued;
use crate::web::view::samples as view;
use axum::Json;
use axum::extract::{Path, State};
use serde_json::{Value, json};

/// Versions of one document that are followed back.
const MOST: usize = 60;

pub(super) async fn data(
    State(state): State<AppState>,
    Path(id): Path<String>,
) -> Result<Json<Value>, Problem> {
    let whole = Whole::find(&state, &id).await?;
    let committed = state.station.committed().borrow().clone();
    let bench = committed.shown();
    let seen =
        view::Seen { bench: &bench, sample: &whole.sample, specimens: &whole.specimens, left: whole.left };
    let mut value = seen.whole();
    value["zone"] = json!(&*state.zone);
    value["course"] = crate::web::view::preparation::course(&bench, &whole.sample, &state.clock.now());
    value["versions"] = json!(versions(&state, whole.sample.result.as_ref()).await?);
    for (shown, specimen) in value["specimens"].as_array_mut().into_iter().flatten().zip(&whole.specimens) {
        shown["versions"] = json!(versions(&state, specimen.record.as_ref()).await?);
    }
    Ok(Json(value))
}

/// Every version of a document, the newest first: each names the one that it replaces.
async fn versions(state: &AppState, issued: Option<&Issued>) -> Result<Vec<Value>, Problem> {
    let mut versions = Vec::new();
    let mut next = issued.map(|issued| issued.id.to_string());
    while let Some(id) = next.take().filter(|_| versions.len() < MOST) {
        let Some(row) = state.journal.document(&id).await.map_err(unreadable)? else { break };
        let document: Value = serde_json::from_str(&row.payload).unwrap_or_default();
        let text = |path: &str| document.pointer(path).cloned().unwrap_or_default();
        next = document.pointer("/data/replaces/id").and_then(Value::as_str).map(str::to_owned);
        versions.push(json!({
            "document": id,
            "number": row.number,
            "version": text("/data/version"),
            "status": text("/data/status"),
            "result": text("/data/result/text"),
            "deviations": document.pointer("/data/deviations").and_then(Value::as_array).map(Vec::len),
            "madeMs": row.made_at_ns.div_euclid(1_000_000),
        }));
    }
    Ok(versions)
}
