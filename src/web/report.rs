//! Reports and blank worksheets, as a page and as a PDF.
//!
//! The PDF is made by a process of its own, this same program: what a library does with somebody's
//! words can neither end the station nor leave memory behind in it.

use super::pages::Paper;
use super::problem::Problem;
use super::words::Words;
use super::{AppState, samples};
use crate::domain::report::laboratory::{Laboratory, PaperSize};
use crate::journal::{JournalError, Reader};
use crate::paper::facts::{self, Subject};
use crate::paper::report::{self, House};
use crate::paper::sheet::Sheet;
use crate::paper::{html, worksheet};
use axum::Router;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use jiff::tz::TimeZone;
use std::path::PathBuf;
use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::AsyncWriteExt as _;
use tokio::process::Command;
use tokio::sync::Semaphore;

/// How long a PDF may take: it takes a tenth of a second, and a small computer may be busy.
const PRINTED_WITHIN: Duration = Duration::from_secs(30);

/// What reports take beside the journal.
#[derive(Debug, Clone)]
pub struct Reports {
    /// The laboratory, where the settings name it.
    pub laboratory: Option<Laboratory>,
    /// The paper in the printer.
    pub paper: PaperSize,
    /// The program that prints: this one.
    pub program: PathBuf,
    /// One PDF at a time: the bench comes first.
    turn: Arc<Semaphore>,
}

impl Reports {
    /// With this program as the one that prints, also after a new version was installed over it.
    pub fn new(laboratory: Option<Laboratory>, paper: PaperSize) -> Self {
        Self { laboratory, paper, program: "/proc/self/exe".into(), turn: Arc::new(Semaphore::new(1)) }
    }
}

pub(super) fn routes() -> Router<AppState> {
    Router::new()
        .route("/report/{sample}", get(page))
        .route("/report/{sample}/pdf", get(pdf))
        .route("/worksheet/{method}", get(blank_page))
        .route("/worksheet/{method}/pdf", get(blank_pdf))
}

async fn page(State(state): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let (sheet, sample) = sheet_of(&state, &id).await?;
    let words = state.words.now();
    let links = vec![
        (format!("/report/{sample}/pdf"), "PDF".to_owned()),
        (format!("/samples/{sample}"), words.t("title.sample", &[])),
    ];
    Ok(shown(&sheet, links, &words))
}

async fn pdf(State(state): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let (sheet, _) = sheet_of(&state, &id).await?;
    download(&state, &sheet).await
}

async fn blank_page(State(state): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let sheet = blank(&state, &id)?;
    let words = state.words.now();
    let links = vec![
        (format!("/worksheet/{id}/pdf"), "PDF".to_owned()),
        ("/samples".to_owned(), words.t("menu.samples", &[])),
    ];
    Ok(shown(&sheet, links, &words))
}

async fn blank_pdf(State(state): State<AppState>, Path(id): Path<String>) -> Result<Response, Problem> {
    let sheet = blank(&state, &id)?;
    download(&state, &sheet).await
}

fn house<'a>(state: &'a AppState, zone: &'a TimeZone) -> House<'a> {
    House {
        laboratory: state.reports.laboratory.as_ref(),
        paper: state.reports.paper,
        zone_name: &state.zone,
        zone,
    }
}

/// The report of a sample, and the sample's identity.
async fn sheet_of(state: &AppState, id: &str) -> Result<(Sheet, uuid::Uuid), Problem> {
    let subject: Subject = samples::subject(state, id).await?;
    let sample = subject.sample.id;
    let state = state.clone();
    let sheet = tokio::task::spawn_blocking(move || {
        let committed = state.station.committed().borrow().clone();
        let reader = Reader::open(state.journal.path())?;
        let mut facts = facts::gather(&reader, &committed.shown(), subject)?;
        facts.show_in(state.units);
        let zone = TimeZone::get(&state.zone).unwrap_or(TimeZone::UTC);
        Ok::<_, JournalError>(report::report(&facts, &house(&state, &zone)))
    });
    let sheet = sheet.await.map_err(|e| failed(format!("the report could not be put together: {e}")))?;
    let sheet = sheet.map_err(|e| {
        tracing::warn!("a report could not be read: {e}");
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, e.to_string())
    })?;
    Ok((sheet, sample))
}

/// The blank worksheet of a method in use.
fn blank(state: &AppState, id: &str) -> Result<Sheet, Problem> {
    let committed = state.station.committed().borrow().clone();
    let bench = committed.shown();
    let method = bench.current.get(id).and_then(|digest| bench.methods.get(digest));
    let method = method.ok_or_else(|| {
        let known: Vec<_> = bench.current.keys().map(String::as_str).collect();
        let why = format!("there is no method `{id}` in use here; there is {}", known.join(", "));
        Problem::new(StatusCode::NOT_FOUND, why)
    })?;
    let zone = TimeZone::get(&state.zone).unwrap_or(TimeZone::UTC);
    Ok(worksheet::worksheet(method, &house(state, &zone)))
}

/// The page around a sheet: what is printed is the sheet alone.
fn shown(sheet: &Sheet, links: Vec<(String, String)>, words: &Words) -> Response {
    let body = format!("<main>{}</main>", html::article(sheet));
    let styles = vec!["/page/report.css".to_owned()];
    Paper { title: sheet.title.clone(), styles, links, body }.shown(words)
}

async fn download(state: &AppState, sheet: &Sheet) -> Result<Response, Problem> {
    let bytes = printed(&state.reports, sheet).await?;
    let about = [
        (header::CONTENT_TYPE, "application/pdf".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{}\"", sheet.file_name())),
    ];
    Ok((about, bytes).into_response())
}

/// The sheet as a PDF, printed by another process.
async fn printed(reports: &Reports, sheet: &Sheet) -> Result<Vec<u8>, Problem> {
    let text = serde_json::to_vec(sheet).map_err(|e| failed(format!("the sheet cannot be written: {e}")))?;
    let work = async {
        let _turn = reports.turn.acquire().await.map_err(|e| e.to_string())?;
        let mut child = Command::new(&reports.program)
            .arg("print")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .kill_on_drop(true)
            .spawn()
            .map_err(|e| format!("the program cannot be called: {e}"))?;
        if let Some(mut input) = child.stdin.take() {
            // One that ended early says why by itself.
            let _ = input.write_all(&text).await;
        }
        let output = child.wait_with_output().await.map_err(|e| e.to_string())?;
        if output.status.success() {
            Ok(output.stdout)
        } else {
            Err(String::from_utf8_lossy(&output.stderr).trim().to_owned())
        }
    };
    match tokio::time::timeout(PRINTED_WITHIN, work).await {
        Ok(Ok(bytes)) => Ok(bytes),
        Ok(Err(why)) => Err(failed(format!("the PDF could not be made: {why}"))),
        Err(_) => {
            let why = "the PDF took too long; the computer may be busy: try again, or print the page";
            Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, why))
        }
    }
}

fn failed(why: String) -> Problem {
    tracing::warn!("{why}");
    Problem::new(StatusCode::INTERNAL_SERVER_ERROR, why)
}
