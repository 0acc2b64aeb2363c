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
const FILES: &[(&str, &str, &str)] = &[
    ("bench.css", STYLE, include_str!("page/bench.css")),
    ("bench.js", SCRIPT, include_str!("page/bench.js")),
    ("dom.js", SCRIPT, include_str!("page/dom.js")),
    ("time.js", SCRIPT, include_str!("page/time.js")),
    ("link.js", SCRIPT, include_str!("page/link.js")),
    ("place.js", SCRIPT, include_str!("page/place.js")),
    ("correct.js", SCRIPT, include_str!("page/correct.js")),
    ("entry.js", SCRIPT, include_str!("page/entry.js")),
    ("measured.js", SCRIPT, include_str!("page/measured.js")),
    ("alarms.js", SCRIPT, include_str!("page/alarms.js")),
    ("lists.js", SCRIPT, include_str!("page/lists.js")),
    ("equipment.js", SCRIPT, include_str!("page/equipment.js")),
    ("checks.js", SCRIPT, include_str!("page/checks.js")),
    ("solutions.js", SCRIPT, include_str!("page/solutions.js")),
    ("batch.js", SCRIPT, include_str!("page/batch.js")),
    ("odd.js", SCRIPT, include_str!("page/odd.js")),
    ("people.js", SCRIPT, include_str!("page/people.js")),
    ("review.js", SCRIPT, include_str!("page/review.js")),
    ("reviewed.js", SCRIPT, include_str!("page/reviewed.js")),
    ("who.js", SCRIPT, include_str!("page/who.js")),
    ("record.js", SCRIPT, include_str!("page/record.js")),
    ("course.js", SCRIPT, include_str!("page/course.js")),
    ("drying.js", SCRIPT, include_str!("page/drying.js")),
    ("samples.js", SCRIPT, include_str!("page/samples.js")),
    ("sample.js", SCRIPT, include_str!("page/sample.js")),
    ("particulars.js", SCRIPT, include_str!("page/particulars.js")),
    ("records.js", SCRIPT, include_str!("page/records.js")),
    ("charts.js", SCRIPT, include_str!("page/charts.js")),
    ("quality.js", SCRIPT, include_str!("page/quality.js")),
    ("scan.js", SCRIPT, include_str!("page/scan.js")),
    ("label.js", SCRIPT, include_str!("page/label.js")),
    ("label.css", STYLE, include_str!("page/label.css")),
    ("report.css", STYLE, include_str!("page/report.css")),
    ("mark.svg", "image/svg+xml", include_str!("page/mark.svg")),
];

/// The menu of every page, in the order of a day's work: id of the link, address, word.
const MENU: [(&str, &str, &str); 7] = [
    ("bench", "/", "Bench"),
    ("samples", "/samples", "Samples"),
    ("review", "/review", "Review"),
    ("solutions", "/solutions", "Solutions"),
    ("equipment", "/equipment", "Equipment"),
    ("records", "/records", "Records"),
    ("people", "/people", "People"),
];

/// The bench page.
pub(super) async fn bench(headers: HeaderMap) -> Response {
    page(&headers, "/", include_str!("page/bench.html"))
}

/// The page of one record; its script fetches the document.
pub(super) async fn record(headers: HeaderMap) -> Response {
    page(&headers, "", include_str!("page/record.html"))
}

/// The page of a day's samples; its script fetches them.
pub(super) async fn samples(headers: HeaderMap) -> Response {
    page(&headers, "/samples", include_str!("page/samples.html"))
}

/// The page of one sample; its script fetches it.
pub(super) async fn sample(headers: HeaderMap) -> Response {
    page(&headers, "", include_str!("page/sample.html"))
}

/// The page of records and results; its script fetches them.
pub(super) async fn records(headers: HeaderMap) -> Response {
    page(&headers, "/records", include_str!("page/records.html"))
}

/// The page of the control charts; its script fetches them.
pub(super) async fn charts(headers: HeaderMap) -> Response {
    page(&headers, "", include_str!("page/charts.html"))
}

/// The page of the equipment; its script fetches the list.
pub(super) async fn equipment(headers: HeaderMap) -> Response {
    page(&headers, "/equipment", include_str!("page/equipment.html"))
}

/// The page of the solutions; its script fetches the shelf.
pub(super) async fn solutions(headers: HeaderMap) -> Response {
    page(&headers, "/solutions", include_str!("page/solutions.html"))
}

/// The page of the register of people; its script fetches it.
pub(super) async fn people(headers: HeaderMap) -> Response {
    page(&headers, "/people", include_str!("page/people.html"))
}

/// The page of what waits for review; its script fetches it.
pub(super) async fn review(headers: HeaderMap) -> Response {
    page(&headers, "/review", include_str!("page/review.html"))
}

pub(super) async fn file(headers: HeaderMap, Path(name): Path<String>) -> Response {
    match FILES.iter().find(|(known, _, _)| *known == name) {
        Some((_, kind, text)) => answer(&headers, kind, (*text).to_owned()),
        None => {
            Problem::new(StatusCode::NOT_FOUND, format!("there is no page file `{name}`")).into_response()
        }
    }
}

/// A page with the menu in place of `<!-- menu -->`; the link to the page itself says so.
fn page(headers: &HeaderMap, here: &str, text: &str) -> Response {
    let link = |(id, address, word): (&str, &str, &str)| {
        let current = if address == here { " aria-current=\"page\"" } else { "" };
        format!("<a class=\"link\" id=\"menu-{id}\" href=\"{address}\"{current}>{word}</a>")
    };
    answer(headers, HTML, text.replace("<!-- menu -->", &MENU.map(link).concat()))
}

/// The file, or 304 if the browser holds the same one.
fn answer(headers: &HeaderMap, kind: &'static str, text: String) -> Response {
    let tag = format!("\"{}\"", chain::hex(&chain::sha256(text.as_bytes())));
    let held = headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok());
    let same = held.is_some_and(|held| held.split(',').any(|t| t.trim().trim_start_matches("W/") == tag));
    let about = [(header::ETAG, tag), (header::CACHE_CONTROL, "no-cache".to_owned())];
    if same {
        return (StatusCode::NOT_MODIFIED, about).into_response();
    }
    (about, [(header::CONTENT_TYPE, kind)], text).into_response()
}
