//! Page files, built into the program: a station shows its page with nothing else installed.

use super::AppState;
use super::problem::Problem;
use crate::journal::chain;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::borrow::Cow;

/// Names and contents of the files of `page`.
macro_rules! page_files {
    ($($name:literal)*) => { &[$(($name, include_str!(concat!("page/", $name)))),*] };
}

#[rustfmt::skip]
const FILES: &[(&str, &str)] = page_files![
    "base.css" "bench.css" "lists.css" "room.css" "label.css" "report.css" "theme.js" "words.js" "shell.js"
    "dom.js" "time.js" "link.js" "who.js" "sound.js" "scan.js" "bench.js" "place.js" "cylinder.js"
    "ahead.js" "bar.js" "sheet.js" "entry.js" "correct.js" "odd.js" "measured.js" "alarms.js"
    "lists.js" "room.js" "others.js" "samples.js" "sample.js" "particulars.js" "course.js" "drying.js"
    "quality.js" "record.js" "compare.js" "reviewed.js" "records.js" "charts.js" "equipment.js" "checks.js"
    "solutions.js" "batch.js" "waits.js" "people.js" "review.js" "settings.js" "label.js" "door.js" "account.js"
    "mark.svg"
];

/// A file of `page` by its name there. A debug build takes it from the sources where it runs beside
/// them, so that a change shows at the next reload.
pub(super) fn source(name: &str, built_in: &'static str) -> Cow<'static, str> {
    if cfg!(debug_assertions)
        && let Ok(text) = std::fs::read_to_string(format!("src/web/page/{name}"))
    {
        return text.into();
    }
    built_in.into()
}

fn kind_of(name: &str) -> &'static str {
    match name.rsplit('.').next() {
        Some("css") => "text/css; charset=utf-8",
        Some("svg") => "image/svg+xml",
        _ => "text/javascript; charset=utf-8",
    }
}

/// One file that pages take; `catalogue.js` holds the words of the station's language.
pub(super) async fn file(
    State(state): State<AppState>,
    headers: HeaderMap,
    Path(name): Path<String>,
) -> Response {
    if name == "catalogue.js" {
        return answer(&headers, kind_of(&name), state.words.now().module());
    }
    match FILES.iter().find(|(known, _)| *known == name) {
        Some((_, text)) => answer(&headers, kind_of(&name), source(&name, text).into_owned()),
        None => {
            Problem::new(StatusCode::NOT_FOUND, format!("there is no page file `{name}`")).into_response()
        }
    }
}

/// The file, or 304 if the browser holds the same one.
pub(super) fn answer(headers: &HeaderMap, kind: &'static str, text: String) -> Response {
    let tag = format!("\"{}\"", chain::hex(&chain::sha256(text.as_bytes())));
    let held = headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok());
    let same = held.is_some_and(|held| held.split(',').any(|t| t.trim().trim_start_matches("W/") == tag));
    let about = [(header::ETAG, tag), (header::CACHE_CONTROL, "no-cache".to_owned())];
    if same {
        return (StatusCode::NOT_MODIFIED, about).into_response();
    }
    (about, [(header::CONTENT_TYPE, kind)], text).into_response()
}
