//! When the bench must be woken next, and what is due then. A function of state and now.

use super::apply::BLOCK_NS;
use super::{Bench, Event};
use crate::domain::alarm::Name;
use crate::domain::moment::{Moment, SECOND};
use crate::domain::specimen::{By, Specimen, Stage};
use uuid::Uuid;

/// How far wall time may be moved against the boot clock before what was foreseen is looked at anew:
/// instants of an earlier start of the machine lie on wall time. Nanoseconds.
const STEP_NS: i64 = SECOND;

/// Nothing is due before an instant, as long as nothing happens that moves it. No part of the state:
/// without it the same is found by looking at every specimen.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Quiet(Option<Until>);

#[derive(Debug, Clone, Copy)]
struct Until {
    boot: Uuid,
    boot_ns: i64,
    /// Wall time less boot time when it was foreseen.
    offset_ns: i64,
}

impl PartialEq for Quiet {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Eq for Quiet {}

impl Bench {
    /// As [`next_deadline`](Self::next_deadline); until then the inputs that move no deadline need not
    /// look for what is due.
    pub fn foresee(&mut self, now: &Moment) -> Option<i64> {
        let next = self.next_deadline(now);
        let offset_ns = now.wall_ns.saturating_sub(now.boot_ns);
        self.quiet = Quiet(Some(Until { boot: now.boot, boot_ns: next.unwrap_or(i64::MAX), offset_ns }));
        next
    }

    /// It is known that nothing is due.
    pub(super) fn is_quiet(&self, now: &Moment) -> bool {
        self.quiet.0.is_some_and(|until| {
            let moved_ns = now.wall_ns.saturating_sub(now.boot_ns).saturating_sub(until.offset_ns);
            until.boot == now.boot && now.boot_ns < until.boot_ns && moved_ns.abs() < STEP_NS
        })
    }

    /// The next instant, on the boot clock of `now`, at which [`due_events`](Self::due_events)
    /// has something to say. It may lie in the past.
    pub fn next_deadline(&self, now: &Moment) -> Option<i64> {
        let intervals = self.specimens.values().filter_map(|s| {
            let (_, _, at) = self.next_announcement(s, now)?;
            Some(at)
        });
        let after = |from: &Moment, ns: i64| from.boot_ns_seen_from(now).saturating_add(ns);
        // A wall clock that woke up behind makes no old reading young.
        let old =
            |from: &Moment, ns: i64| now.boot_ns.saturating_sub(from.age_seen_from(now)).saturating_add(ns);
        let silent = self.silent_from(now).map(|from| old(&from, self.stale_ns()));
        let room = self.room_silent_from(now).map(|from| old(&from, self.room_stale_ns()));
        // Once the reading is stale the silence comes first; the delays begin anew after it.
        // What never holds again has been stale all along.
        let held = self.held().filter(|held| now.known_since(&held.moment).is_some());
        let stale_at = held.map(|held| old(&held.moment, self.stale_ns()));
        let limits = self
            .limit_changes(now)
            .map(|(_, _, at)| at)
            .filter(|at| now.boot_ns.max(*at) < stale_at.unwrap_or(i64::MIN));
        let block = self.probe.block.as_ref().map(|b| after(&b.first, BLOCK_NS));
        let shelved = self.shelved_until(now).map(|(_, at)| at);
        let late = self.late_lines(now).into_iter().chain(self.preparation_due(now)).map(|(_, at)| at);
        intervals.chain(late).chain(shelved).chain(silent).chain(room).chain(limits).chain(block).min()
    }

    /// What is due at `now`; the `fresh` identities name new occurrences of alarms.
    pub(super) fn due_events(&self, now: &Moment, mut fresh: impl FnMut() -> Uuid) -> Vec<Event> {
        let mut events = Vec::new();
        for specimen in self.specimens.values() {
            if let Some((step, stage, at)) = self.next_announcement(specimen, now)
                && at <= now.boot_ns
            {
                events.push(Event::IntervalAnnounced { specimen: specimen.id, step, stage });
            }
        }
        let late = self.late_lines(now).into_iter().chain(self.preparation_due(now));
        events.extend(late.filter(|(_, at)| *at <= now.boot_ns).map(|(event, _)| event));
        if let Some(from) = self.silent_from(now)
            && from.age_seen_from(now) >= self.stale_ns()
        {
            events.push(Event::AlarmRaised {
                name: Name::ProbeSilent,
                about: String::new(),
                occurrence: fresh(),
                text: format!("no temperature of the solution for {} s", self.settings.temperature_stale_s),
            });
        }
        if let Some(from) = self.room_silent_from(now)
            && from.age_seen_from(now) >= self.room_stale_ns()
        {
            events.push(Event::AlarmRaised {
                name: Name::RoomProbeSilent,
                about: String::new(),
                occurrence: fresh(),
                text: format!("no temperature of the room for {} s", self.settings.room_stale_s),
            });
        }
        events.extend(self.due_limits(now, &mut fresh));
        for (alarm, at) in self.shelved_until(now) {
            if at <= now.boot_ns {
                let by = By::bench("the end of the shelving");
                events.push(Event::AlarmUnshelved { alarm: alarm.clone(), by });
            }
        }
        if let Some(block) = &self.probe.block
            && now.since(&block.first).ns >= BLOCK_NS
        {
            events.push(Event::TemperaturesCounted {
                count: block.count,
                lowest: block.lowest,
                highest: block.highest,
                sum_thousandths: block.sum_thousandths,
            });
        }
        events
    }

    /// The next announcement of a specimen's running interval: step, stage, instant on the boot
    /// clock of `now`. A later stage swallows the earlier ones that were slept through.
    fn next_announcement(&self, specimen: &Specimen, now: &Moment) -> Option<(usize, Stage, i64)> {
        let (method, points) = self.rule(specimen)?;
        let (step, span) = specimen.running(method, &points)?;
        // Once the clock is set it is known what is due.
        span.known(now)?;
        let (opens, closes) = specimen.window(method, step);
        let begin = span.begin.marked.moment.boot_ns_seen_from(now);
        let done = specimen.announced.filter(|(s, _)| *s == step).map(|(_, stage)| stage);
        let resolution = crate::domain::specimen::judge::resolution_ns(method);
        let approach = i64::from(self.settings.approach_s) * SECOND;
        let stages = [
            (Stage::Approaching, opens.map(|ns| (ns - approach).max(0))),
            (Stage::Due, opens),
            // Just past the limit at the method's resolution: at the limit it is still kept.
            (Stage::Overrun, closes.map(|ns| ns + resolution / 2)),
        ];
        let open: Vec<(Stage, i64)> = stages
            .into_iter()
            .filter(|(stage, _)| done.is_none_or(|d| *stage > d))
            .filter_map(|(stage, after)| Some((stage, begin.saturating_add(after?))))
            .collect();
        let passed = open.iter().rev().find(|(_, at)| *at <= now.boot_ns);
        let (stage, at) = passed.or(open.first())?;
        Some((step, *stage, *at))
    }

    /// Since when nothing was heard of a probe that should speak, unless that is known already.
    fn silent_from(&self, now: &Moment) -> Option<Moment> {
        self.probe.stands_in?;
        if self.is_raised(Name::ProbeSilent) {
            return None;
        }
        match &self.probe.last {
            Some((held, _)) => Some(held.moment),
            // Nothing yet: the watch of some specimen decides; an idle bench without a probe is quiet.
            None => self
                .specimens
                .values()
                .filter(|s| s.tally.is_open())
                .filter_map(|s| s.tally.counted_to)
                .min_by_key(|m| m.boot_ns_seen_from(now)),
        }
    }
}
