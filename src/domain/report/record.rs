//! The record of one completed specimen.

use super::{Head, change, equipment, incident, measure, preparation, review, solution, station, variant};
use crate::domain::bench::{Bench, ProbeStands};
use crate::domain::method::{Edge, Method, Point, Step, StepKind, name_of};
use crate::domain::moment::Moment;
use crate::domain::quantity::Unit;
use crate::domain::specimen::judge::{self, Verdict};
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::walk::EndPoint;
use crate::domain::specimen::{ReadingTaken, Specimen};
use rust_decimal::Decimal;
use serde_json::{Value, json};

/// The `data` of a specimen's record; `None` if the specimen is not complete.
pub(super) fn data(bench: &Bench, specimen: &Specimen, head: &Head) -> Option<Value> {
    let (method, points) = bench.rule(specimen)?;
    let sample = bench.find_sample(specimen.sample)?;
    let calculation = specimen.calculation.as_ref()?;
    let mut deviations = sample.deviations_of(method, specimen);
    deviations.extend(judge::deviations(specimen, method, &points));
    let deviations: Vec<Value> = deviations
        .iter()
        .map(|d| {
            let mut value = serde_json::to_value(d).unwrap_or(Value::Null);
            if let (Value::Object(fields), Some(moment)) = (&mut value, &d.moment) {
                fields.insert("time".to_owned(), json!(measure::time(moment.wall_ns)));
            }
            value
        })
        .collect();
    let end = *specimen.last_moment();
    let void = specimen.voided.is_some();
    let mut data = json!({
        "status": if void { "void" } else { specimen.standing().word() },
        "version": 1,
        "station": station(bench, head),
        "method": self::method(method),
        "sample": self::sample(sample),
        "specimen": {
            "id": specimen.id,
            "label": specimen.label,
            "place": specimen.place,
            "kind": method.specimen.kind,
            "registered": measure::marked(&specimen.registered),
            "mass": specimen.mass.as_ref().map(measure::weighing),
        },
        "steps": (0..method.steps.len())
            .filter_map(|index| step(specimen, method, &points, index, &end))
            .collect::<Vec<_>>(),
        "furtherRuns": specimen.further_runs.iter().map(|run| json!({
            "begin": measure::marked(&run.begin),
            "end": run.end.as_ref().map(measure::marked),
        })).collect::<Vec<_>>(),
        "noLineYet": specimen.no_line.iter().map(measure::marked).collect::<Vec<_>>(),
        "readings": readings(specimen, method)?,
        "calculation": variant::calculation(calculation),
        "result": (!void).then(|| json!({
            "name": name_of(&specimen.quantity(method)),
            "value": measure::number(calculation.reported),
            "text": calculation.reported.normalize().to_string(),
            "unit": Unit::One.code(),
        })),
        "temperature": temperature(bench, specimen, method),
        "deviations": deviations,
    });
    super::quality::add_to_record(bench, sample, specimen, &mut data);
    variant::add(&mut data, specimen, method);
    equipment::add(specimen, &mut data);
    solution::add(specimen, &mut data);
    preparation::add(&mut data, sample, specimen, method);
    review::add_to_record(specimen, &mut data);
    if let (Some(incidents), Value::Object(fields)) =
        (incident::incidents(specimen, sample, method, &points), &mut data)
    {
        fields.insert("incidents".to_owned(), incidents);
    }
    if let (Value::Object(fields), true) = (&mut data, specimen.room.readings > 0) {
        fields.insert("room".to_owned(), room(specimen));
    }
    let mut changes = change::changes(specimen, method, &points);
    changes.extend(super::intake::changes(&sample.intake));
    change::add(&mut data, specimen.record.as_ref(), changes);
    Some(data)
}

pub(super) fn method(method: &Method) -> Value {
    json!({
        "id": method.id,
        "title": method.title,
        "standard": method.standard,
        "edition": method.edition.value.as_deref().unwrap_or("not confirmed"),
        "sha256": method.digest,
    })
}

pub(super) fn sample(sample: &Sample) -> Value {
    let mut value = json!({
        "id": sample.id,
        "label": sample.label,
        "planned": sample.planned,
        "registered": measure::marked(&sample.registered),
        "preparation": sample.preparation.iter().map(|(what, marked)| json!({
            "what": serde_json::to_value(what).ok().and_then(|v| v.get("done").cloned()),
            "at": measure::marked(marked),
        })).collect::<Vec<_>>(),
        "masses": sample.masses.iter()
            .map(|(name, weighing)| (name.clone(), measure::weighing(weighing)))
            .collect::<serde_json::Map<_, _>>(),
    });
    super::intake::add(&mut value, &sample.intake);
    value
}

fn step(specimen: &Specimen, method: &Method, points: &[Point], index: usize, now: &Moment) -> Option<Value> {
    let Step { name, kind, .. } = method.steps.get(index)?;
    match kind {
        StepKind::Interval(timed) => {
            let span = specimen.span(method, points, index)?;
            let (min, max) = specimen.window(method, index);
            let resolution = judge::resolution_ns(method);
            Some(json!({
                "name": name,
                "kind": "interval",
                "begin": end_point(&span.begin),
                "end": span.end.as_ref().map(end_point),
                "duration": measure::duration(span.elapsed(now), resolution),
                "required": {
                    "nominal": bound(timed.required_ns.value),
                    "min": bound(min),
                    "max": bound(max),
                    "unit": Unit::Second.code(),
                },
                "verdict": verdict(judge::verdict(specimen, method, index, &span)),
            }))
        }
        StepKind::Mark { .. } | StepKind::Reading { .. } => {
            let point = points.iter().position(|p| p.step == index && p.edge != Edge::Begin)?;
            let marked = specimen.points.get(point)?.as_ref()?;
            let kind = if matches!(kind, StepKind::Reading { .. }) { "reading" } else { "mark" };
            Some(json!({ "name": name, "kind": kind, "at": measure::marked(marked) }))
        }
    }
}

