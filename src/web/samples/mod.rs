//! The samples of a day, one sample with all that belongs to it, its labels, and where a scan leads.

mod label;
mod symbol;

use super::problem::Problem;
use super::{AppState, files};
use crate::domain::intake::code;
use crate::domain::moment::Moment;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::sample::Sample;
use axum::Router;
use axum::http::StatusCode;
use axum::routing::get;
use uuid::Uuid;

pub(super) fn routes() -> Router<AppState> {
    Router::new()
        .route("/samples", get(files::samples))
        .route("/samples/{id}", get(files::sample))
        .route("/samples/{id}/label", get(label::page))
        .route("/samples/{id}/label.css", get(label::style))
}

/// A sample with its specimens, at work or gone.
#[derive(Debug)]
struct Whole {
    sample: Sample,
    /// In the order in which they were registered.
    specimens: Vec<Specimen>,
    /// When it left the bench; `None`: it is at work.
    left: Option<Moment>,
}

impl Whole {
    /// By its identity, or by its code.
    async fn find(state: &AppState, id: &str) -> Result<Self, Problem> {
        let known = code::id_of(id).ok_or_else(|| missing(id))?;
        Self::by_id(state, known).await?.ok_or_else(|| missing(id))
    }

    async fn by_id(state: &AppState, id: Uuid) -> Result<Option<Self>, Problem> {
        let committed = state.station.committed().borrow().clone();
        let bench = committed.shown();
        let Some(sample) = bench.samples.get(&id) else { return Ok(None) };
        let specimens = bench.specimens.values().filter(|s| s.sample == id);
        Ok(Some(Self {
            sample: (**sample).clone(),
            specimens: specimens.map(|s| (**s).clone()).collect(),
            left: None,
        }))
    }
}

fn missing(id: &str) -> Problem {
    Problem::new(StatusCode::NOT_FOUND, format!("there is no sample `{id}`"))
}
