//! The way from the bag to the tin in a specimen's record, where the laboratory entered it step by
//! step.

use super::measure;
use crate::domain::method::{Bound, CourseKind, Method};
use crate::domain::preparation::{self, Change, Criterion, Drying, Entry, OnCourse, Standing, Verdict};
use crate::domain::quantity::Unit;
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Specimen, judge};
use rust_decimal::Decimal;
use serde_json::{Value, json};

/// Adds it; nothing for a sample that follows no course.
pub(super) fn add(data: &mut Value, sample: &Sample, specimen: &Specimen, method: &Method) {
    let (Some(on), Value::Object(fields)) = (sample.on_course(method), data) else { return };
    fields.insert("preparation".to_owned(), whole(&on, specimen, method));
}

fn whole(on: &OnCourse<'_>, specimen: &Specimen, method: &Method) -> Value {
    let tin = on.course.tin_of(specimen.id);
    let begun = preparation::begun(on, specimen).unwrap_or(&specimen.registered);
    let filled = tin.and_then(|(number, _)| on.course.filled(number)).unwrap_or(begun);
    let then = tin.map_or_else(|| on.as_of(filled.moment), |(number, _)| on.as_filled(number));
    let dried = on.as_of(begun.moment);
    let load = tin.and_then(|(number, _)| on.course.load_of(number));
    json!({
        "course": on.rule.name,
        "title": on.rule.title,
        "chosen": measure::marked(&on.course.chosen),
        "steps": (0..on.rule.steps.len()).filter_map(|at| step(&then, &dried, at, specimen)).collect::<Vec<_>>(),
        "casts": then.casts().map(|(finding, changed, marked)| json!({
            "finding": finding,
            "changed": changed,
            "accepted": finding.is_accepted(),
            "at": measure::marked(marked),
        })).collect::<Vec<_>>(),
        "tempering": then.tempering().map(|tempering| json!({
            "begin": measure::marked(tempering.since),
            "duration": measure::duration(
                filled.moment.since(&tempering.since.moment), judge::resolution_ns(method)),
            "atLeast": tempering.least_ns.map(seconds),
        })),
        "tin": tin.map(|(number, tin)| json!({
            "number": number,
            "mark": tin.mark,
            "empty": tin.tare.as_ref().map(measure::weighing),
            "filled": on.course.filled(number).map(measure::marked),
        })),
        "drying": load.and_then(|load| Some(drying(&dried.drying(load)?, load))),
        "takenBack": on.course.entries.iter().filter_map(taken_back).collect::<Vec<_>>(),
    })
}

/// A step as it stood when the tin was filled; drying, when the specimen was begun.
fn step(then: &OnCourse<'_>, dried: &OnCourse<'_>, at: usize, specimen: &Specimen) -> Option<Value> {
    let step = then.rule.steps.get(at)?;
    let begun = preparation::begun(then, specimen).unwrap_or(&specimen.registered).moment;
    let tin = then.course.tin_of(specimen.id).map(|(number, _)| number);
    let done = |yes: bool| if yes { Standing::Done } else { Standing::Open };
    let skipped = then.skipped(&step.name);
    let (standing, marked) = match &step.kind {
        _ if skipped.is_some() => (Standing::Skipped, skipped.map(|(_, marked)| marked)),
        CourseKind::Done { .. } => (done(then.done(&step.name).is_some()), then.done(&step.name)),
        CourseKind::Tins { .. } => {
            let filled = tin.and_then(|tin| then.course.filled(tin));
            (done(filled.is_some()), filled)
        }
        CourseKind::Dry { cooled } => {
            let load = tin.and_then(|tin| then.course.load_of(tin)).and_then(|load| dried.drying(load));
            let over = load.as_ref().is_some_and(|load| load.is_over(*cooled));
            (done(over), load.and_then(|load| load.cooled))
        }
        CourseKind::Temper => match (then.standing(at, &begun), then.tempering()) {
            (Standing::NotNeeded, _) => (Standing::NotNeeded, None),
            (_, tempering) => (done(tempering.is_some()), tempering.map(|tempering| tempering.since)),
        },
        CourseKind::Weigh { .. } | CourseKind::Cast => (then.standing(at, &begun), None),
    };
    Some(json!({
        "name": step.name,
        "standing": standing,
        "at": marked.map(measure::marked),
        "reason": skipped.map(|(reason, _)| reason),
        "mass": match &step.kind {
            CourseKind::Weigh { weighing } => Some(weighing),
            _ => None,
        },
    }))
}

fn drying(drying: &Drying<'_>, number: u32) -> Value {
    let figure = |value: Decimal| measure::figure(value, drying.unit);
    json!({
        "number": number,
        "tins": drying.load.tins,
        "tare": drying.tare.map(figure),
        "pan": drying.load.pan.as_ref().map(measure::weighing),
        "before": drying.load.before.as_ref().map(measure::weighing),
        "netBefore": drying.before.map(figure),
        "oven": drying.oven.iter().map(|(temperature, marked)| {
            let mut value = measure::quantity(temperature);
            super::put(&mut value, "at", measure::marked(marked));
            value
        }).collect::<Vec<_>>(),
        "weighings": drying.weighed.iter().map(|weighed| json!({
            "gross": measure::weighing(weighed.weighing),
            "net": weighed.net.map(figure),
            "after": weighed.after_ns.map(seconds),
            "change": weighed.change.map(|change| percent(change.percent)),
            "verdict": weighed.change.map(verdict),
            "coarse": weighed.change.is_some_and(|change| change.coarse),
        })).collect::<Vec<_>>(),
        "criterion": drying.criterion.as_ref().map(criterion),
        "constant": drying.is_constant(),
        "water": drying.water().map(percent),
        "stopped": drying.stopped.map(|(reason, marked)| {
            json!({ "reason": reason, "at": measure::marked(marked) })
        }),
        "cooled": drying.cooled.map(measure::marked),
    })
}

fn criterion(criterion: &Criterion) -> Value {
    json!({
        "change": percent(criterion.percent),
        "bound": match criterion.bound { Bound::Under => "under", Bound::AtMost => "at-most" },
        "every": criterion.every_ns.map(seconds),
    })
}

const fn verdict(change: Change) -> &'static str {
    match change.verdict {
        Verdict::Constant => "constant",
        Verdict::Losing => "losing",
        Verdict::Gained => "gained",
        Verdict::NoCriterion => "no-criterion",
    }
}

fn percent(value: Decimal) -> Value {
    measure::figure(value, Unit::Percent)
}

fn seconds(ns: i64) -> Value {
    measure::figure(Decimal::from_i128_with_scale(i128::from(ns), 9).normalize(), Unit::Second)
}

/// What was entered by mistake.
fn taken_back(entry: &Entry) -> Option<Value> {
    let (reason, marked) = entry.taken_back.as_ref()?;
    Some(json!({
        "what": entry.what.text(),
        "entered": measure::marked(&entry.marked),
        "takenBack": measure::marked(marked),
        "reason": reason,
    }))
}
