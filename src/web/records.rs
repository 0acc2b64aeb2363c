//! Records and results of years: searched, written to files, and the room that they take.

use super::AppState;
use super::problem::Problem;
use crate::journal::{JournalError, ListedFound, ListedWanted, OutboxRow, Reader};
use crate::keeping::columns::Table;
use crate::keeping::days::Days;
use crate::keeping::export::{self, ExportFault, Form, Wanted};
use crate::keeping::words::Property;
use crate::keeping::{room, table, words};
use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use jiff::tz::TimeZone;
use serde::Deserialize;
use serde_json::{Value, json};
use std::io;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

/// Lines of one answer, unless fewer or more are asked for, and at most.
const USUAL: u32 = 50;
const MOST: u32 = 200;
/// Longest text that is looked for, and most words of it.
const FIND_MAX: usize = 80;
const WORDS_MAX: usize = 8;
/// Bytes that a file is sent in, and pieces that wait for a slow reader.
const PIECE: usize = 64 * 1024;
const PIECES: usize = 2;

pub(super) fn routes() -> Router<AppState> {
    Router::new()
        .route("/records/list", get(list))
        .route("/records/room", get(room_now))
        .route("/records/kept", get(kept))
        .route("/records/export", get(file))
        .route("/records/export/description", get(description))
}

/// Which of the list.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sought {
    find: Option<String>,
    kind: Option<String>,
    status: Option<String>,
    method: Option<String>,
    deviations: Option<String>,
    sample: Option<String>,
    person: Option<String>,
    from: Option<String>,
    to: Option<String>,
    versions: Option<String>,
    before: Option<u64>,
    limit: Option<u32>,
}

/// A page of the list, newest first.
async fn list(
    State(state): State<AppState>,
    sought: Result<Query<Sought>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(sought) = sought.map_err(|e| bad(e.body_text()))?;
    let limit = sought.limit.unwrap_or(USUAL);
    if !(1..=MOST).contains(&limit) {
        return Err(bad(format!("`limit` is {limit}; give 1 to {MOST}")));
    }
    let (words, wanted) = wanted_of_list(&sought, &zone(&state))?;
    let reach = state.listing.for_answer().await.map_err(|e| unreadable(&e))?;
    let found = blocking(&state, move |reader| {
        let found = if words.is_empty() {
            reader.listed(&wanted, limit)?
        } else {
            reader.searched(&words, &wanted, limit)?
        };
        let rows = found.into_iter().filter_map(|found| {
            let row = reader.document_at(found.number).transpose()?;
            Some(row.map(|row| (found, row)))
        });
        rows.collect::<Result<Vec<(ListedFound, OutboxRow)>, JournalError>>()
    })
    .await?;
    let full = found.len() >= limit as usize;
    Ok(axum::Json(json!({
        "zone": &*state.zone,
        "behind": reach.newest.saturating_sub(reach.through),
        "newest": reach.newest,
        "before": found.last().filter(|_| full).map(|(found, _)| found.number),
        "documents": found.iter().map(|(found, row)| words::line(row, found)).collect::<Vec<Value>>(),
    }))
    .into_response())
}

/// The words that are looked for, and the rest.
fn wanted_of_list(sought: &Sought, zone: &TimeZone) -> Result<(Vec<String>, ListedWanted), Problem> {
    let given =
        |text: &Option<String>| text.as_deref().map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned);
    let find = given(&sought.find).unwrap_or_default();
    let mut words = words::sought(&find);
    if find.chars().count() > FIND_MAX || words.len() > WORDS_MAX {
        return Err(bad(format!("`find`: give at most {WORDS_MAX} words and {FIND_MAX} characters")));
    }
    for (property, value) in [
        (Property::Status, &sought.status),
        (Property::Method, &sought.method),
        (Property::Deviations, &sought.deviations),
        (Property::Person, &sought.person),
    ] {
        words.extend(given(value).map(|value| words::tag(property, &value)));
    }
    let kind = given(&sought.kind);
    if kind.as_deref().is_some_and(|kind| !words::KINDS.contains(&kind)) {
        return Err(bad(format!("`kind`: there is {}", words::KINDS.join(" and "))));
    }
    let days = Days::read(sought.from.as_deref(), sought.to.as_deref()).map_err(|e| bad(e.to_string()))?;
    let span = days.span(zone).map_err(|e| bad(e.to_string()))?;
    let wanted = ListedWanted {
        kind,
        label: given(&sought.sample).map(|label| label.to_lowercase()),
        from_ns: span.start,
        before_ns: span.end,
        newest: !all_versions(sought.versions.as_deref())?,
        below: sought.before,
        ..ListedWanted::default()
    };
    Ok((words, wanted))
}

