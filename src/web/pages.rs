//! The HTML of each page: one shell around every page's own part, in the words of one language.

use super::AppState;
use super::files::{answer, source};
use super::words::Words;
use crate::paper::html::escaped;
use axum::Router;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use std::future::ready;

const HTML: &str = "text/html; charset=utf-8";
/// What every page begins with, on screen and on paper.
const HEAD: &str = include_str!("page/head.html");
const SHELL: &str = include_str!("page/shell.html");
const PAPER: &str = include_str!("page/paper.html");

/// One page.
#[derive(Debug)]
struct Page {
    /// Its route.
    at: &'static str,
    /// Key of its title.
    title: &'static str,
    /// Names its script, which fetches what it shows, and its own part of the HTML.
    name: &'static str,
    html: &'static str,
}

macro_rules! page {
    ($at:literal, $title:literal, $name:literal) => {
        Page { at: $at, title: $title, name: $name, html: include_str!(concat!("page/", $name, ".html")) }
    };
}

/// Every page that has the shell.
const PAGES: [Page; 12] = [
    page!("/", "menu.bench", "bench"),
    page!("/room", "menu.room", "room"),
    page!("/samples", "menu.samples", "samples"),
    page!("/samples/{id}", "title.sample", "sample"),
    page!("/review", "menu.review", "review"),
    page!("/solutions", "menu.solutions", "solutions"),
    page!("/equipment", "menu.equipment", "equipment"),
    page!("/records", "menu.records", "records"),
    page!("/record/{id}", "title.record", "record"),
    page!("/charts", "title.charts", "charts"),
    page!("/people", "menu.people", "people"),
    page!("/settings", "menu.settings", "settings"),
];

/// The menu of every page, in the order of a day's work: id of the link, address, key of its word.
const MENU: [(&str, &str, &str); 9] = [
    ("bench", "/", "menu.bench"),
    ("samples", "/samples", "menu.samples"),
    ("review", "/review", "menu.review"),
    ("solutions", "/solutions", "menu.solutions"),
    ("equipment", "/equipment", "menu.equipment"),
    ("records", "/records", "menu.records"),
    ("room", "/room", "menu.room"),
    ("people", "/people", "menu.people"),
    ("settings", "/settings", "menu.settings"),
];

/// Keys of the words of titles and menu.
#[cfg(test)]
pub(super) fn words() -> impl Iterator<Item = &'static str> {
    PAGES.iter().chain([&ENTRY]).map(|page| page.title).chain(MENU.iter().map(|(_, _, word)| *word))
}

/// All pages.
pub(super) fn routes() -> Router<AppState> {
    PAGES.iter().fold(Router::new(), |router, page| {
        let show = move |State(state): State<AppState>, headers: HeaderMap| {
            ready(answer(&headers, HTML, page.whole(&state.words.now())))
        };
        router.route(page.at, get(show))
    })
}

impl Page {
    /// The whole page; the menu's link to the page itself says so.
    fn whole(&self, words: &Words) -> String {
        let link = |(id, address, word): (&str, &str, &str)| {
            let current = if address == self.at { " aria-current=\"page\"" } else { "" };
            format!("<a class=\"link\" id=\"menu-{id}\" href=\"{address}\"{current}>{{{{{word}}}}}</a>")
        };
        let whole = source("shell.html", SHELL)
            .replace("<!-- head -->", &source("head.html", HEAD))
            .replace("<!-- body -->", &source(&format!("{}.html", self.name), self.html))
            .replace("<!-- menu -->", &MENU.map(link).concat())
            .replace("<!-- script -->", &format!("{}.js", self.name))
            .replace("<!-- title -->", &format!("{{{{{}}}}}", self.title));
        words.fill(&whole)
    }
}

const ENTRY: Page =
    Page { at: "/sign-on", title: "door.title", name: "door", html: include_str!("page/door.html") };

/// The page to sign on: in the same shell, of which nothing is left but the name.
pub(super) async fn sign_on(State(state): State<AppState>, headers: HeaderMap) -> Response {
    let whole = ENTRY.whole(&state.words.now()).replace("<body class=\"waiting\">", "<body class=\"door\">");
    answer(&headers, HTML, whole)
}

/// The page around something to print: on paper nothing is left of it.
#[derive(Debug)]
pub(super) struct Paper {
    /// Its title, as text.
    pub title: String,
    /// Addresses of its own style sheets, as they stand in HTML.
    pub styles: Vec<String>,
    /// Links beside the one to the bench: address, and words as text.
    pub links: Vec<(String, String)>,
    /// What stands under the top, as HTML.
    pub body: String,
}

impl Paper {
    /// The whole page. The words come first: what people wrote is never looked through for keys.
    pub(super) fn shown(&self, words: &Words) -> Response {
        let style = |address: &String| format!("<link rel=\"stylesheet\" href=\"{address}\">\n");
        let link = |(address, words): &(String, String)| {
            format!("<a class=\"link\" href=\"{address}\">{}</a>", escaped(words))
        };
        let whole = words
            .fill(&source("paper.html", PAPER).replace("<!-- head -->", &source("head.html", HEAD)))
            .replace("<!-- styles -->", &self.styles.iter().map(style).collect::<String>())
            .replace("<!-- links -->", &self.links.iter().map(link).collect::<String>())
            .replace("<!-- title -->", &escaped(&self.title))
            .replace("<!-- body -->", &self.body);
        ([(header::CONTENT_TYPE, HTML)], whole).into_response()
    }
}
