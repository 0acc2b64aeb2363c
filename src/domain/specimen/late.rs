//! No clear line in time: up to the method's longest sedimentation in all it is waited for, beyond
//! it new specimens of the sample are called for, and the one of them that settled soonest gives
//! both readings (AASHTO T 176 / ASTM D2419, from memory; the method file says what is silent).
//!
//! ```text
//!  'no line yet' ── line within the total ──────────────▶ counts, no deviation
//!        └───────── beyond it ──▶ repeat called for ──▶ new specimens ──▶ the soonest: one result
//! ```

use super::{Marked, Specimen, judge};
use crate::domain::method::{Method, Point};
use crate::domain::moment::{Basis, Moment};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// How long the sedimentation of a complete specimen took.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Settled {
    /// Nanoseconds, exactly.
    pub ns: i64,
    /// The clock of both ends.
    pub basis: Basis,
    /// Its end was not marked: it took no longer than this.
    pub bound: bool,
    /// The method's time resolution, nanoseconds, for people.
    pub resolution_ns: i64,
}

/// A specimen that had no line in time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LateSpecimen {
    /// The specimen.
    pub specimen: Uuid,
    /// Its label.
    pub label: String,
    /// When it was known.
    pub at: Moment,
}

/// A test that is run again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Repeat {
    /// The specimens that had no line in time.
    pub called_by: Vec<LateSpecimen>,
    /// New specimens that the method asks for.
    pub specimens: u32,
    /// The new specimens, in the order in which they took their places; not those given up.
    pub group: Vec<Uuid>,
    /// New specimens that were given up, and count again if that is taken back.
    #[serde(default)]
    pub given_up: Vec<Uuid>,
}

impl Repeat {
    /// New specimens that the result waits for: those asked for, or more if more are at work; of
    /// them, so many have another in their place.
    pub fn wanted(&self, replaced: u32) -> u32 {
        let at_work = u32::try_from(self.group.len()).unwrap_or(u32::MAX);
        self.specimens.max(at_work.saturating_sub(replaced))
    }

    /// One of the new specimens is given up; nothing if it is none of them.
    pub fn give_up(&mut self, specimen: Uuid) {
        if let Some(index) = self.group.iter().position(|new| *new == specimen) {
            self.given_up.push(self.group.remove(index));
        }
    }

    /// That one of the new specimens was given up is taken back.
    pub fn take_up(&mut self, specimen: Uuid) {
        if let Some(index) = self.given_up.iter().position(|gone| *gone == specimen) {
            self.group.push(self.given_up.remove(index));
        }
    }

    /// The specimen had no line in time.
    pub fn was_called_by(&self, specimen: Uuid) -> bool {
        self.called_by.iter().any(|late| late.specimen == specimen)
    }
}

/// How long the sedimentation of a specimen took: the interval that ends with the clay reading.
pub fn settled(specimen: &Specimen, method: &Method, points: &[Point]) -> Option<Settled> {
    let step = sedimentation(method)?;
    let span = specimen.span(method, points, step)?;
    let end = span.end?;
    let elapsed = span.elapsed(&end.marked.moment);
    let resolution_ns = judge::resolution_ns(method);
    Some(Settled { ns: elapsed.ns, basis: elapsed.basis, bound: end.bound, resolution_ns })
}

/// The instant after which a specimen has had no line in time, if it can come to that: somebody
/// has said 'no line yet', and no line has been read.
pub fn no_line_after<'a>(
    specimen: &'a Specimen,
    method: &Method,
    points: &[Point],
) -> Option<(&'a Marked, i64)> {
    if specimen.is_over() || specimen.no_line.is_empty() {
        return None;
    }
    let (step, span) = specimen.running(method, points)?;
    let total = method.late_line.total_max_ns.value.filter(|_| judge::follows_on(method, step))?;
    // Just past the total at the method's resolution: at the total it is still kept.
    Some((span.begin.marked, total.saturating_add(judge::resolution_ns(method) / 2)))
}

/// Whether a specimen has had no line in time, seen from `now`. `None` where nothing shows it: its
/// line was read by a time that is not marked, or it was given up. Where a mark was taken back
/// (the end of the sedimentation, its begin, a 'no line yet'), what is left of them tells.
pub fn was_late(specimen: &Specimen, method: &Method, points: &[Point], now: &Moment) -> Option<bool> {
    let total = method.late_line.total_max_ns.value?;
    let step = sedimentation(method)?;
    let Some(span) = specimen.span(method, points, step) else { return Some(false) };
    let resolution = judge::resolution_ns(method);
    let over = |to: &Moment| judge::at_resolution(to.since(&span.begin.marked.moment).ns, resolution) > total;
    if specimen.no_line.iter().any(|said| over(&said.moment)) {
        return Some(true);
    }
    let waited = !specimen.no_line.is_empty();
    match span.end {
        // An end that is only bounded shows neither.
        Some(end) => (!end.bound).then(|| waited && over(&end.marked.moment)),
        None if specimen.voided.is_some() => None,
        None => Some(waited && over(now)),
    }
}

fn sedimentation(method: &Method) -> Option<usize> {
    (0..method.steps.len()).rev().find(|step| judge::follows_on(method, *step))
}