/// What is to be written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    what: Option<String>,
    #[serde(rename = "as")]
    form: Option<String>,
    from: Option<String>,
    to: Option<String>,
    versions: Option<String>,
}

struct Plan {
    wanted: Wanted,
    name: String,
}

fn plan(state: &AppState, asked: &Asked) -> Result<Plan, Problem> {
    let tables = match asked.what.as_deref().unwrap_or("records") {
        "records" => vec![Table::Records],
        "results" => vec![Table::Results],
        "both" => vec![Table::Records, Table::Results],
        other => return Err(bad(format!("`what` is `{other}`; there is: records, results, both"))),
    };
    let form = match asked.form.as_deref().unwrap_or("csv") {
        "csv" => Form::Csv,
        "json-lines" => Form::JsonLines,
        other => return Err(bad(format!("`as` is `{other}`; there is: csv, json-lines"))),
    };
    if form == Form::Csv && tables.len() > 1 {
        return Err(bad(ExportFault::OneKind.to_string()));
    }
    let days = Days::read(asked.from.as_deref(), asked.to.as_deref()).map_err(|e| bad(e.to_string()))?;
    days.span(&zone(state)).map_err(|e| bad(e.to_string()))?;
    let bench = state.station.committed().borrow().bench.clone();
    let what = tables.iter().map(|table| table.word()).collect::<Vec<_>>().join("-and-");
    let name = format!("{}-{what}-{}.{}", bench.station, days.words(), form.ending());
    let all_versions = all_versions(asked.versions.as_deref())?;
    Ok(Plan { wanted: Wanted { tables, days, sample: None, all_versions, form, zone: zone(state) }, name })
}

/// A file, sent while it is read.
async fn file(
    State(state): State<AppState>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(asked) = asked.map_err(|e| bad(e.body_text()))?;
    let Plan { wanted, name } = plan(&state, &asked)?;
    let any = wanted.clone();
    blocking(&state, move |reader| {
        export::list_all(reader)?;
        Ok(export::is_empty(reader, &any))
    })
    .await?
    .map_err(|fault| match fault {
        ExportFault::Nothing(why) => Problem::new(StatusCode::NOT_FOUND, why),
        other => Problem::new(StatusCode::SERVICE_UNAVAILABLE, other.to_string()),
    })?;
    let described = (wanted.form == Form::Csv).then(|| link(&asked));
    let (sender, pieces) = mpsc::channel::<io::Result<Bytes>>(PIECES);
    let (path, form) = (state.journal.path().to_path_buf(), wanted.form);
    tokio::task::spawn_blocking(move || {
        let mut to = io::BufWriter::with_capacity(PIECE, Pieces(sender.clone()));
        let written = Reader::open(&path).map_err(ExportFault::from).and_then(|mut reader| {
            reader.hold_still()?;
            export::list_all(&mut reader)?;
            export::export(&reader, &wanted, &mut to)
        });
        if let Err(error) = written {
            // The reader's connection breaks off: half a file must not look like a whole one.
            tracing::warn!("an export ended early: {error}");
            let _ = sender.blocking_send(Err(io::Error::other(error.to_string())));
        }
    });
    let body = Body::from_stream(ReceiverStream::new(pieces));
    let about = [
        (header::CONTENT_TYPE, form.media().to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    let mut response = (about, body).into_response();
    if let Some(link) = described.and_then(|link| link.parse().ok()) {
        response.headers_mut().insert(header::LINK, link);
    }
    Ok(response)
}

/// Where the description of a table stands (RFC 8288, as CSVW asks for it).
fn link(asked: &Asked) -> String {
    let fields =
        [("what", &asked.what), ("from", &asked.from), ("to", &asked.to), ("versions", &asked.versions)];
    let given: Vec<String> =
        fields.iter().filter_map(|(name, value)| Some(format!("{name}={}", value.as_deref()?))).collect();
    format!(
        "</records/export/description?{}>; rel=\"describedby\"; type=\"{}\"",
        given.join("&"),
        table::DESCRIPTION_TYPE
    )
}

/// The description of a table, to lie beside its file.
async fn description(
    State(state): State<AppState>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(asked) = asked.map_err(|e| bad(e.body_text()))?;
    let Plan { wanted, name } = plan(&state, &asked)?;
    let [only] = wanted.tables.as_slice() else { return Err(bad(ExportFault::OneKind.to_string())) };
    let described = table::description(*only, &name, &state.zone);
    let about = [
        (header::CONTENT_TYPE, table::DESCRIPTION_TYPE.to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}-metadata.json\"")),
    ];
    Ok((about, described.to_string()).into_response())
}