fn end_point(end: &EndPoint<'_>) -> Value {
    let mut value = measure::marked(end.marked);
    if let Value::Object(fields) = &mut value {
        // Not marked itself: the neighbouring act bounds it.
        fields.insert("bound".to_owned(), json!(end.bound));
    }
    value
}

fn bound(ns: Option<i64>) -> Option<String> {
    ns.map(|ns| Decimal::from_i128_with_scale(i128::from(ns), 9).normalize().to_string())
}

const fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::NoLimit => "no-limit",
        Verdict::Running => "running",
        Verdict::Within => "within",
        Verdict::Short { .. } => "short",
        Verdict::Over { .. } => "over",
        Verdict::NotShown => "not-shown",
    }
}

pub(super) fn reading(taken: &ReadingTaken, method: &Method) -> Value {
    let unit = method.readings.unit;
    json!({
        "value": measure::number(taken.level.recorded),
        "text": taken.level.recorded.to_string(),
        "unit": unit.code(),
        "entered": taken.text,
        "level": measure::figure(taken.level.entered, unit),
        "offset": measure::figure(taken.level.offset, unit),
        "foot": taken.foot,
        "resolution": method.readings.mark.value.map(|m| measure::figure(m, unit)),
        "at": measure::moment(&taken.moment),
        "by": measure::by(&taken.by),
        "origin": "entered by a person",
    })
}

/// The levels that the method asks for, by their names.
fn readings(specimen: &Specimen, method: &Method) -> Option<Value> {
    let levels =
        method.levels().map(|of| Some((of.word().to_owned(), reading(specimen.reading(of)?, method))));
    levels.collect::<Option<serde_json::Map<_, _>>>().map(Value::Object)
}

fn temperature(bench: &Bench, specimen: &Specimen, method: &Method) -> Value {
    let tally = &specimen.tally;
    let s = |us: i64| {
        let text = judge::seconds(us.saturating_mul(1000), judge::resolution_ns(method));
        json!({ "value": text.parse::<Decimal>().map_or(Value::Null, measure::number), "text": text, "unit": "s" })
    };
    // What was counted says where it came from, whatever became of the probe afterwards.
    let (last, earlier) = match tally.sources.split_last() {
        Some((last, earlier)) => (Some(last), earlier),
        None => (None, tally.sources.as_slice()),
    };
    let holds_s = last.map_or(bench.settings.temperature_stale_s, |source| source.holds_s);
    let mut value = json!({
        "limits": method.temperature.limits.value.as_ref().map(measure::range),
        "from": method.temperature.from,
        "to": method.temperature.to,
        "minimum": tally.lowest.as_ref().map(|q| measure::corrected(q, tally.lowest_applied.as_ref())),
        "mean": tally.mean().as_ref().map(measure::quantity),
        "maximum": tally.highest.as_ref().map(|q| measure::corrected(q, tally.highest_applied.as_ref())),
        "readings": tally.readings,
        "readingsOutside": tally.readings_outside,
        // How long a reading holds where the next one does not come.
        "holds": measure::figure(Decimal::from(holds_s), Unit::Second),
        "outside": s(tally.below_us + tally.above_us),
        "below": s(tally.below_us),
        "above": s(tally.above_us),
        "withoutReading": s(tally.missing_us),
        "probe": place(last.map(|source| source.stands_in).or(bench.probe.stands_in)),
        "instrument": last.map(|source| &source.instrument),
        "port": last.map(|source| &source.port),
    });
    let certificate = last.and_then(|source| source.certificate.as_ref());
    if let (Value::Object(fields), Some(certificate)) = (&mut value, certificate) {
        fields.insert("certificate".to_owned(), measure::certificate(certificate));
    }
    if let (Value::Object(fields), false) = (&mut value, earlier.is_empty()) {
        let earlier = earlier.iter().map(|source| {
            let mut value = json!({
                "instrument": source.instrument,
                "port": source.port,
                "probe": place(Some(source.stands_in)),
                "holds": measure::figure(Decimal::from(source.holds_s), Unit::Second),
            });
            if let (Value::Object(fields), Some(certificate)) = (&mut value, &source.certificate) {
                fields.insert("certificate".to_owned(), measure::certificate(certificate));
            }
            value
        });
        fields.insert("earlierSources".to_owned(), earlier.collect());
    }
    if let (Value::Object(fields), true) = (&mut value, tally.moved) {
        // The watch was counted before one of its ends was corrected.
        fields.insert("countedFrom".to_owned(), tally.opened.as_ref().map(measure::moment).into());
        fields.insert("countedTo".to_owned(), tally.counted_to.as_ref().map(measure::moment).into());
    }
    value
}

/// The room's temperature from the first act to the result: no limits, only what it was.
fn room(specimen: &Specimen) -> Value {
    let room = &specimen.room;
    json!({
        "minimum": room.lowest.as_ref().map(|q| measure::corrected(q, room.lowest_applied.as_ref())),
        "maximum": room.highest.as_ref().map(|q| measure::corrected(q, room.highest_applied.as_ref())),
        "readings": room.readings,
        "sources": room.sources.iter().map(|source| json!({
            "instrument": source.instrument,
            "port": source.port,
            "certificate": source.certificate.as_ref().map(measure::certificate),
        })).collect::<Vec<_>>(),
    })
}

const fn place(stands_in: Option<ProbeStands>) -> &'static str {
    match stands_in {
        Some(ProbeStands::Bottle) => "bottle",
        Some(ProbeStands::DummyCylinder) => "dummy-cylinder",
        None => "out-of-solution",
    }
}
