//! What a person notes of a specimen at a touch, where its cylinder stood, and which of that is a
//! deviation: the method's data say ([`NoteRules`](crate::domain::method::NoteRules)).

use super::judge::{Code, Deviation};
use super::{Marked, Specimen};
use crate::domain::method::{Method, NoteRule, Point};
use crate::domain::moment::Moment;
use serde::{Deserialize, Serialize};

/// What a note says: one touch, or words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoteKind {
    /// The cylinder was bumped, or the bench was shaken.
    Bumped,
    /// Material or solution was spilled.
    Spilled,
    /// The cylinder or its stopper leaked.
    Leaked,
    /// The foot was dropped rather than lowered.
    FootDropped,
    /// Words of the person's own.
    Words,
}

impl NoteKind {
    /// In a sentence about the specimen.
    pub const fn said(self) -> &'static str {
        match self {
            Self::Bumped => "the cylinder was bumped",
            Self::Spilled => "something was spilled",
            Self::Leaked => "the cylinder leaked",
            Self::FootDropped => "the foot was dropped",
            Self::Words => "noted",
        }
    }
}

/// A note on a specimen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// What it says.
    pub kind: NoteKind,
    /// Words beside it.
    pub text: Option<String>,
    /// When it happened, and who noted it.
    pub marked: Marked,
}

/// The place of a specimen changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlaceChange {
    /// The place before.
    pub from: u32,
    /// The place after.
    pub to: u32,
    /// The cylinder was carried; else its number was wrong and it always stood there.
    pub moved: bool,
    /// When, and who said so.
    pub marked: Marked,
}

/// The step during which the cylinder stands undisturbed that ran at an instant.
pub fn undisturbed_at(specimen: &Specimen, method: &Method, points: &[Point], at: &Moment) -> Option<usize> {
    if specimen.voided.as_ref().is_some_and(|(_, marked)| at.since(&marked.moment).ns > 0) {
        return None;
    }
    (0..method.steps.len()).filter(|step| method.is_undisturbed(*step)).find(|step| {
        specimen.span(method, points, *step).is_some_and(|span| {
            at.since(&span.begin.marked.moment).ns >= 0
                && span.end.is_none_or(|end| end.marked.moment.since(at).ns > 0)
        })
    })
}

/// Deviations that notes and carried cylinders make.
pub(super) fn deviations(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Deviation> {
    let rules = &method.notes;
    let notes = specimen.notes.iter().filter_map(|note| {
        let (code, rule) = match note.kind {
            NoteKind::Bumped => (Code::Bumped, &rules.bumped),
            NoteKind::Spilled => (Code::Spilled, &rules.spilled),
            NoteKind::Leaked => (Code::Leaked, &rules.leaked),
            NoteKind::FootDropped => (Code::FootDropped, &rules.foot_dropped),
            NoteKind::Words => return None,
        };
        let actual = note.text.clone().unwrap_or_else(|| note.kind.said().to_owned());
        touched(specimen, method, points, (code, rule.value?), (note.kind.said(), &actual), &note.marked)
    });
    let moves = specimen.places.iter().filter(|change| change.moved).filter_map(|change| {
        let what = (Code::Moved, rules.moved.value?);
        let actual = format!("from place {} to place {}", change.from, change.to);
        touched(specimen, method, points, what, ("the cylinder was moved", &actual), &change.marked)
    });
    notes.chain(moves).collect()
}

fn touched(
    specimen: &Specimen,
    method: &Method,
    points: &[Point],
    (code, rule): (Code, NoteRule),
    (said, actual): (&str, &str),
    marked: &Marked,
) -> Option<Deviation> {
    let step = undisturbed_at(specimen, method, points, &marked.moment)
        .and_then(|step| Some(method.steps.get(step)?.name.clone()));
    let breach = match rule {
        NoteRule::Never => false,
        NoteRule::Undisturbed => step.is_some(),
        // What happens to a cylinder that has been read changes no number of it.
        NoteRule::Always => {
            specimen.sand.as_ref().is_none_or(|sand| sand.moment.since(&marked.moment).ns >= 0)
        }
    };
    breach.then(|| Deviation {
        code,
        what: step.as_ref().map_or_else(|| said.to_owned(), |step| format!("{said} during {step}")),
        required: if code == Code::FootDropped { "lowered gently" } else { undisturbed(code) }.to_owned(),
        actual: actual.to_owned(),
        step,
        by: None,
        moment: Some(marked.moment),
    })
}

const fn undisturbed(code: Code) -> &'static str {
    match code {
        Code::Bumped | Code::Moved => "undisturbed",
        _ => "nothing lost",
    }
}
