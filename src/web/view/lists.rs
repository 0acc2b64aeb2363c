//! Samples, alarms, instruments, and what to do next.

use super::{measured, ms, odd, preparation, quality};
use crate::domain::alarm::{State, definition};
use crate::domain::bench::{Bench, Coming, Wait};
use crate::domain::method::{Edge, Method};
use crate::domain::moment::Moment;
use crate::domain::reading::{Applied, Live};
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Specimen, Target};
use crate::domain::units::Units;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What to do next: for each specimen its next act, with the time until its window opens
/// (negative: it is open) and until it closes. In order: windows that are open, the one that
/// closes first (or is overrun the longest) in front; acts that no window holds; windows to come;
/// specimens that have not been started. Samples that are prepared step by step stand among them,
/// without a place.
pub(super) fn do_next(bench: &Bench, now: &Moment) -> Vec<Value> {
    let mut acts: Vec<((u8, i64), Value)> =
        bench.specimens.values().filter_map(|s| next_act(bench, s, now)).collect();
    acts.extend(preparation::do_next(bench, now));
    acts.sort_by_key(|(at, _)| *at);
    acts.into_iter().map(|(_, value)| value).collect()
}

fn next_act(bench: &Bench, specimen: &Specimen, now: &Moment) -> Option<((u8, i64), Value)> {
    let (method, points) = bench.rule(specimen)?;
    let again = specimen.open_further_run().is_some();
    let point = if again {
        points.iter().find(|p| p.machine.is_some() && p.edge == Edge::End)?
    } else {
        points.get(*specimen.possible(&points).first()?)?
    };
    let step = method.steps.get(point.step)?;
    let running = specimen.running(method, &points);
    let unknown = running.as_ref().is_some_and(|(_, span)| span.known(now).is_none());
    let (opens_in, closes_in) = match running.filter(|_| !unknown && !again) {
        Some((running, span)) => {
            let elapsed = span.elapsed(now).ns;
            let (opens, closes) = specimen.window(method, running);
            (opens.map_or(0, |o| o - elapsed), closes.map(|c| c - elapsed))
        }
        None => (0, None),
    };
    let order = match closes_in {
        _ if specimen.last_marked().is_none() || bench.waits_with_its_tin(specimen) => (3, 0),
        Some(closes) if opens_in <= 0 => (0, closes),
        _ if opens_in <= 0 => (1, 0),
        _ => (2, opens_in),
    };
    let value = json!({
        "specimen": specimen.id,
        "label": specimen.label,
        "place": specimen.place,
        "step": step.name,
        "text": bench.next_text(specimen),
        "instruction": step.instruction,
        // How long it has run is not known: neither is when it opens.
        "unknown": unknown,
        "opensInMs": ms(opens_in),
        "closesInMs": closes_in.map(ms),
    });
    Some((order, value))
}

/// The windows to come on one line of time, with the place whose hands each one would need.
pub(super) fn ahead(bench: &Bench, now: &Moment) -> Vec<Value> {
    let shown = |coming: Coming| {
        let specimen = bench.specimens.get(&coming.specimen)?;
        let (method, _) = bench.rule(specimen)?;
        Some(json!({
            "place": coming.place,
            "label": specimen.label,
            "step": method.steps.get(coming.step)?.name,
            "elapsedMs": ms(coming.elapsed_ns),
            "opensInMs": ms(coming.opens_ns),
            "closesInMs": ms(coming.closes_ns),
            "clash": coming.clash,
        }))
    };
    bench.ahead(now).into_iter().filter_map(shown).collect()
}

