//! A sample on its course: the steps, what can be done next, the casts, the tins, the drying.

use super::ms;
use crate::domain::bench::{Bench, by_text};
use crate::domain::method::{CourseKind, Method};
use crate::domain::moment::Moment;
use crate::domain::preparation::{Criterion, Drying, Moisture, NextAct, OnCourse, Verdict, Waits};
use crate::domain::specimen::Marked;
use crate::domain::specimen::sample::Sample;
use serde_json::{Value, json};

/// For the list of what to do next: one entry for each act of each sample on a course.
pub(super) fn do_next(bench: &Bench, now: &Moment) -> Vec<((u8, i64), Value)> {
    let mut found = Vec::new();
    for sample in bench.samples.values() {
        let Some(on) = bench.methods.get(&sample.method).and_then(|method| sample.on_course(method)) else {
            continue;
        };
        for act in on.next(now) {
            let step = on.rule.steps.get(act.step);
            let order = if act.opens_in_ns > 0 { (2, act.opens_in_ns) } else { (1, 1) };
            let value = json!({
                "sample": sample.id,
                "label": sample.label,
                "step": step.map(|step| &step.name),
                "text": act.text,
                "instruction": step.map(|step| &step.instruction),
                "opensInMs": ms(act.opens_in_ns.max(0)),
                "closesInMs": null,
            });
            found.push((order, value));
        }
    }
    found
}

/// What the page of a sample shows of its preparation; null where its method has no course.
pub fn course(bench: &Bench, sample: &Sample, now: &Moment) -> Value {
    let Some(method) = bench.methods.get(&sample.method) else { return Value::Null };
    if method.preparation.courses.is_empty() {
        return Value::Null;
    }
    let courses = method.preparation.courses.iter();
    let courses: Vec<Value> = courses.map(|c| json!({ "name": c.name, "title": c.title })).collect();
    json!({
        "courses": courses,
        "open": sample.reported.is_none() && bench.samples.contains_key(&sample.id),
        "on": sample.on_course(method).map(|on| followed(bench, &on, method, now)),
    })
}

fn followed(bench: &Bench, on: &OnCourse<'_>, method: &Method, now: &Moment) -> Value {
    let acts = on.next(now);
    let over_wet = matches!(on.moisture(), Moisture::Changing { over_wet: true });
    json!({
        "name": on.rule.name,
        "title": on.rule.title,
        "chosen": marked(&on.course.chosen),
        "begun": on.course.standing().next().is_some() || on.course.tins.iter().any(|tin| tin.tare.is_some()),
        "steps": (0..on.rule.steps.len()).filter_map(|at| step(on, at, &acts, now)).collect::<Vec<_>>(),
        "next": acts.iter().map(|act| next(bench, on, act)).collect::<Vec<_>>(),
        "overWet": over_wet,
        "mayCast": on.rule.steps.iter().position(|step| step.kind == CourseKind::Cast)
            .is_some_and(|at| on.blocked_by(at, now).is_none()) && on.to_fill() > 0,
        "casts": on.casts().map(|(finding, changed, at)| json!({
            "text": finding.word(),
            "accepted": finding.is_accepted(),
            "changed": changed,
            "at": marked(at),
        })).collect::<Vec<_>>(),
        "tempering": on.tempering().map(|tempering| json!({
            "sinceMs": ms(tempering.since.moment.wall_ns),
            "elapsedMs": now.known_since(&tempering.since.moment).map(|elapsed| ms(elapsed.ns)),
            "atLeastMs": tempering.least_ns.map(ms),
            "running": on.is_tempering(now).is_some(),
        })),
        "remaining": on.remaining(),
        "toFill": on.to_fill(),
        "dries": on.rule.steps.iter().any(|step| matches!(step.kind, CourseKind::Dry { .. })),
        "tins": on.course.numbered_tins().map(|(number, tin)| json!({
            "number": number,
            "mark": tin.mark,
            "empty": tin.tare.as_ref().map(|w| w.mass.to_string()),
            "filled": on.course.filled(number).map(marked),
            "drying": on.course.load_of(number),
            "specimen": tin.specimen.map(|id| bench.find(id).map_or("a specimen", |s| s.label.as_str()).to_owned()),
        })).collect::<Vec<_>>(),
        "oven": method.preparation.oven.value.as_ref().map(ToString::to_string),
        "loads": on.course.numbered_loads()
            .filter_map(|(number, _)| Some(load(on, number, &on.drying(number)?, now))).collect::<Vec<_>>(),
        "declined": on.course.declined.as_ref().map(|declined| json!({
            "of": declined.of.text(),
            "mass": declined.mass.to_string(),
            "why": declined.why,
            "atMs": ms(declined.moment.wall_ns),
        })),
        "last": on.course.standing().next_back().map(|entry| entry.what.text()),
    })
}

