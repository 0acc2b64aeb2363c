//! The overview of a bench.

use super::{
    AlarmLine, AtWork, Limits, MOST_LINES, MOST_PLACES, Overview, ResultLine, Running, Temperature, read,
};
use crate::domain::alarm::{State, definition};
use crate::domain::bench::Bench;
use crate::domain::moment::Moment;
use crate::domain::quality::{acceptance, counting};
use crate::domain::report::time;
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Specimen, judge};

/// How a bench stands at `now`. `waiting`: documents that the network has not taken, if anybody has counted
/// them; `clock_runs`: its clock runs by itself.
pub fn overview(bench: &Bench, now: &Moment, waiting: Option<u64>, clock_runs: bool) -> Overview {
    let (alarms, more_alarms) = first(alarms(bench));
    let (results, more_results) = first(results(bench, now));
    let mut places: Vec<_> = bench.specimens.values().map(|specimen| at_work(bench, specimen, now)).collect();
    places.sort_by_key(|place| place.place);
    places.truncate(MOST_PLACES);
    let mut told = Overview {
        at: time(now.wall_ns),
        title: bench.title.clone(),
        rehearsal: bench.rehearsal,
        clock_runs,
        waiting,
        temperature: temperature(bench, now),
        places,
        alarms,
        more_alarms,
        alarms_aside: bench.alarms_aside(),
        results,
        more_results,
        earlier_missing: bench.left_unseen.is_some_and(|left| day(bench, &left) == day(bench, now)),
    };
    read::shorten(&mut told);
    told
}

fn first<T>(mut lines: Vec<T>) -> (Vec<T>, u64) {
    let over = lines.len().saturating_sub(MOST_LINES);
    lines.truncate(MOST_LINES);
    (lines, u64::try_from(over).unwrap_or(u64::MAX))
}

fn temperature(bench: &Bench, now: &Moment) -> Option<Temperature> {
    let (held, _) = bench.probe.last.as_ref()?;
    held.moment.holds_at(now, bench.stale_ns()).then(|| Temperature {
        text: held.temperature.value.to_string(),
        unit: held.temperature.unit.code().to_owned(),
        side: bench.probe.side.map(|(side, _)| side),
        limits: bench.limits_in_force().map(|limits| Limits {
            min: limits.min.map(|v| v.to_string()),
            max: limits.max.map(|v| v.to_string()),
            unit: limits.unit.code().to_owned(),
        }),
        in_solution: bench.probe.stands_in.is_some(),
    })
}

fn at_work(bench: &Bench, specimen: &Specimen, now: &Moment) -> AtWork {
    let mut told = AtWork {
        place: specimen.place,
        label: specimen.label.clone(),
        complete: specimen.result().is_some(),
        voided: specimen.voided.is_some(),
        next: None,
        running: None,
        deviations: 0,
        result: specimen.result().map(|c| c.reported.normalize().to_string()),
    };
    let Some((method, points)) = bench.rule(specimen) else { return told };
    let prepared = bench.samples.get(&specimen.sample).map_or(0, |s| s.deviations_of(method, specimen).len());
    let all = prepared + judge::deviations(specimen, method, &points).len();
    told.deviations = u64::try_from(all).unwrap_or(u64::MAX);
    let unknown = bench.unknown_text(specimen, now);
    let words = [unknown, Some(bench.possible_text(specimen)).filter(|words| !words.is_empty())];
    told.next = words.into_iter().flatten().reduce(|unknown, possible| format!("{unknown}; {possible}"));
    told.running = specimen.running(method, &points).and_then(|(step, span)| {
        // Whoever reads it would count from a time of day that is wrong.
        span.known(now)?;
        let (opens, closes) = specimen.window(method, step);
        // Seen from now: a step of the wall clock must not move what is left.
        let begin = now.wall_ns.saturating_sub(now.since(&span.begin.marked.moment).ns);
        let at = |ns: i64| time(begin.saturating_add(ns));
        Some(Running {
            step: method.steps.get(step)?.name.clone(),
            since: time(begin),
            opens: opens.map(at),
            closes: closes.map(at),
        })
    });
    told
}

/// Those that nobody put aside, the most urgent first.
fn alarms(bench: &Bench) -> Vec<AlarmLine> {
    let mut standing: Vec<_> = bench.alarms.values().collect();
    standing.sort_by_key(|alarm| (definition(alarm.name).priority, alarm.raised.wall_ns));
    let aside = |state| matches!(state, State::Shelved | State::OutOfService | State::SuppressedByDesign);
    let lines = standing.into_iter().map(|alarm| AlarmLine {
        alarm: alarm.key(),
        priority: definition(alarm.name).priority,
        state: bench.alarm_state(alarm),
        text: alarm.text.clone(),
    });
    lines.filter(|line| !aside(line.state)).collect()
}

/// Results of samples that are at work, or were registered or left today, the newest first.
fn results(bench: &Bench, now: &Moment) -> Vec<ResultLine> {
    let is_today = |moment: &Moment| day(bench, moment) == day(bench, now);
    let left = bench.closed.iter().filter(|c| is_today(&c.closed) || is_today(&c.sample.registered.moment));
    let mut samples: Vec<&Sample> = bench.samples.values().map(|s| &**s).collect();
    samples.extend(left.map(|closed| &*closed.sample));
    samples.sort_by_key(|sample| std::cmp::Reverse(sample.registered.moment.wall_ns));
    samples.into_iter().filter_map(|sample| result(bench, sample)).collect()
}

fn day(bench: &Bench, moment: &Moment) -> Option<jiff::civil::Date> {
    bench.calendar.day_of(moment.wall_ns)
}

fn result(bench: &Bench, sample: &Sample) -> Option<ResultLine> {
    let reported = sample.reported.clone()?;
    let judged = bench.methods.get(&sample.method).and_then(|method| {
        acceptance::judge(sample, method, &counting(sample), reported.parse().ok())
            .map(|judged| (judged.verdict.code().to_owned(), judged.text()))
    });
    let (verdict, limit) = judged.unzip();
    Some(ResultLine { label: sample.label.clone(), reported, verdict, limit })
}
