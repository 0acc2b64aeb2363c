//! Labels to print: one for the bag, one for each tin. Bars and QR symbol hold the same text where
//! nothing else was asked for: the code that the scanner at the bench reads back.

use super::{Problem, Whole, bad};
use crate::domain::intake::sheet::MARGIN_UM;
use crate::domain::intake::{LabelSheet, code};
use crate::domain::shared::Shared;
use crate::domain::specimen::Specimen;
use crate::paper::html::escaped;
use crate::paper::symbol::{self, Symbol};
use crate::web::AppState;
use crate::web::files::source;
use crate::web::pages::Paper;
use crate::web::words::Words;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use uuid::Uuid;

const HTML: &str = include_str!("../page/label.html");

/// Height that bars get at least, and the text line under them, thousandths of a millimetre.
const BARS_LEAST_UM: u32 = 8000;

/// Which labels, and on what.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wanted {
    /// Only this sample's or this specimen's; absent: the bag's and those of all tins.
    of: Option<Uuid>,
    width: Option<u16>,
    height: Option<u16>,
    dots: Option<u16>,
}

impl Wanted {
    fn sheet(&self, usual: LabelSheet) -> Result<LabelSheet, Problem> {
        let sheet = LabelSheet {
            width_mm: self.width.unwrap_or(usual.width_mm),
            height_mm: self.height.unwrap_or(usual.height_mm),
            dots_per_inch: self.dots.unwrap_or(usual.dots_per_inch),
        };
        match sheet.fault() {
            None => Ok(sheet),
            Some((key, why)) => Err(bad(format!("{key} {why}"))),
        }
    }
}

/// What one label says.
struct Label {
    id: Uuid,
    /// What the bars hold.
    bars: String,
    title: String,
    lines: Vec<String>,
}

/// The page: what prints is labels and nothing else, one to a sheet.
pub(super) async fn page(
    State(state): State<AppState>,
    Path(id): Path<String>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(wanted) = wanted.map_err(|e| bad(e.body_text()))?;
    let sheet = wanted.sheet(state.labels)?;
    let whole = Whole::find(&state, &id).await?;
    let words = state.words.now();
    let all = labels(&whole, &words);
    let printed: Vec<&Label> = all.iter().filter(|l| wanted.of.is_none_or(|of| of == l.id)).collect();
    if printed.is_empty() {
        let why = format!(
            "sample {} has no such tin; it has its own label and {}",
            whole.sample.label,
            all.len() - 1
        );
        return Err(Problem::new(StatusCode::NOT_FOUND, why));
    }
    Ok(around(&whole, &all, &printed, sheet, wanted.of, &words).shown(&words))
}

/// The sheet's measures: a page of exactly that size.
pub(super) async fn style(
    State(state): State<AppState>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(wanted) = wanted.map_err(|e| bad(e.body_text()))?;
    let LabelSheet { width_mm: w, height_mm: h, .. } = wanted.sheet(state.labels)?;
    let css = format!(
        "@page {{ size: {w}mm {h}mm; margin: 0; }}\n\
         .label {{ width: {w}mm; height: {h}mm; padding: {}; }}\n",
        mm(MARGIN_UM)
    );
    Ok(([(header::CONTENT_TYPE, "text/css; charset=utf-8")], css).into_response())
}

fn labels(whole: &Whole, words: &Words) -> Vec<Label> {
    let sample = &whole.sample;
    let said = &sample.intake.particulars;
    let bag = Label {
        id: sample.id,
        bars: said.identifier.clone().unwrap_or_else(|| code::digits(sample.id)),
        title: sample.label.clone(),
        // Three lines at most: they stand beside the QR symbol.
        lines: [
            joined(
                said.project.as_deref(),
                said.lot.as_deref().map(|lot| words.t("samples.lot", &[("lot", lot)])),
            ),
            joined(said.material.as_deref(), said.source.clone()),
            said.sampled_at.as_deref().map(|at| words.t("label.sampled", &[("when", &at.replace('T', " "))])),
        ]
        .into_iter()
        .flatten()
        .collect(),
    };
    let tin = |specimen: &Shared<Specimen>| Label {
        id: specimen.id,
        bars: code::digits(specimen.id),
        title: specimen.label.clone(),
        lines: [
            Some(words.t("label.tin", &[("label", &sample.label)])),
            said.project.clone(),
            said.material.clone(),
        ]
        .into_iter()
        .flatten()
        .collect(),
    };
    std::iter::once(bag).chain(whole.specimens.iter().map(tin)).collect()
}

