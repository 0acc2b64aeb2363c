//! Where a specimen stands on its method's points, what may come next, and how long steps lasted.

use super::{Marked, Specimen};
use crate::domain::method::{Begins, Edge, Ends, Machine, Method, Point};
use crate::domain::moment::{Basis, Elapsed, Moment, SECOND};

/// Further runs of the machine that one cylinder can have. Nobody makes so many: it is a contact that
/// chatters, and each would stand in the record. What it says beyond is kept like a press that nobody
/// waits for. Common practice, no source: a run that was held up is taken up again once or twice.
pub const FURTHER_RUNS_MOST: usize = 40;

/// One end of an interval: exactly marked, or only known to lie on one side of an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EndPoint<'a> {
    /// The instant.
    pub marked: &'a Marked,
    /// The end itself was not marked: a begin is 'no earlier than', an end 'no later than' this.
    pub bound: bool,
}

/// An interval of the specimen as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span<'a> {
    /// Where it began.
    pub begin: EndPoint<'a>,
    /// Where it ended; `None` while it runs.
    pub end: Option<EndPoint<'a>>,
}

impl Span<'_> {
    /// Duration so far, or in all; `None` where the clocks of its two ends cannot both be right, as while
    /// the machine's clock has not been set since it was restarted.
    pub fn known(&self, now: &Moment) -> Option<Elapsed> {
        self.end.map_or(*now, |e| e.marked.moment).known_since(&self.begin.marked.moment)?;
        Some(self.elapsed(now))
    }

    /// Duration so far, or in all, as the clocks of both ends have it: see [`known`](Self::known).
    ///
    /// On one boot's clock never negative: two stamps that overtook each other are simultaneous.
    pub fn elapsed(&self, now: &Moment) -> Elapsed {
        let mut elapsed = self.end.map_or(*now, |e| e.marked.moment).since(&self.begin.marked.moment);
        if elapsed.basis == Basis::BootClock {
            elapsed.ns = elapsed.ns.max(0);
        }
        elapsed
    }
}

impl Specimen {
    /// Index of the last point that was marked.
    pub fn last_marked(&self) -> Option<usize> {
        self.points.iter().rposition(Option::is_some)
    }

    /// The last instant of the specimen, for the order of times.
    pub fn last_moment(&self) -> &Moment {
        let runs = self.further_runs.iter().flat_map(|run| [Some(&run.begin), run.end.as_ref()]);
        let all = self.points.iter().map(Option::as_ref).chain(runs).flatten().chain(&self.no_line);
        all.map(|marked| &marked.moment).fold(&self.registered.moment, |latest, moment| {
            if moment.since(latest).ns > 0 { moment } else { latest }
        })
    }

    /// The begin of the run in the machine, the last one.
    pub fn last_begin(&self) -> Option<&Marked> {
        let run = self.further_runs.last().map(|run| &run.begin);
        run.or_else(|| self.points.get(self.last_marked()?)?.as_ref())
    }

    /// Points that may be marked now, in order: the next one, and those behind optional ones.
    /// While the shaker makes a further run, nothing else is possible; of a specimen that was given
    /// up only one is: its cylinder is cleaned, once the machine has ended with it.
    pub fn possible(&self, points: &[Point]) -> Vec<usize> {
        if self.open_further_run().is_some() {
            return Vec::new();
        }
        if self.voided.is_some() {
            return points.iter().position(|p| p.frees_place).into_iter().collect();
        }
        let next = self.last_marked().map_or(0, |i| i + 1);
        let mut found = Vec::new();
        for (index, point) in points.iter().enumerate().skip(next) {
            found.push(index);
            if !point.optional {
                break;
            }
        }
        found
    }

    /// The further run of the shaker that has not ended.
    pub fn open_further_run(&self) -> Option<usize> {
        self.further_runs.iter().position(|r| r.end.is_none())
    }

    /// The machine has just finished with the cylinder and nothing came after: it may run again, up to
    /// [`FURTHER_RUNS_MOST`] times.
    pub fn may_run_again(&self, points: &[Point], machine: Machine) -> bool {
        self.open_further_run().is_none()
            && self.further_runs.len() < FURTHER_RUNS_MOST
            && self.voided.is_none()
            && self
                .last_marked()
                .and_then(|i| points.get(i))
                .is_some_and(|p| p.machine == Some(machine) && p.edge == Edge::End)
    }

    /// The machine runs with this cylinder in it (first run or a further one).
    pub fn is_in_machine(&self, points: &[Point], machine: Machine) -> bool {
        let begun = self
            .last_marked()
            .and_then(|i| points.get(i))
            .is_some_and(|p| p.machine == Some(machine) && p.edge == Edge::Begin);
        self.voided.is_none() && (begun || self.open_further_run().is_some())
    }