fn step(on: &OnCourse<'_>, at: usize, acts: &[NextAct], now: &Moment) -> Option<Value> {
    let step = on.rule.steps.get(at)?;
    let skipped = on.skipped(&step.name);
    let mass = match &step.kind {
        CourseKind::Weigh { weighing } => Some(weighing),
        _ => None,
    };
    let rule = mass.and_then(|name| on.method.weighing(name));
    let taken = mass.and_then(|name| on.sample.masses.get(name));
    Some(json!({
        "name": step.name,
        "instruction": step.instruction,
        "optional": step.optional,
        "kind": step.kind,
        "standing": on.standing(at, now),
        "isNext": acts.iter().any(|act| act.step == at),
        "at": on.done(&step.name).or(skipped.map(|(_, at)| at)).map(marked),
        "reason": skipped.map(|(reason, _)| reason),
        "limits": rule.and_then(|rule| rule.limits.value.as_ref()).map(ToString::to_string),
        "mass": taken.map(|w| w.mass.to_string()),
        "side": taken.and_then(|w| rule?.limits.value?.side(&w.mass)),
    }))
}

fn next(bench: &Bench, on: &OnCourse<'_>, act: &NextAct) -> Value {
    let step = on.rule.steps.get(act.step);
    let mass = match (&act.waits, step.map(|step| &step.kind)) {
        (Waits::Mass, Some(CourseKind::Weigh { weighing })) => Some(weighing),
        _ => None,
    };
    json!({
        "step": step.map(|step| &step.name),
        "instruction": step.map(|step| &step.instruction),
        "optional": step.is_some_and(|step| step.optional),
        "waits": act.waits,
        "text": act.text,
        "mass": mass,
        "opensInMs": ms(act.opens_in_ns.max(0)),
        "awaited": super::lists::waits(bench),
    })
}

fn load(on: &OnCourse<'_>, number: u32, drying: &Drying<'_>, now: &Moment) -> Value {
    let shown = |value: rust_decimal::Decimal| format!("{value} {}", drying.unit);
    json!({
        "number": number,
        "tins": drying.load.tins,
        "inPan": drying.load.in_pan,
        "tare": drying.tare.map(shown),
        "before": drying.before.map(shown),
        "oven": drying.oven.iter().map(|(t, at)| json!({ "text": t.to_string(), "at": marked(at) })).collect::<Vec<_>>(),
        "weighings": drying.weighed.iter().map(|weighed| json!({
            "gross": weighed.weighing.mass.to_string(),
            "net": weighed.net.map(shown),
            "atMs": ms(weighed.weighing.moment.wall_ns),
            "afterMs": weighed.after_ns.map(ms),
            "change": weighed.change.map(|change| format!("{} %", change.percent)),
            "coarse": weighed.change.is_some_and(|change| change.coarse),
        })).collect::<Vec<_>>(),
        "criterion": drying.criterion.as_ref().map(Criterion::text),
        "constant": drying.is_constant(),
        "out": drying.is_out(),
        "over": drying.is_over(on.cools()),
        "missing": missing(drying),
        "waitsMs": ms(drying.waits_ns(now)),
        "wants": drying.wants(number),
        "mayWeighBefore": drying.load.before.is_none() && drying.weighed.is_empty(),
        "water": drying.water().map(|water| format!("{water} %")),
        "stopped": drying.stopped.map(|(reason, _)| reason),
        "cooled": drying.cooled.map(marked),
        "cools": on.cools(),
    })
}

/// What is missing to constant mass, in words.
fn missing(drying: &Drying<'_>) -> String {
    match drying.change() {
        _ if drying.stopped.is_some() => "taken out before its mass was constant".to_owned(),
        Some(change) => match change.verdict {
            Verdict::Constant => "constant".to_owned(),
            Verdict::Gained => "it gained: look at the pan, the tins and the balance, then dry on".to_owned(),
            Verdict::Losing => "still losing: dry on and weigh again".to_owned(),
            Verdict::NoCriterion => "the method has no criterion of constant mass".to_owned(),
        },
        None if drying.weighed.is_empty() => "two weighings after drying".to_owned(),
        None => "one more weighing after drying on".to_owned(),
    }
}

fn marked(marked: &Marked) -> Value {
    json!({ "atMs": ms(marked.moment.wall_ns), "by": by_text(&marked.by) })
}