/// The room on the disk.
async fn room_now(State(state): State<AppState>) -> Result<axum::Json<Value>, Problem> {
    let (path, reserve) = (state.journal.path().to_path_buf(), state.reserve);
    let now_ns = state.clock.now().wall_ns;
    let (size, seen) = blocking(&state, move |reader| {
        let seen = room::Seen {
            log: crate::keeping::disk::log(&path),
            free: crate::keeping::disk::free(&path),
            reserve,
            now_ns,
        };
        Ok((reader.size()?, seen))
    })
    .await?;
    let room = room::room(&size, &seen);
    Ok(axum::Json(json!({
        "words": room::words(&room),
        "file": room.file,
        "unused": room.unused,
        "log": room.log,
        "free": room.free,
        "reserve": room.reserve,
        "growthADay": room.growth.map(|growth| growth.a_day),
        "growthDays": room.growth.map(|growth| growth.days),
        "daysLeft": room.days_left,
    })))
}

/// What is kept and for how long, what is held, and what was removed.
async fn kept(State(state): State<AppState>) -> Result<axum::Json<Value>, Problem> {
    let bench = state.station.committed().borrow().bench.clone();
    let removals = blocking(&state, |reader| reader.removals()).await?;
    let told = removals.iter().rev().map(|removal| {
        let payload: Value = serde_json::from_str(&removal.payload).unwrap_or_default();
        let at = |pointer: &str| payload.pointer(pointer).cloned().unwrap_or_default();
        let wall_ns = payload.pointer("/marked/moment/wall_ns").and_then(Value::as_i64);
        json!({
            "done": removal.done,
            "atMs": wall_ns.map(|ns| ns.div_euclid(1_000_000)),
            "who": at("/marked/by/person"),
            "reason": at("/reason"),
            "removed": at("/removed"),
            "file": at("/file"),
            "sha256": at("/sha256"),
        })
    });
    Ok(axum::Json(json!({
        "zone": &*state.zone,
        "rules": &*state.kept,
        "removals": told.collect::<Vec<_>>(),
        "holds": bench.keeping.holds.iter().map(|(sample, hold)| json!({
            "sample": sample,
            "label": hold.label,
            "reason": hold.reason,
            "who": hold.marked.by.person,
            "atMs": hold.marked.moment.wall_ns.div_euclid(1_000_000),
        })).collect::<Vec<_>>(),
    })))
}

/// Asks the journal by a connection of its own: what takes long holds up nobody at the bench.
async fn blocking<T: Send + 'static>(
    state: &AppState,
    question: impl FnOnce(&mut Reader) -> Result<T, JournalError> + Send + 'static,
) -> Result<T, Problem> {
    let path = state.journal.path().to_path_buf();
    let asked = tokio::task::spawn_blocking(move || question(&mut Reader::open(&path)?));
    asked.await.map_err(|_| unreadable(&JournalError::Closed))?.map_err(|e| unreadable(&e))
}

/// Sends what is written, and waits while the other end is slow.
struct Pieces(mpsc::Sender<io::Result<Bytes>>);

impl io::Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let gone = |_| io::Error::from(io::ErrorKind::BrokenPipe);
        self.0.blocking_send(Ok(Bytes::copy_from_slice(bytes))).map_err(gone)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn all_versions(text: Option<&str>) -> Result<bool, Problem> {
    match text.unwrap_or("newest") {
        "newest" => Ok(false),
        "all" => Ok(true),
        other => Err(bad(format!("`versions` is `{other}`; there is: newest, all"))),
    }
}

fn zone(state: &AppState) -> TimeZone {
    TimeZone::get(&state.zone).unwrap_or(TimeZone::UTC)
}

fn bad(why: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, why)
}

fn unreadable(error: &JournalError) -> Problem {
    tracing::warn!("the list of documents could not be read: {error}");
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string())
}
