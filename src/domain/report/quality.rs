//! Whether a result stands, for its document: only results of laboratories that use it have these
//! keys, and say so by the version of the schema.

use super::{measure, put};
use crate::domain::bench::Bench;
use crate::domain::calculation::Average;
use crate::domain::method::Method;
use crate::domain::quality::acceptance::{self, Acceptance, Verdict};
use crate::domain::quality::precision::{self, Allowed};
use crate::domain::quality::uncertainty::{self, Decision, Expanded};
use crate::domain::quality::{Admission, Compared, Counting};
use crate::domain::quantity::Unit;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::sample::Sample;
use rust_decimal::{Decimal, RoundingStrategy};
use serde_json::{Value, json};

/// Adds what there is to tell.
pub(super) fn add(
    data: &mut Value,
    (bench, sample, method): (&Bench, &Sample, &Method),
    counting: &Counting<'_>,
    average: Option<&Average>,
) {
    if let Some(precision) = precision(sample, method, counting) {
        put(data, "precision", precision);
    }
    let reported = average.map(|average| average.reported);
    let acceptance = acceptance::judge(sample, method, counting, reported);
    if let Some(acceptance) = &acceptance {
        put(data, "acceptance", self::acceptance(acceptance));
    }
    if acceptance.is_none()
        && let Some(stated) = &sample.quality.rules.uncertainty
        && let Some(expanded) = uncertainty::of_mean(&counting.counts, method, stated)
    {
        put(data, "uncertainty", self::expanded(&expanded));
    }
    if sample.quality.is_told() || acceptance.is_some() {
        let not_counted = not_counted(bench, sample, counting);
        if !not_counted.is_empty() {
            put(data, "notCounted", not_counted.into());
        }
    }
}

/// In a record, in whose place the specimen is run; nothing where it is in nobody's.
pub(super) fn add_to_record(bench: &Bench, sample: &Sample, specimen: &Specimen, data: &mut Value) {
    let Some(other) = sample.quality.replaces(specimen.id) else { return };
    let label = bench.find(other).map(|s| &s.label);
    if let Some(about) = data.get_mut("specimen") {
        put(about, "inPlaceOf", json!({ "id": other, "label": label }));
    }
}

/// How far the specimens that count lie apart beside the published precision.
fn precision(sample: &Sample, method: &Method, counting: &Counting<'_>) -> Option<Value> {
    if sample.quality.rules.precision == Compared::Off {
        return None;
    }
    let results: Vec<Decimal> = counting.counts.iter().map(|c| c.calculation.reported).collect();
    let found = precision::compare(&results, method)?;
    let verdict = match found.is_outside() {
        Some(true) => "outside",
        Some(false) => "within",
        None => "no-figure",
    };
    Some(json!({
        "class": found.class.map(|class| &class.class),
        "ofSeveral": found.of_several,
        "results": found.results,
        "mean": to_tenth(found.mean),
        "range": measure::figure(found.range.normalize(), Unit::One),
        "operator": found.operator.map(allowed),
        "laboratories": found.laboratories.map(allowed),
        "confidence": found.confidence(),
        "verdict": verdict,
        "furtherAsked": sample.quality.further.as_ref().map(|further| json!({
            "specimens": further.specimens,
            "result": if further.alone { "alone" } else { "together" },
            "difference": further.difference.normalize().to_string(),
            "limit": further.limit.normalize().to_string(),
            "at": measure::moment(&further.at),
        })),
    }))
}

fn allowed(allowed: Allowed) -> Value {
    let text = |value: Decimal| value.normalize().to_string();
    json!({
        "deviation": allowed.deviation.map(text),
        "multiplier": allowed.multiplier.map(text),
        "range": text(allowed.range),
    })
}

fn acceptance(acceptance: &Acceptance<'_>) -> Value {
    let why = match acceptance.verdict {
        Verdict::NotDecided(why) => Some(why.code()),
        Verdict::Pass | Verdict::Fail => None,
    };
    let mut value = json!({
        "limit": {
            "atLeast": acceptance.limit.at_least.to_string(),
            "specification": acceptance.limit.specification,
        },
        "rule": match acceptance.rule { Decision::Simple => "simple", Decision::Guarded => "guarded" },
        "ruleText": acceptance.rule_text(),
        "compared": acceptance.compared.map(|value| to_places(value, 2).normalize().to_string()),
        "verdict": acceptance.verdict.code(),
        "why": why,
        "standsThoughCold": acceptance.stands_though_cold,
        "text": acceptance.text(),
    });
    if let Some(expanded) = &acceptance.uncertainty {
        put(&mut value, "uncertainty", self::expanded(expanded));
    }
    value
}

