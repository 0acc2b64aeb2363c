//! A method's instants in one line: what is pressed, entered or passed, in order.
//!
//! The bench walks along these points. Out of time is a matter of the clock and is accepted;
//! out of order is a matter of this list and is refused.

use super::{Begins, Ends, Level, Machine, Method, StepKind, Timed};
use serde::{Deserialize, Serialize};
use std::sync::{Arc, OnceLock};

/// What happens at a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Edge {
    /// A mark step is done.
    Done,
    /// An interval begins.
    Begin,
    /// An interval ends.
    End,
    /// A level is entered.
    Value(Level),
}

/// One instant of the method.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Point {
    /// Index into [`Method::steps`].
    pub step: usize,
    /// What happens.
    pub edge: Edge,
    /// A later point may be marked without this one.
    pub optional: bool,
    /// The machine whose contact may mark it.
    pub machine: Option<Machine>,
    /// The cylinder is clean and its place free when it is marked.
    pub frees_place: bool,
}

/// The points of a method, once somebody asked for them: they are asked for at every input, for each
/// specimen. No part of what the method is.
#[derive(Debug, Default)]
pub(super) struct KnownPoints(OnceLock<Arc<[Point]>>);

impl Clone for KnownPoints {
    /// A copy may be changed, and its points with it.
    fn clone(&self) -> Self {
        Self::default()
    }
}

impl PartialEq for KnownPoints {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Eq for KnownPoints {}

impl Method {
    /// All points, in order. The same method always gives the same list.
    pub fn points(&self) -> Arc<[Point]> {
        Arc::clone(self.known_points.0.get_or_init(|| self.list_points().into()))
    }

    fn list_points(&self) -> Vec<Point> {
        // No step has more than two.
        let mut points = Vec::with_capacity(2 * self.steps.len());
        for (step, s) in self.steps.iter().enumerate() {
            match &s.kind {
                StepKind::Mark { optional, frees_place, .. } => points.push(Point {
                    step,
                    edge: Edge::Done,
                    optional: *optional,
                    machine: None,
                    frees_place: *frees_place,
                }),
                StepKind::Interval(timed) => push_interval(&mut points, step, timed),
                StepKind::Reading { of } => points.push(Point {
                    step,
                    edge: Edge::Value(*of),
                    optional: false,
                    machine: None,
                    frees_place: false,
                }),
            }
        }
        points
    }

    /// The interval rule of a step, if it is an interval.
    pub fn timed(&self, step: usize) -> Option<&Timed> {
        match &self.steps.get(step)?.kind {
            StepKind::Interval(timed) => Some(timed),
            _ => None,
        }
    }
}

/// An interval that begins with the previous step, or ends with the next act, has no point there.
/// The end of an interval that nothing but a reading follows may be missed: then the entry of the
/// value bounds it from above.
fn push_interval(points: &mut Vec<Point>, step: usize, timed: &Timed) {
    let point = |edge, optional| Point { step, edge, optional, machine: timed.machine, frees_place: false };
    if timed.begins == Begins::Press {
        points.push(point(Edge::Begin, timed.optional));
    }
    if timed.ends == Ends::Press {
        let optional = timed.begins == Begins::Previous;
        points.push(point(Edge::End, optional));
    }
}