    /// The span of a step, if it has begun.
    pub fn span(&self, method: &Method, points: &[Point], step: usize) -> Option<Span<'_>> {
        let timed = method.timed(step)?;
        let own = |edge: Edge| points.iter().position(|p| p.step == step && p.edge == edge);
        let at = |index: usize| self.points.get(index)?.as_ref();
        let exact = |marked| EndPoint { marked, bound: false };

        let (begin_index, begin) = if let (Begins::Press, Some(index)) = (timed.begins, own(Edge::Begin)) {
            match at(index) {
                Some(marked) => (index, exact(marked)),
                None => (index, self.bound_before(points, index, step)?),
            }
        } else {
            // The end of the step before it, not just anything that came earlier.
            let first_own = points.iter().position(|p| p.step >= step)?;
            let before = first_own.checked_sub(1)?;
            (before, exact(at(before)?))
        };
        let end = match (timed.ends, own(Edge::End)) {
            (Ends::Press, Some(index)) => at(index).map(exact).or_else(|| {
                let (_, marked) = self.marked_after(index)?;
                Some(EndPoint { marked, bound: true })
            }),
            _ => self
                .marked_after(begin_index)
                .map(|(index, marked)| EndPoint { marked, bound: index != begin_index + 1 }),
        };
        // A step that nobody began, and that a later act has passed, has no span of its own.
        if begin.bound && own(Edge::End).is_none_or(|i| at(i).is_none()) {
            return None;
        }
        Some(Span { begin, end })
    }

    fn bound_before(&self, points: &[Point], index: usize, step: usize) -> Option<EndPoint<'_>> {
        // Only a step that has an end of its own can be known by its end alone.
        points.iter().find(|p| p.step == step && p.edge == Edge::End)?;
        let last_run = self.further_runs.last().and_then(|r| r.end.as_ref());
        let marked = last_run.or_else(|| Some(self.marked_before(index)?.1))?;
        Some(EndPoint { marked, bound: true })
    }

    fn marked_before(&self, index: usize) -> Option<(usize, &Marked)> {
        self.points.iter().enumerate().take(index).rev().find_map(|(i, m)| Some((i, m.as_ref()?)))
    }

    fn marked_after(&self, index: usize) -> Option<(usize, &Marked)> {
        self.points.iter().enumerate().skip(index + 1).find_map(|(i, m)| Some((i, m.as_ref()?)))
    }

    /// The interval that runs now, with its step: the last one begun and not ended.
    pub fn running<'a>(&'a self, method: &Method, points: &[Point]) -> Option<(usize, Span<'a>)> {
        let last = self.last_marked().filter(|_| !self.is_over())?;
        // What began before the last marked point has ended by it; what has a point behind the next one
        // has not begun.
        let first = points.get(last)?.step;
        let most = points.get(last + 1).map_or(method.steps.len().saturating_sub(1), |next| next.step);
        (first..=most).rev().find_map(|step| {
            let span = self.span(method, points, step)?;
            span.end.is_none().then_some((step, span))
        })
    }

    /// Window of the running interval in nanoseconds after its begin: opens, closes. After a
    /// 'no line yet' that was said inside the window, the window of the last timed step before the
    /// reading stays open until the method's longest sedimentation in all.
    pub fn window(&self, method: &Method, step: usize) -> (Option<i64>, Option<i64>) {
        let Some(timed) = method.timed(step) else { return (None, None) };
        let (min, max) = (timed.min_ns.value, timed.max_ns.value);
        if timed.begins == Begins::Previous && self.said_in_time(method, step, max) {
            return (min, method.late_line.total_max_ns.value.or(max));
        }
        (min, max)
    }

    /// 'No line yet' was said before the window closed: an overrun that stood before it remains.
    fn said_in_time(&self, method: &Method, step: usize, max: Option<i64>) -> bool {
        let Some(span) = self.span(method, &method.points(), step) else { return false };
        let resolution = super::judge::resolution_ns(method);
        self.no_line.iter().any(|said| {
            let elapsed = said.moment.since(&span.begin.marked.moment).ns;
            max.is_none_or(|max| super::judge::at_resolution(elapsed, resolution) <= max)
        })
    }

    /// The point that a press without further words would mark now, if it is due: the first
    /// possible one that is no entry, once the window of the running interval is about to open.
    pub fn due(&self, method: &Method, points: &[Point], now: &Moment, approach_s: u32) -> Option<usize> {
        let index = *self.possible(points).first()?;
        if matches!(points.get(index)?.edge, Edge::Value(_)) {
            return None;
        }
        // Where nobody knows how long it has run, it is not said to be due.
        let early = self.running(method, points).is_some_and(|(step, span)| {
            self.window(method, step).0.is_some_and(|opens| {
                span.known(now).is_none_or(|elapsed| elapsed.ns < opens - i64::from(approach_s) * SECOND)
            })
        });
        (!early).then_some(index)
    }
}