/// An expanded uncertainty with what it is made of.
fn expanded(expanded: &Expanded) -> Value {
    let text = |value: Decimal| to_places(value, 3).to_string();
    json!({
        "mean": to_places(expanded.mean, 2).to_string(),
        "expanded": expanded.expanded.to_string(),
        "factor": expanded.factor.to_string(),
        "coverage": "95 %",
        "combined": text(expanded.combined),
        "fromReadings": text(expanded.from_readings),
        "fromRepeatability": expanded.from_repeatability.map(text),
        "degreesOfFreedom": expanded.degrees_of_freedom.map(|dof| dof.trunc().to_string()),
        "of": "the unrounded mean of what counts, and not the reported whole number",
    })
}

/// Every specimen of the sample that does not count, given up or complete, in the order of their
/// identities.
fn not_counted(bench: &Bench, sample: &Sample, counting: &Counting<'_>) -> Vec<Value> {
    let specimens = bench.specimens_of(sample.id);
    specimens.into_iter().filter_map(|specimen| one(bench, sample, counting, specimen)).collect()
}

fn one(bench: &Bench, sample: &Sample, counting: &Counting<'_>, specimen: &Specimen) -> Option<Value> {
    let counted = sample.counted.iter().find(|c| c.specimen == specimen.id);
    let (why, text) = match (&specimen.voided, counting.why(specimen.id)) {
        (Some((reason, _)), _) => ("void", reason.clone()),
        (None, Some(why)) => (why.code(), why.text().to_owned()),
        // It counts, or is at work still.
        (None, None) => return None,
    };
    let other = sample.quality.replaced_by(specimen.id);
    let label = other.and_then(|id| bench.find(id)).map(|s| &s.label);
    let calculation = specimen.calculation.as_ref();
    Some(json!({
        "id": specimen.id,
        "label": specimen.label,
        "record": specimen.record.map(|record| record.id),
        "ratio": calculation.map(|c| measure::figure(c.ratio_tenths.decimal(), Unit::One)),
        "reported": calculation.map(|c| measure::figure(c.reported, Unit::One)),
        "deviations": counted.map(|c| c.deviations),
        "why": why,
        "text": text,
        "replacedBy": other.map(|id| json!({ "id": id, "label": label })),
    }))
}

/// Decisions on specimens with deviations, as changes of the result, oldest first.
pub(super) fn changes(bench: &Bench, sample: &Sample) -> Vec<Value> {
    let change = |decision: &Admission| {
        let label = bench.find(decision.specimen).map(|s| s.label.clone()).unwrap_or_default();
        let (kind, what) = match decision.admitted_with {
            Some(1) => ("admitted", format!("{label} counts with its deviation")),
            Some(n) => ("admitted", format!("{label} counts with its {n} deviations")),
            None => ("admission-withdrawn", format!("{label} is held again")),
        };
        json!({
            "id": decision.id,
            "kind": kind,
            "what": what,
            "from": null,
            "to": null,
            "who": measure::by(&decision.marked.by),
            "when": measure::moment(&decision.marked.moment),
            "reason": decision.reason,
            "reasonPending": false,
            "reasonGiven": measure::marked(&decision.marked),
            "specimen": { "id": decision.specimen, "label": label },
        })
    };
    sample.quality.admissions.iter().map(change).collect()
}

/// Whether a document tells of decisions, which only version 1.2 has words for.
pub(super) fn is_told(data: &Value) -> bool {
    let changes = data.get("changes").and_then(Value::as_array);
    let kinds = changes.into_iter().flatten().filter_map(|change| change.get("kind")?.as_str());
    kinds.into_iter().any(|kind| ["admitted", "admission-withdrawn"].contains(&kind))
}

fn to_tenth(value: Decimal) -> Value {
    measure::figure(to_places(value, 1), Unit::One)
}

fn to_places(value: Decimal, places: u32) -> Decimal {
    value.round_dp_with_strategy(places, RoundingStrategy::MidpointAwayFromZero)
}
