//! One specimen at its place.

use super::{corrections, measured, ms, odd};
use crate::domain::bench::{Bench, point_text};
use crate::domain::method::{Edge, Method, Point, SpecimenKind, StepKind};
use crate::domain::moment::Moment;
use crate::domain::quantity::Range;
use crate::domain::specimen::{Specimen, judge};
use rust_decimal::Decimal;
use serde_json::{Value, json};

pub(super) fn specimen(bench: &Bench, specimen: &Specimen, now: &Moment) -> Value {
    let Some((method, points)) = bench.rule(specimen) else {
        return json!({ "id": specimen.id, "label": specimen.label, "fault": "its method is missing" });
    };
    let sample = bench.samples.get(&specimen.sample);
    let mut deviations = sample.map_or_else(Vec::new, |s| s.deviations_of(method, specimen));
    deviations.extend(judge::deviations(specimen, method, &points));
    json!({
        "id": specimen.id,
        "label": specimen.label,
        "sample": specimen.sample,
        "method": method.id,
        "version": specimen.version,
        "begun": specimen.last_marked().is_some() && !bench.waits_with_its_tin(specimen),
        "complete": specimen.result().is_some(),
        "voided": specimen.voided.as_ref().map(|(reason, _)| reason),
        "running": running(specimen, method, &points, now),
        "next": next(specimen, method, &points),
        "passed": passed(specimen, method, &points),
        "mayRunAgain": specimen.may_run_again(&points, crate::domain::method::Machine::Shaker),
        "machineStep": points.iter().find(|p| p.machine.is_some())
            .and_then(|p| Some(&method.steps.get(p.step)?.name)),
        "inFurtherRun": specimen.open_further_run().is_some(),
        "noLineYet": specimen.no_line.len(),
        "mayLackLine": specimen.clay.is_none()
            && specimen.sediment.is_none()
            && specimen.running(method, &points).is_some_and(|(step, _)| judge::follows_on(method, step)),
        "portion": method.specimen.kind == SpecimenKind::Portion,
        "clay": specimen.clay.as_ref().map(|r| r.level.recorded.to_string()),
        "entered": {
            "clay": specimen.clay.as_ref().map(|r| &r.text),
            "sand": specimen.sand.as_ref().map(|r| &r.text),
            "sediment": specimen.sediment.as_ref().map(|r| &r.text),
        },
        "sand": specimen.sand.as_ref().map(|r| r.level.recorded.to_string()),
        "sediment": specimen.sediment.as_ref().map(|r| r.level.recorded.to_string()),
        "quantity": specimen.quantity(method),
        "counts": measured::counts(specimen, method, &points),
        "portionMasses": measured::portion(&specimen.material, method),
        "correctiveSand": specimen.corrective.as_ref().map(|m| m.mass.to_string()),
        "mass": specimen.mass.as_ref().map(|m| m.mass.to_string()),
        "result": specimen.result().map(|c| c.reported.normalize().to_string()),
        "readings": {
            "unit": method.readings.unit.symbol(),
            "mark": method.readings.mark.value.map(|v| v.to_string()),
            "top": method.readings.top.value.map(|v| v.to_string()),
            "betweenMarks": method.readings.between_marks.value,
            "sandOffset": method.foot_in_use(&bench.settings.foot)
                .and_then(|f| f.offset.value).map(|v| v.normalize().to_string()),
        },
        "odd": odd::specimen(bench, specimen),
        "deviations": deviations,
        "undo": corrections::undo(bench, specimen, method, &points),
        "marks": corrections::marks(specimen, method, &points),
        "corrections": corrections::corrections(specimen, method, &points),
        "history": corrections::history(specimen, method, &points),
    })
}

/// The interval that runs: elapsed, and its window, in milliseconds.
fn running(specimen: &Specimen, method: &Method, points: &[Point], now: &Moment) -> Option<Value> {
    let (step, span) = specimen.running(method, points)?;
    let (opens, closes) = specimen.window(method, step);
    let (elapsed, known) = (span.elapsed(now), span.known(now));
    Some(json!({
        "step": method.steps.get(step)?.name,
        "instruction": method.steps.get(step)?.instruction,
        "window": (opens.is_some() || closes.is_some()).then(|| judge::window_text(opens, closes)),
        // Null: nobody knows until the machine's clock is set.
        "elapsedMs": known.map(|elapsed| ms(elapsed.ns)),
        "nominalMs": method.timed(step).and_then(|t| t.required_ns.value).map(ms),
        "opensMs": opens.map(ms),
        "closesMs": closes.map(ms),
        "stage": specimen.announced.filter(|(s, _)| *s == step).map(|(_, stage)| stage),
        "clock": elapsed.basis,
    }))
}

/// What may come next, in order; the first is the usual one.
fn next(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Value> {
    specimen.possible(points).into_iter().filter_map(|i| point(method, points.get(i)?)).collect()
}

/// Instants that were passed without a mark: they may be stated afterwards.
fn passed(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Value> {
    let last = specimen.last_marked().unwrap_or(0);
    points
        .iter()
        .zip(&specimen.points)
        .take(last)
        .filter(|(_, marked)| marked.is_none() && !specimen.is_over())
        .filter_map(|(p, _)| point(method, p))
        .collect()
}

fn point(method: &Method, point: &Point) -> Option<Value> {
    let step = method.steps.get(point.step)?;
    let entry = match point.edge {
        Edge::Value(of) => Some(of.word()),
        Edge::Done | Edge::Begin | Edge::End => None,
    };
    let level = match &step.kind {
        StepKind::Mark { level, .. } => level.as_ref(),
        StepKind::Interval(timed) => timed.level.as_ref(),
        StepKind::Reading { .. } => None,
    };
    Some(json!({
        "step": step.name,
        "edge": if entry.is_some() { Value::Null } else { serde_json::to_value(point.edge).unwrap_or(Value::Null) },
        "text": point_text(method, point),
        "instruction": step.instruction,
        "entry": entry,
        "optional": point.optional,
        "level": level.and_then(|l| l.value).map(|r| r.to_string()),
        "aim": level.and_then(|l| l.value).and_then(|r| aim(&r)),
    }))
}

/// Where to bring a level, as it is drawn on the cylinder: the middle of its limits, or the one that is
/// given.
fn aim(range: &Range) -> Option<String> {
    let middle = match (range.min, range.max) {
        (Some(min), Some(max)) => (min + max) / Decimal::TWO,
        (one, other) => one.or(other)?,
    };
    Some(middle.normalize().to_string())
}
