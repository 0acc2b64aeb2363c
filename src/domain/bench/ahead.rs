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

/// A run of the machine that is being filled.
struct Filling {
    /// Cylinders in it so far.
    inside: u32,
    /// When it begins, and until when it may.
    begins_ns: i64,
    closes_ns: i64,
    /// The method, by its digest, and the step whose end it follows: others are shaken otherwise.
    of: (Option<String>, usize),
}

impl Bench {
    /// Every window to come, the one that closes first in front, worked through by one person in
    /// that order.
    pub fn ahead(&self, now: &Moment) -> Vec<Coming> {
        let mut all: Vec<Coming> = self.specimens.values().filter_map(|s| self.coming(s, now)).collect();
        all.sort_by_key(|c| (c.closes_ns, c.place));
        let (mut free, mut held_by) = self.busy_until(now);
        let mut filling: Option<Filling> = None;
        for coming in &mut all {
            if coming.closes_ns < 0 {
                // Too late already: nothing clashes any more, and the hands are wanted at once.
                free = free.max(0) + coming.hands_ns;
                held_by = Some(coming.place);
                continue;
            }
            let machine_ns = self.machine_after(coming);
            let holds = self.settings.shaker_holds;
            let of = (self.method_of(coming), coming.step);
            if let (Some(ns), Some(run)) =
                (machine_ns, filling.as_mut().filter(|run| run.takes(coming, &of, holds)))
            {
                // It goes in with the others, for which the machine waits until its window opens.
                let waits = (coming.opens_ns - run.begins_ns).max(0);
                free += waits + coming.hands_ns - ns;
                held_by = Some(coming.place);
                *run = Filling {
                    inside: run.inside + 1,
                    begins_ns: run.begins_ns + waits,
                    closes_ns: run.closes_ns.min(coming.closes_ns),
                    of,
                };
                continue;
            }
            let begins = free.max(coming.opens_ns);
            if begins > coming.closes_ns {
                coming.clash = held_by.filter(|place| *place != coming.place);
            }
            free = begins + coming.hands_ns;
            held_by = Some(coming.place);
            // What is done in between closes the run before it: it could not wait any more.
            filling = machine_ns.map(|_| Filling {
                inside: 1,
                begins_ns: begins,
                closes_ns: coming.closes_ns,
                of: (self.method_of(coming), coming.step),
            });
        }
        all
    }

    fn method_of(&self, coming: &Coming) -> Option<String> {
        self.specimens.get(&coming.specimen).map(|specimen| specimen.method.clone())
    }

    fn coming(&self, specimen: &Specimen, now: &Moment) -> Option<Coming> {
        let (method, points) = self.rule(specimen)?;
        let (step, span) = specimen.running(method, &points)?;
        // Nobody knows when the window opens of what has run for nobody knows how long.
        let elapsed_ns = span.known(now)?.ns;
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
            // Not known: it may have only just begun.
            let gone_ns = span.known(now).map_or(0, |elapsed| elapsed.ns);
            let left = (holds(kind) - gone_ns).max(0) + hands_after(method, step);
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

impl Filling {
    /// There is room in it, and a moment that both windows allow.
    fn takes(&self, coming: &Coming, of: &(Option<String>, usize), holds: u32) -> bool {
        self.inside < holds
            && self.of == *of
            && self.begins_ns.max(coming.opens_ns) <= self.closes_ns.min(coming.closes_ns)
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
        StepKind::Interval(timed) if timed.required_ns.value.is_none() && timed.ends == Ends::Press => {
            OPEN_STEP_NS
        }
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
