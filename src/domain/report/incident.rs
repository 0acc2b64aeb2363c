//! What went otherwise than planned with a specimen, for its record: notes, places, an interrupted
//! run, no line in time, weighings that a person placed. Only a record that has something to tell
//! has this key, and says so by the version of its schema.

use super::measure;
use crate::domain::method::{Method, Point};
use crate::domain::specimen::judge::{self, Verdict};
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Marked, Specimen, Weighing, note, runs};
use serde_json::{Value, json};

/// The incidents of a specimen; `None`: there were none.
pub(super) fn incidents(
    specimen: &Specimen,
    sample: &Sample,
    method: &Method,
    points: &[Point],
) -> Option<Value> {
    let late = sample.repeat.as_ref().map(|repeat| late_line(specimen, repeat));
    let interrupted = runs::interrupted(specimen, method, points);
    let masses = sample.masses.iter().map(|(name, weighing)| (name.as_str(), weighing));
    let own = specimen.mass.iter().map(|weighing| ("specimen", weighing));
    let placed: Vec<Value> = masses.chain(own).filter_map(|(name, w)| placed(name, w)).collect();
    let nothing = specimen.notes.is_empty() && specimen.places.is_empty() && placed.is_empty();
    if nothing && interrupted.is_none() && late.is_none() {
        return None;
    }
    let during = |marked: &Marked| {
        let step = note::undisturbed_at(specimen, method, points, &marked.moment)?;
        Some(method.steps.get(step)?.name.clone())
    };
    Some(json!({
        "notes": specimen.notes.iter().map(|note| json!({
            "kind": note.kind,
            "text": note.text,
            "during": during(&note.marked),
            "at": measure::marked(&note.marked),
        })).collect::<Vec<_>>(),
        "places": specimen.places.iter().map(|change| json!({
            "from": change.from,
            "to": change.to,
            "change": if change.moved { "moved" } else { "corrected" },
            "during": during(&change.marked).filter(|_| change.moved),
            "at": measure::marked(&change.marked),
        })).collect::<Vec<_>>(),
        "interruption": interrupted.map(|whole| interruption(&whole, method)),
        "lateLine": late,
        "placedWeighings": placed,
    }))
}

fn placed(name: &str, weighing: &Weighing) -> Option<Value> {
    let marked = weighing.placed.as_ref()?;
    Some(json!({ "mass": name, "weighing": weighing.id, "at": measure::marked(marked) }))
}

fn interruption(whole: &runs::Whole<'_>, method: &Method) -> Value {
    let verdict = match whole.verdict {
        Verdict::Within => "within",
        Verdict::Short { .. } => "short",
        Verdict::Over { .. } => "over",
        Verdict::NoLimit => "no-limit",
        Verdict::Running => "running",
        Verdict::NotShown => "not-shown",
    };
    json!({
        "step": method.steps.get(whole.step).map(|step| &step.name),
        "runs": whole.runs,
        "total": whole.total.map(|total| measure::duration(total, judge::resolution_ns(method))),
        "counts": if whole.counts { "sum" } else { "first" },
        "verdict": verdict,
        "reason": whole.said.and_then(|said| said.reason.as_ref()),
        // Nobody said so: the method counts a resumed run.
        "said": whole.said.map(|said| measure::marked(&said.marked)),
    })
}

fn late_line(specimen: &Specimen, repeat: &crate::domain::specimen::late::Repeat) -> Value {
    let (standing, text) = if repeat.was_called_by(specimen.id) {
        ("no-line-in-time", "no clear line in time: it does not count by itself")
    } else if repeat.group.contains(&specimen.id) {
        ("new", "one of the new specimens: of them the one that settled soonest counts")
    } else {
        ("before-the-repeat", "the sample is run again with new specimens: it does not count")
    };
    json!({ "standing": standing, "text": text, "specimens": repeat.specimens })
}
