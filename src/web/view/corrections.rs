//! What can be corrected on a specimen, what was, and what happened to it lately.

use super::ms;
use crate::domain::bench::{Bench, by_text, happened_text, point_text, withdrawn_text};
use crate::domain::method::{Edge, Level, Method, Point};
use crate::domain::specimen::Specimen;
use crate::domain::specimen::correction::{Corrected, Correction};
use serde_json::{Value, json};

/// Entries of the history that a page shows.
const SHOWN: usize = 20;

/// The mark that would be taken back now, and on whom else the same press made it.
pub(super) fn undo(bench: &Bench, specimen: &Specimen, method: &Method, points: &[Point]) -> Option<Value> {
    let last = specimen.last_mark().filter(|_| !specimen.is_complete())?;
    let marked = last.marked();
    let label = |id| bench.specimens.get(id).map(|s| &s.label);
    Some(json!({
        "text": withdrawn_text(&last, method, points),
        "by": by_text(&marked.by),
        "atMs": ms(marked.moment.wall_ns),
        "pressed": bench.was_pressed(specimen),
        "together": bench.marked_with(specimen.id).iter().filter_map(label).collect::<Vec<_>>(),
    }))
}

/// Marked instants, whose time can be corrected.
pub(super) fn marks(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Value> {
    let one = |(point, marked): (&Point, &Option<crate::domain::specimen::Marked>)| {
        let marked = marked.as_ref()?;
        let text = match point.edge {
            Edge::Value(Level::Clay) => "clay reading".to_owned(),
            Edge::Value(Level::Sand) => "sand reading".to_owned(),
            Edge::Done | Edge::Begin | Edge::End => point_text(method, point),
        };
        Some(json!({
            "step": method.steps.get(point.step)?.name,
            "edge": point.edge,
            "text": text,
            "atMs": ms(marked.moment.wall_ns),
        }))
    };
    points.iter().zip(&specimen.points).filter_map(one).collect()
}

/// What was corrected, oldest first.
pub(super) fn corrections(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Value> {
    let one = |c: &Correction| {
        json!({
            "id": c.id,
            "text": text(&c.what, method, points),
            "by": by_text(&c.marked.by),
            "atMs": ms(c.marked.moment.wall_ns),
            "reason": c.reason.as_ref().map(|r| &r.text),
        })
    };
    specimen.corrections.iter().map(one).collect()
}

fn text(what: &Corrected, method: &Method, points: &[Point]) -> String {
    match what {
        Corrected::Withdrawn { what } => format!("{}: taken back", withdrawn_text(what, method, points)),
        Corrected::Time { point, .. } => {
            let name = points.get(*point).map_or_else(String::new, |p| point_text(method, p));
            format!("{name}: time corrected")
        }
        Corrected::Reading { of, readings } => {
            let [from, to] = readings.as_ref();
            let word = if *of == Level::Clay { "clay" } else { "sand" };
            format!("{word} reading corrected from {} to {}", from.level.recorded, to.level.recorded)
        }
        Corrected::Void => "given up after its record was made".to_owned(),
    }
}

/// What happened lately, the last first.
pub(super) fn history(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Value> {
    let lately = specimen.history.iter().rev().take(SHOWN);
    lately
        .map(|noted| {
            json!({
                "text": happened_text(noted.what, method, points),
                "by": by_text(&noted.marked.by),
                "atMs": ms(noted.marked.moment.wall_ns),
                "withdrawn": noted.withdrawn,
            })
        })
        .collect()
}
