//! The samples of a day, one sample with all that belongs to it, its labels, and where a scan leads.

mod day;
mod label;
mod one;
mod scan;

use super::AppState;
use super::problem::Problem;
use crate::domain::bench::{Bench, ClosedSample};
use crate::domain::intake::code;
use crate::domain::moment::Moment;
use crate::domain::shared::Shared;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::sample::Sample;
use crate::journal::{ClosedFound, JournalError};
use crate::paper::facts::Subject;
use axum::Router;
use axum::http::StatusCode;
use axum::routing::get;
use uuid::Uuid;

pub(super) fn routes() -> Router<AppState> {
    Router::new()
        .route("/samples/list", get(day::list))
        .route("/samples/find", get(scan::find))
        .route("/samples/{id}/data", get(one::data))
        .route("/samples/{id}/label", get(label::page))
        .route("/samples/{id}/label.css", get(label::style))
}

/// What a report is about, by its identity or its code.
pub(super) async fn subject(state: &AppState, id: &str) -> Result<Subject, Problem> {
    let Whole { sample, specimens, left } = Whole::find(state, id).await?;
    Ok(Subject { sample, specimens, left })
}

/// A sample with its specimens, at work or gone.
#[derive(Debug)]
struct Whole {
    sample: Shared<Sample>,
    /// In the order in which they were registered.
    specimens: Vec<Shared<Specimen>>,
    /// When it left the bench; `None`: it is at work.
    left: Option<Moment>,
}

impl From<ClosedSample> for Whole {
    fn from(closed: ClosedSample) -> Self {
        Self { sample: closed.sample, specimens: closed.specimens, left: Some(closed.closed) }
    }
}

impl Whole {
    /// One that is at work.
    fn at_work(bench: &Bench, sample: &Shared<Sample>) -> Self {
        let here = bench.specimens.values().chain(bench.cleared.values());
        let mut specimens: Vec<_> = here.filter(|s| s.sample == sample.id).cloned().collect();
        specimens.sort_by_key(|s| s.id);
        Self { sample: sample.clone(), specimens, left: None }
    }

    /// By its identity, or by its code.
    async fn find(state: &AppState, id: &str) -> Result<Self, Problem> {
        let known = code::id_of(id).ok_or_else(|| missing(id))?;
        let found = Self::by_id(state, known).await?;
        found.filter(|whole| whole.sample.id == known).ok_or_else(|| missing(id))
    }

    /// The sample with this identity, with a specimen of this identity, or filed under this key.
    async fn by_id(state: &AppState, id: Uuid) -> Result<Option<Self>, Problem> {
        let committed = state.station.committed().borrow().clone();
        let bench = committed.shown();
        let of = bench.find(id).map_or(id, |specimen| specimen.sample);
        if let Some(sample) = bench.samples.get(&of) {
            return Ok(Some(Self::at_work(&bench, sample)));
        }
        if let Some(closed) = bench.closed.iter().rev().find(|closed| closed.sample.id == of) {
            return Ok(Some((**closed).clone().into()));
        }
        state.journal.closed(id).await.map_err(unreadable)?.map(|row| Self::read(&row)).transpose()
    }

    fn read(row: &ClosedFound) -> Result<Self, Problem> {
        let closed: Result<ClosedSample, _> = serde_json::from_str(&row.state);
        closed.map(Self::from).map_err(|e| unread(row, &e))
    }
}

fn unread(row: &ClosedFound, error: &serde_json::Error) -> Problem {
    let why = format!("sample {} as it was kept cannot be read: {error}", row.label);
    tracing::warn!("{why}");
    Problem::new(StatusCode::INTERNAL_SERVER_ERROR, why)
}

fn missing(id: &str) -> Problem {
    Problem::new(StatusCode::NOT_FOUND, format!("there is no sample `{id}`"))
}

fn bad(why: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, why)
}

fn unreadable(error: JournalError) -> Problem {
    tracing::warn!("a sample could not be read: {error}");
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string())
}
