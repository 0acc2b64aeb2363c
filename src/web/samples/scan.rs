//! Where a scan leads: the sample, or the tin and its place.

use super::{AppState, Problem, Whole, bad, unreadable};
use crate::domain::intake::code;
use crate::journal::ClosedWanted;
use crate::web::view::samples as view;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};
use uuid::Uuid;

/// Longest scan, in characters.
const LONGEST: usize = 80;
/// Samples of one label that are shown to choose from.
const MOST: u32 = 20;

/// What was scanned.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wanted {
    scan: String,
}

/// Every sample that the scan can mean, at work first, then the last that left first.
pub(super) async fn find(
    State(state): State<AppState>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let Query(wanted) = wanted.map_err(|e| bad(e.body_text()))?;
    let scan = wanted.scan.trim();
    if scan.is_empty() || scan.chars().count() > LONGEST || scan.chars().any(char::is_control) {
        return Err(bad(format!("`scan` is not what a reader types: 1 to {LONGEST} printable characters")));
    }
    let found = match code::id_of(scan) {
        Some(id) => Whole::by_id(&state, id).await?.into_iter().collect(),
        None => by_words(&state, scan).await?,
    };
    if found.is_empty() {
        let why = format!("nothing here has the code `{scan}`: no sample, tin, identifier or label");
        return Err(Problem::new(StatusCode::NOT_FOUND, why));
    }
    let committed = state.station.committed().borrow().clone();
    let bench = committed.shown();
    let tin = code::id_of(scan);
    let rows = found.iter().map(|whole| {
        let seen = view::Seen {
            bench: &bench,
            sample: &whole.sample,
            specimens: &whole.specimens,
            left: whole.left,
        };
        let mut row = seen.line().value();
        let tin = whole.specimens.iter().find(|s| Some(s.id) == tin);
        row["specimen"] = json!(tin.map(|s| json!({
            "id": s.id,
            "label": s.label,
            "place": bench.specimens.contains_key(&s.id).then_some(s.place),
        })));
        row
    });
    Ok(Json(json!({ "scan": scan, "found": rows.collect::<Vec<_>>() })))
}

/// By identifier or by label, at work or gone; each once.
async fn by_words(state: &AppState, words: &str) -> Result<Vec<Whole>, Problem> {
    let committed = state.station.committed().borrow().clone();
    let bench = committed.shown();
    let identifier = |whole: &Whole| whole.sample.intake.particulars.identifier.as_deref() == Some(words);
    let here = bench.samples.values().map(|sample| Whole::at_work(&bench, sample));
    let mut found: Vec<Whole> = here.filter(|w| w.sample.label == words || identifier(w)).collect();
    let filed = state.journal.closed(code::key(words)).await.map_err(unreadable)?;
    let wanted = ClosedWanted { label: Some(words.to_owned()), ..ClosedWanted::default() };
    let labelled = state.journal.closed_page(wanted, MOST).await.map_err(unreadable)?;
    for row in filed.iter().chain(&labelled) {
        let known: Vec<Uuid> = found.iter().map(|w| w.sample.id).collect();
        let whole = Whole::read(row)?;
        // An identifier that was corrected since is no longer its identifier.
        if !known.contains(&row.id) && (identifier(&whole) || whole.sample.label == words) {
            found.push(whole);
        }
    }
    Ok(found)
}
