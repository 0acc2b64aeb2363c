//! What is coming at each place on one line of time, and where it would take two pairs of hands.

use super::Bench;
use crate::domain::method::{Ends, Machine, Method, StepKind};
use crate::domain::moment::{MINUTE, Moment, SECOND};
use crate::domain::specimen::Specimen;
use uuid::Uuid;

/// How long an act without a duration of its own holds the person: a press with what belongs to it,
/// or one level read. Common practice, no source.
const ONE_ACT_NS: i64 = 30 * SECOND;
/// How long a step holds the person that has no duration, such as irrigation. Common practice, no
/// source.
const OPEN_STEP_NS: i64 = 2 * MINUTE;
/// An interval as long as this is not stood beside.
const UNATTENDED_NS: i64 = 5 * MINUTE;

/// An interval that runs at a place and must be ended within a window.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Coming {
    /// Place of the cylinder.
    pub place: u32,
    /// The specimen in it.
    pub specimen: Uuid,
    /// Index of the step that runs.
    pub step: usize,
    /// How long it has run, nanoseconds.
    pub elapsed_ns: i64,
    /// From now until the window opens, nanoseconds; negative: it is open.
    pub opens_ns: i64,
    /// From now until the window closes, nanoseconds; negative: it is over.
    pub closes_ns: i64,
    /// How long the person is then held at this cylinder, nanoseconds.
    pub hands_ns: i64,
    /// The place whose cylinder holds the hands that this one needs: they come free only after its
    /// window has closed.
    pub clash: Option<u32>,
}

/// The runs of one machine that hands can share: how many cylinders it holds.
struct Shared {
    holds: u32,
    /// Cylinders in the run that is being filled, when it begins, and for which step.
    inside: Option<(u32, i64, usize)>,
}

impl Bench {
    /// Every window to come, the one that closes first in front, worked through by one person in
    /// that order.
    pub fn ahead(&self, now: &Moment) -> Vec<Coming> {
        let mut all: Vec<Coming> = self.specimens.values().filter_map(|s| self.coming(s, now)).collect();
        all.sort_by_key(|c| (c.closes_ns, c.place));
        let (mut free, mut held_by) = self.busy_until(now);
        let mut shaker = Shared { holds: self.settings.shaker_holds, inside: None };
        for coming in &mut all {
            if coming.closes_ns < 0 {
                // Too late already: nothing clashes any more, and the hands are wanted at once.
                free = free.max(0) + coming.hands_ns;
                held_by = Some(coming.place);
                continue;
            }
            let machine_ns = self.machine_after(coming);
            let (begins, holds) = match shaker.joins(coming, machine_ns) {
                Some(begins) => (begins, coming.hands_ns - machine_ns.unwrap_or(0)),
                None => (free.max(coming.opens_ns), coming.hands_ns),
            };
            if begins > coming.closes_ns {
                coming.clash = held_by.filter(|place| *place != coming.place);
            }
            free = free.max(begins) + holds;
            held_by = Some(coming.place);
            shaker.note(coming, machine_ns, begins);
        }
        all
    }

    fn coming(&self, specimen: &Specimen, now: &Moment) -> Option<Coming> {
        let (method, points) = self.rule(specimen)?;
        let (step, span) = specimen.running(method, &points)?;
        let elapsed_ns = span.elapsed(now).ns;
        let (opens, closes) = specimen.window(method, step);
        Some(Coming {
            place: specimen.place,
            specimen: specimen.id,
            step,
            elapsed_ns,
            opens_ns: opens.unwrap_or(0) - elapsed_ns,
            closes_ns: closes? - elapsed_ns,
            hands_ns: hands_after(method, step),
            clash: None,
        })
    }

    /// When the hands are free of what has no window and holds them now, and the place of that.
    fn busy_until(&self, now: &Moment) -> (i64, Option<u32>) {
        let open = self.specimens.values().filter_map(|s| {
            let (method, points) = self.rule(s)?;
            let (step, span) = s.running(method, &points)?;
            let kind = &method.steps.get(step)?.kind;
            if s.window(method, step).1.is_some() || is_unattended(kind) {
                return None;
            }
            let left = (holds(kind) - span.elapsed(now).ns).max(0) + hands_after(method, step);
            Some((left, Some(s.place)))
        });
        open.max_by_key(|(left, _)| *left).unwrap_or((0, None))
    }

    /// How long the machine runs that follows the interval, if one does before hands are free again.
    fn machine_after(&self, coming: &Coming) -> Option<i64> {
        let specimen = self.specimens.get(&coming.specimen)?;
        let method = self.methods.get(&specimen.method)?;
        attended(method, coming.step).find_map(|kind| match kind {
            StepKind::Interval(timed) if timed.machine == Some(Machine::Shaker) => timed.required_ns.value,
            _ => None,
        })
    }
}

impl Shared {
    /// The instant at which this cylinder's hands begin if it goes into the run being filled.
    fn joins(&self, coming: &Coming, machine_ns: Option<i64>) -> Option<i64> {
        machine_ns?;
        let (count, begins, step) = self.inside?;
        let fits = count < self.holds && step == coming.step;
        (fits && (coming.opens_ns..=coming.closes_ns).contains(&begins)).then_some(begins)
    }

    fn note(&mut self, coming: &Coming, machine_ns: Option<i64>, begins: i64) {
        if machine_ns.is_none() {
            return;
        }
        self.inside = match self.inside {
            Some((count, at, step)) if at == begins && step == coming.step => Some((count + 1, at, step)),
            _ => Some((1, begins, coming.step)),
        };
    }
}

/// Nobody stands beside the cylinder meanwhile.
fn is_unattended(kind: &StepKind) -> bool {
    matches!(kind, StepKind::Interval(timed) if timed.required_ns.value.is_some_and(|ns| ns >= UNATTENDED_NS))
}

/// Steps after one, as long as the person stays with the cylinder.
fn attended(method: &Method, after: usize) -> impl Iterator<Item = &StepKind> {
    let kinds = method.steps.iter().skip(after + 1).map(|step| &step.kind);
    kinds.take_while(|kind| !is_unattended(kind) && !matches!(kind, StepKind::Mark { frees_place: true, .. }))
}

/// How long a step holds the person.
fn holds(kind: &StepKind) -> i64 {
    match kind {
        StepKind::Interval(timed) if timed.required_ns.value.is_none() && timed.ends == Ends::Press => OPEN_STEP_NS,
        StepKind::Interval(timed) => timed.required_ns.value.unwrap_or(ONE_ACT_NS),
        StepKind::Mark { .. } | StepKind::Reading { .. } => ONE_ACT_NS,
    }
}

/// How long the person is held once a step has ended, until the cylinder stands alone again.
fn hands_after(method: &Method, step: usize) -> i64 {
    attended(method, step).map(holds).sum()
}

#[cfg(test)]
#[path = "test/ahead.rs"]
mod test;