pub(super) fn sample(bench: &Bench, sample: &Sample, now: &Moment) -> Value {
    let method = bench.methods.get(&sample.method);
    let covered = method.and_then(|m| sample.on_course(m)).and_then(|on| on.tempering());
    let since = covered.map(|tempering| tempering.since).or(sample.tempering_since());
    let tempering = since.map(|since| {
        json!({
            "elapsedMs": now.known_since(&since.moment).map(|elapsed| ms(elapsed.ns)),
            "atLeastMs": method.and_then(|m| m.preparation.tempering_min_ns.value).map(ms),
        })
    });
    json!({
        "id": sample.id,
        "label": sample.label,
        "method": method.map(|m| m.id.clone()),
        "planned": sample.wanted(),
        "registered": odd::begun(sample),
        "complete": sample.complete(),
        "mayWithdraw": odd::may_withdraw(sample),
        "repeat": odd::repeat(sample),
        "waits": quality::waits(sample),
        "verdict": quality::verdict(bench, sample),
        "reported": sample.reported,
        "tempering": tempering,
        "course": method.and_then(|m| sample.on_course(m)).map(|on| json!({
            "title": on.rule.title,
            "next": on.next(now).first().map(|act| &act.text),
        })),
        "hasCourses": method.is_some_and(|m| !m.preparation.courses.is_empty()),
        "preparation": sample.preparation.iter().map(|(what, marked)| json!({
            "what": serde_json::to_value(what).ok().and_then(|v| v.get("done").cloned()),
            "atMs": ms(marked.moment.wall_ns),
        })).collect::<Vec<_>>(),
        "masses": method.map(|m| masses(sample, m)),
        "quantity": method.map(|m| sample.quantity(m)),
        "material": method.map(|m| measured::material(&sample.material, m)),
        "portionMasses": method.and_then(|m| measured::portion(&sample.material, m)),
        "results": odd::results(sample),
    })
}

fn masses(sample: &Sample, method: &Arc<Method>) -> Vec<Value> {
    method
        .sample_weighings()
        .map(|rule| {
            json!({
                "name": rule.name,
                "title": rule.title,
                "limits": rule.limits.value.as_ref().map(ToString::to_string),
                "mass": sample.masses.get(&rule.name).map(|w| w.mass.to_string()),
                "side": sample.masses.get(&rule.name)
                    .and_then(|w| rule.limits.value.and_then(|limits| limits.side(&w.mass))),
            })
        })
        .collect()
}

pub(super) fn methods(bench: &Bench) -> Vec<Value> {
    bench
        .current
        .values()
        .filter_map(|digest| bench.methods.get(digest))
        .map(|m| {
            json!({
                "id": m.id,
                "title": m.title,
                "standard": m.standard,
                "edition": m.edition.value.as_deref().unwrap_or("not confirmed"),
                "notice": m.notice,
                "specimens": m.replicates.specimens.value,
                "safety": m.safety,
            })
        })
        .collect()
}

pub(super) fn alarms(bench: &Bench) -> Vec<Value> {
    let mut alarms: Vec<_> = bench.alarms.values().collect();
    alarms.sort_by_key(|a| (definition(a.name).priority, a.raised.wall_ns));
    alarms
        .into_iter()
        .map(|alarm| {
            let row = definition(alarm.name);
            json!({
                "key": alarm.key(),
                "occurrence": alarm.occurrence,
                "state": bench.alarm_state(alarm),
                "priority": row.priority,
                "text": alarm.text,
                "condition": row.condition,
                "consequence": row.consequence,
                "response": row.response,
                "raisedMs": ms(alarm.raised.wall_ns),
                "clearedMs": alarm.cleared.map(|m| ms(m.wall_ns)),
                "acknowledgedBy": alarm.acknowledged.as_ref().and_then(|(by, _)| by.person.clone()),
            })
        })
        .collect()
}

/// Alarms that a person put aside, whether they stand or not.
pub(super) fn alarms_aside(bench: &Bench) -> Vec<Value> {
    let shelved = bench.shelved.iter().map(|(key, s)| {
        json!({
            "key": key,
            "state": State::Shelved,
            "by": s.by.person,
            "reason": s.reason,
            "sinceMs": ms(s.since.wall_ns),
            "untilMs": ms(s.until().wall_ns),
        })
    });
    let out = bench.out_of_service.iter().map(|(key, o)| {
        json!({
            "key": key,
            "state": State::OutOfService,
            "by": o.by.person,
            "reason": o.reason,
            "sinceMs": ms(o.since.wall_ns),
            "untilMs": null,
        })
    });
    shelved.chain(out).collect()
}

pub(super) fn probe(bench: &Bench, now: &Moment, units: Units) -> Value {
    let probe = &bench.probe;
    let reading = probe.last.as_ref().map(|(held, wire)| {
        let age = held.moment.age_seen_from(now);
        let shown = units.quantity(&held.temperature);
        json!({
            "text": shown.value.to_string(),
            "unit": shown.unit.symbol(),
            "ageMs": ms(age),
            "stale": !held.moment.holds_at(now, bench.stale_ns()),
            "instrument": wire.instrument,
            "corrected": corrected(held.applied),
        })
    });
    json!({
        "reading": reading,
        "side": probe.side.map(|(side, _)| side),
        "standsIn": probe.stands_in,
        "limits": bench.limits_in_force().map(|limits| units.range(&limits).to_string()),
    })
}