fn joined(one: Option<&str>, other: Option<String>) -> Option<String> {
    match (one, other) {
        (Some(one), Some(other)) => Some(format!("{one}, {other}")),
        (one, other) => one.map(str::to_owned).or(other),
    }
}

/// The page around the labels: which of them, and on what.
fn around(
    whole: &Whole,
    all: &[Label],
    printed: &[&Label],
    sheet: LabelSheet,
    of: Option<Uuid>,
    words: &Words,
) -> Paper {
    let LabelSheet { width_mm, height_mm, dots_per_inch } = sheet;
    let id = whole.sample.id;
    let here = format!("/samples/{id}/label");
    let size = format!("width={width_mm}&amp;height={height_mm}&amp;dots={dots_per_inch}");
    let choice = |label: &Label| {
        format!("<a class=\"link\" href=\"{here}?of={}&amp;{size}\">{}</a>", label.id, escaped(&label.title))
    };
    let of = of.map_or_else(String::new, |of| format!("<input type=\"hidden\" name=\"of\" value=\"{of}\">"));
    // The words first: what people wrote is never looked through for keys.
    let body = words
        .fill(&source("label.html", HTML))
        .replace("<!-- here -->", &here)
        .replace("<!-- size -->", &size)
        .replace("<!-- of -->", &of)
        .replace("<!-- width -->", &width_mm.to_string())
        .replace("<!-- height -->", &height_mm.to_string())
        .replace("<!-- dots -->", &dots_per_inch.to_string())
        .replace("<!-- choices -->", &all.iter().map(choice).collect::<String>())
        .replace("<!-- labels -->", &printed.iter().map(|label| drawn(label, sheet)).collect::<String>());
    Paper {
        title: words.t("label.title", &[("label", &whole.sample.label)]),
        styles: vec!["/page/label.css".to_owned(), format!("{here}.css?{size}")],
        links: vec![(format!("/samples/{id}"), words.t("title.sample", &[]))],
        body,
    }
}

fn drawn(label: &Label, sheet: LabelSheet) -> String {
    let height_um = u32::from(sheet.height_mm) * 1000;
    let inside_um = height_um.saturating_sub(2 * MARGIN_UM);
    let bars = symbol::bars(&label.bars).and_then(|symbol| {
        let module = sheet.module_um(symbol.across, sheet.room_um())?;
        let high = (inside_um / 3).max(BARS_LEAST_UM.min(inside_um / 2));
        Some(svg(&symbol, "bars", symbol.across * module, high, &label.bars))
    });
    let code = code::digits(label.id);
    let qr = symbol::qr(&code).and_then(|symbol| {
        let room = if bars.is_some() { inside_um / 2 } else { inside_um };
        // The quiet zone is part of the symbol; the label's margin does not count for it.
        let module = sheet.module_um(symbol.across, room.min(sheet.room_um() / 2))?;
        Some(svg(&symbol, "qr", symbol.across * module, symbol.down * module, &code))
    });
    let lines: Vec<String> = label.lines.iter().map(|line| format!("<p>{}</p>", escaped(line))).collect();
    let lines = lines.concat();
    format!(
        "<article class=\"label\" data-id=\"{}\"><div class=\"upper\">{}<div class=\"words\"><h2>{}</h2>{lines}</div></div>{}</article>",
        label.id,
        qr.unwrap_or_default(),
        escaped(&label.title),
        bars.map_or_else(String::new, |bars| format!(
            "<div class=\"lower\">{bars}<p class=\"code\">{}</p></div>",
            escaped(&label.bars)
        )),
    )
}

fn svg(symbol: &Symbol, class: &str, width_um: u32, height_um: u32, text: &str) -> String {
    format!(
        "<svg class=\"{class}\" role=\"img\" aria-label=\"{}\" width=\"{}\" height=\"{}\" \
         viewBox=\"0 0 {} {}\" preserveAspectRatio=\"none\" shape-rendering=\"crispEdges\">\
         <path fill=\"#000\" d=\"{}\"/></svg>",
        escaped(text),
        mm(width_um),
        mm(height_um),
        symbol.across,
        symbol.down,
        symbol.path
    )
}

fn mm(um: u32) -> String {
    format!("{}.{:03}mm", um / 1000, um % 1000)
}
