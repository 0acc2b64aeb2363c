//! What of the bench horn and lamps tell: at which place a person is wanted, and which alarms stand.

use crate::domain::alarm::{Priority, State, definition};
use crate::domain::bench::Bench;
use crate::domain::moment::{Moment, SECOND};
use crate::domain::specimen::{Specimen, judge};
use std::collections::BTreeMap;

/// Whether a person is wanted at a cylinder.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Wanted {
    /// An interval runs and nobody is wanted.
    Nobody,
    /// Its window opens soon.
    Soon,
    /// Its window is open.
    Now,
    /// Its window has closed.
    Overdue,
}

/// The scene at one instant. Instants are nanoseconds on the boot clock of that instant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scene {
    /// The instant.
    pub now_ns: i64,
    /// Places at which an interval with a window runs, with what is wanted and since when.
    pub places: BTreeMap<u32, (Wanted, i64)>,
    /// Some interval runs, with a window or without.
    pub runs: bool,
    alarms: Vec<(Priority, State, bool, i64)>,
    next_ns: Option<i64>,
}

/// Alarms of some priorities.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Conditions {
    /// A condition is there and nobody has acknowledged it: since when, the newest.
    pub unseen: Option<i64>,
    /// A condition is there, and acknowledged.
    pub known: bool,
    /// A condition came and went, and nobody has acknowledged it: since when it was raised, the newest.
    pub gone: Option<i64>,
}

impl Scene {
    /// The scene of a bench.
    pub fn of(bench: &Bench, now: &Moment) -> Self {
        let mut places = BTreeMap::new();
        let mut next_ns: Option<i64> = None;
        let mut runs = false;
        for specimen in bench.specimens.values() {
            runs |= bench.rule(specimen).is_some_and(|(m, points)| specimen.running(m, &points).is_some());
            if let Some((wanted, since, next)) = wanted(bench, specimen, now) {
                places.insert(specimen.place, (wanted, since));
                next_ns = [next_ns, next].into_iter().flatten().min();
            }
        }
        let alarms = bench.alarms.values().map(|alarm| {
            let there = alarm.cleared.is_none();
            // Not by wall time alone, which may have woken up behind: then it would lie in the future,
            // and the horn would wait for it.
            let raised = now.boot_ns.saturating_sub(alarm.raised.age_seen_from(now));
            (definition(alarm.name).priority, bench.alarm_state(alarm), there, raised)
        });
        Self { now_ns: now.boot_ns, places, runs, alarms: alarms.collect(), next_ns }
    }

    /// The alarms of the priorities that are asked for; what is put aside or suppressed is none.
    pub fn alarms(&self, of: impl Fn(Priority) -> bool) -> Conditions {
        let mut found = Conditions::default();
        for (_, state, there, raised) in self.alarms.iter().filter(|(priority, ..)| of(*priority)) {
            match state {
                State::Unacknowledged => found.unseen = found.unseen.max(Some(*raised)),
                State::ReturnedUnacknowledged => found.gone = found.gone.max(Some(*raised)),
                State::Acknowledged => found.known |= there,
                State::Shelved | State::SuppressedByDesign | State::OutOfService => {}
            }
        }
        found
    }

    /// When time alone makes another scene, on the boot clock: a window opens or closes.
    pub const fn next_ns(&self) -> Option<i64> {
        self.next_ns
    }
}

/// What is wanted at a cylinder whose interval has a window, since when, and when that changes.
fn wanted(bench: &Bench, specimen: &Specimen, now: &Moment) -> Option<(Wanted, i64, Option<i64>)> {
    let (method, points) = bench.rule(specimen)?;
    let (step, span) = specimen.running(method, &points)?;
    // Not known how long it has run: no lamp says anything of it.
    span.known(now)?;
    let (opens, closes) = specimen.window(method, step);
    let approach_ns = i64::from(bench.settings.approach_s) * SECOND;
    // Without a shortest time the act may be done at any moment; it is due as the longest approaches.
    let opens = opens.or_else(|| closes.map(|closes| (closes - approach_ns).max(0)))?;
    // Just past the limit at the method's resolution: at the limit it is still kept.
    let closes = closes.map(|closes| closes + judge::resolution_ns(method) / 2);
    let begin = span.begin.marked.moment.boot_ns_seen_from(now);
    let at = |after: i64| begin.saturating_add(after);
    let stages = [
        (Wanted::Nobody, Some(begin)),
        (Wanted::Soon, Some(at((opens - approach_ns).max(0)))),
        (Wanted::Now, Some(at(opens))),
        (Wanted::Overdue, closes.map(at)),
    ];
    let reached = |(_, from): &&(Wanted, Option<i64>)| from.is_some_and(|from| from <= now.boot_ns);
    let (wanted, since) = *stages.iter().rev().find(reached).unwrap_or(&stages[0]);
    let next = stages.iter().filter_map(|(_, from)| *from).filter(|from| *from > now.boot_ns).min();
    Some((wanted, since.unwrap_or(begin), next))
}
