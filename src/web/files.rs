//! Page files, built into the program: a station shows its page with nothing else installed.

use super::problem::Problem;
use crate::journal::chain;
use axum::extract::Path;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};

const HTML: &str = "text/html; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";
const STYLE: &str = "text/css; charset=utf-8";

/// Name, type, content.
const FILES: [(&str, &str, &str); 13] = [
    ("bench.css", STYLE, include_str!("page/bench.css")),
    ("bench.js", SCRIPT, include_str!("page/bench.js")),
    ("dom.js", SCRIPT, include_str!("page/dom.js")),
    ("time.js", SCRIPT, include_str!("page/time.js")),
    ("link.js", SCRIPT, include_str!("page/link.js")),
    ("place.js", SCRIPT, include_str!("page/place.js")),
    ("correct.js", SCRIPT, include_str!("page/correct.js")),
    ("entry.js", SCRIPT, include_str!("page/entry.js")),
    ("alarms.js", SCRIPT, include_str!("page/alarms.js")),
    ("lists.js", SCRIPT, include_str!("page/lists.js")),
    ("odd.js", SCRIPT, include_str!("page/odd.js")),
    ("record.js", SCRIPT, include_str!("page/record.js")),
    ("mark.svg", "image/svg+xml", include_str!("page/mark.svg")),
];

pub(super) async fn bench(headers: HeaderMap) -> Response {
    answer(&headers, HTML, include_str!("page/bench.html"))
}

/// The page of one record; its script fetches the document.
pub(super) async fn record(headers: HeaderMap) -> Response {
    answer(&headers, HTML, include_str!("page/record.html"))
}

pub(super) async fn file(headers: HeaderMap, Path(name): Path<String>) -> Response {
    match FILES.iter().find(|(known, _, _)| *known == name) {
        Some((_, kind, text)) => answer(&headers, kind, text),
        None => {
            Problem::new(StatusCode::NOT_FOUND, format!("there is no page file `{name}`")).into_response()
        }
    }
}

/// The file, or 304 if the browser holds the same one.
fn answer(headers: &HeaderMap, kind: &'static str, text: &'static str) -> Response {
    let tag = format!("\"{}\"", chain::hex(&chain::sha256(text.as_bytes())));
    let held = headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok());
    let same = held.is_some_and(|held| held.split(',').any(|t| t.trim().trim_start_matches("W/") == tag));
    let about = [(header::ETAG, tag), (header::CACHE_CONTROL, "no-cache".to_owned())];
    if same {
        return (StatusCode::NOT_MODIFIED, about).into_response();
    }
    (about, [(header::CONTENT_TYPE, kind)], text).into_response()
}
