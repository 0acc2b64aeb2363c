//! A specimen's short history in words, for whoever saw an older version of it.

use super::refusal::Told;
use super::{Bench, point_text};
use crate::domain::method::{Method, Point};
use crate::domain::specimen::history::{Happened, Noted};
use crate::domain::specimen::{By, Specimen};

impl Bench {
    /// What happened to a specimen after a version, oldest first.
    pub fn told_since(&self, specimen: &Specimen, version: u32) -> Vec<Told> {
        let Some((method, points)) = self.rule(specimen) else { return Vec::new() };
        let tell = |noted: &Noted| Told {
            what: format!("place {}: {}", specimen.place, happened_text(noted.what, method, &points)),
            by: by_text(&noted.marked.by),
            at_ms: noted.marked.moment.wall_ns.div_euclid(1_000_000),
        };
        specimen.noted_since(version).map(tell).collect()
    }
}

/// Who did something, in words.
pub fn by_text(by: &By) -> String {
    by.person.clone().unwrap_or_else(|| by.via.clone())
}

/// What happened, in words.
pub fn happened_text(what: Happened, method: &Method, points: &[Point]) -> String {
    let point = |at: usize| points.get(at).map_or_else(|| "?".to_owned(), |p| point_text(method, p));
    match what {
        Happened::Marked { point: at } => point(at),
        Happened::Read { of, .. } => format!("{} reading entered", of.word()),
        Happened::RunBegan => "a further run began".to_owned(),
        Happened::RunEnded => "the further run ended".to_owned(),
        Happened::NoLine => "no line yet".to_owned(),
        Happened::Weighed => "its mass was taken".to_owned(),
        Happened::Counted => "strokes were entered".to_owned(),
        Happened::MaterialStated => "moisture or fines of its material were stated".to_owned(),
        Happened::MassTakenAway => "its mass was given to another".to_owned(),
        Happened::Noted => "a note was made".to_owned(),
        Happened::EdgesUnseen => "a switch did not show all that it did".to_owned(),
        Happened::RunInterrupted => "the interrupted run was judged".to_owned(),
        Happened::PlaceCorrected { from, to } => {
            format!("it always stood at place {to}, not at place {from}")
        }
        Happened::PlaceChanged { from, to } => format!("it was carried from place {from} to place {to}"),
        Happened::Completed => "complete".to_owned(),
        Happened::Voided => "given up".to_owned(),
        Happened::Withdrawn => "the last mark was taken back".to_owned(),
        Happened::TimeCorrected { point: at } => format!("the time of '{}' was corrected", point(at)),
        Happened::ReadingCorrected { of } => format!("the {} reading was corrected", of.word()),
        Happened::ReasonGiven => "a reason was given".to_owned(),
        Happened::Reviewed { decision } => format!("its record was {}", decision.word()),
    }
}