pub(super) fn room(bench: &Bench, now: &Moment, units: Units) -> Value {
    bench.room.last.as_ref().map_or(Value::Null, |(held, wire)| {
        let age = held.moment.age_seen_from(now);
        let shown = units.quantity(&held.temperature);
        json!({
            "text": shown.value.to_string(),
            "unit": shown.unit.symbol(),
            "ageMs": ms(age),
            "stale": bench.room_held(now).is_none(),
            "instrument": wire.instrument,
            "corrected": corrected(held.applied),
        })
    })
}

/// What was read and what was added to it.
fn corrected(applied: Option<Applied>) -> Value {
    applied.map_or(
        Value::Null,
        |a| json!({ "reading": a.reading.to_string(), "correction": a.correction.to_string() }),
    )
}

/// What each balance waits for, in words, and who asked.
pub(super) fn waits(bench: &Bench) -> Vec<Value> {
    let one = |wait: &Wait| {
        json!({
            "target": awaited_text(bench, &wait.target),
            "who": wait.by.as_ref().and_then(|by| by.person.as_ref()),
            "balance": wait.balance,
        })
    };
    bench.awaited.iter().map(one).collect()
}

fn awaited_text(bench: &Bench, target: &Target) -> String {
    match target {
        Target::Sample { sample, name } => {
            let sample = bench.samples.get(sample);
            let title = sample
                .and_then(|s| bench.methods.get(&s.method)?.weighing(name))
                .map_or_else(|| name.clone(), |w| w.title.clone());
            format!("{}: {title}", sample.map_or("?", |s| s.label.as_str()))
        }
        Target::Specimen { specimen } => {
            format!("{}: tin", bench.specimens.get(specimen).map_or("?", |s| s.label.as_str()))
        }
        Target::CorrectiveSand { specimen } => {
            format!("{}: corrective sand", bench.specimens.get(specimen).map_or("?", |s| s.label.as_str()))
        }
        Target::Component { .. } | Target::Preparation { .. } => bench.target_text(target),
    }
}

pub(super) fn balance(bench: &Bench) -> Value {
    json!({
        "waits": waits(bench),
        "weighings": bench.weighings,
        "targets": odd::targets(bench),
        "given": odd::given(bench),
        "unsettled": bench.unsettled.iter().map(|(name, unsettled)| json!({
            "instrument": name, "mass": unsettled.mass.to_string(), "atMs": ms(unsettled.moment.wall_ns),
        })).collect::<Vec<_>>(),
        "kept": bench.kept_weighings.iter().rev().take(20).map(|w| json!({
            "id": w.id, "mass": w.mass.to_string(), "atMs": ms(w.moment.wall_ns),
        })).collect::<Vec<_>>(),
    })
}

pub(super) fn instruments(bench: &Bench, live: &BTreeMap<String, Live>, units: Units) -> Vec<Value> {
    bench
        .instruments
        .iter()
        .map(|(name, kind)| {
            let port = bench.ports.get(name);
            let shown = live.get(name);
            let of_itself = bench.said_of_itself.get(name);
            json!({
                "name": name,
                "kind": kind,
                "port": match port { Some(None) => "open", Some(Some(_)) => "gone", None => "starting" },
                "why": port.and_then(Clone::clone),
                "identity": of_itself.and_then(|said| said.identity.as_ref()),
                "errors": of_itself.map(|said| &said.errors).filter(|errors| !errors.is_empty()),
                "live": shown.and_then(|l| l.value.as_ref()).map(|value| units.quantity(value).to_string()),
                "stable": shown.is_some_and(|l| l.stable),
                "overload": shown.is_some_and(|l| l.overload),
                "lines": shown.map_or(0, |l| l.lines),
            })
        })
        .collect()
}

/// How far each consumer of the documents confirmed.
pub(super) fn consumers(bench: &Bench) -> Vec<Value> {
    let lags = bench.lags().into_iter().map(|lag| {
        json!({
            "consumer": lag.consumer,
            "through": lag.receipt.map(|r| r.through),
            "confirmedMs": lag.receipt.map(|r| super::ms(r.at.wall_ns)),
            "behind": lag.behind,
            "limit": lag.limit,
        })
    });
    lags.collect()
}
