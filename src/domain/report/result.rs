//! The result of a sample: the average of what counts, and how far its specimens lie apart.

use super::{Head, change, measure, quality, record, repeat, review, station};
use crate::domain::bench::Bench;
use crate::domain::calculation::Average;
use crate::domain::method::name_of;
use crate::domain::quality::counting;
use crate::domain::quantity::Unit;
use crate::domain::specimen::sample::Sample;
use rust_decimal::Decimal;
use serde_json::{Value, json};

pub(super) fn data(bench: &Bench, sample: &Sample, average: Option<&Average>, head: &Head) -> Option<Value> {
    let method = bench.methods.get(&sample.method)?;
    let counting = counting(sample);
    let reported = || counting.counts.iter().map(|c| c.calculation.reported);
    let difference: Option<Decimal> = reported().max().zip(reported().min()).map(|(a, b)| a - b);
    let limit = method.replicates.max_difference.value;
    let verdict = match (difference, limit) {
        (Some(d), Some(limit)) if d > limit => "over",
        (Some(_), Some(_)) => "within",
        _ => "no-limit",
    };
    let mut data = json!({
        // Too few specimens count: no result stands until more do.
        "status": if average.is_some() { sample.standing_result().word() } else { "void" },
        "version": 1,
        "station": station(bench, head),
        "method": record::method(method),
        "sample": record::sample(sample),
        "specimens": counting.counts.iter().map(|c| json!({
            "id": c.specimen,
            "label": c.label,
            "record": c.record,
            "ratio": measure::figure(c.calculation.ratio_tenths.decimal(), Unit::One),
            "reported": measure::figure(c.calculation.reported, Unit::One),
            "deviations": c.deviations,
        })).collect::<Vec<_>>(),
        "average": average.map(|average| json!({
            "rule": serde_json::to_value(average.rule).unwrap_or(Value::Null),
            "count": average.count,
            "sum": measure::figure(average.sum, Unit::One),
            "mean": measure::figure(average.mean_tenths.decimal(), Unit::One),
        })),
        "difference": {
            "value": difference.map_or(Value::Null, measure::number),
            "text": difference.map(|d| d.normalize().to_string()),
            "unit": Unit::One.code(),
            "limit": limit.map(|l| l.normalize().to_string()),
            "verdict": verdict,
        },
        "result": average.map(|average| json!({
            "name": name_of(&sample.quantity(method)),
            "value": measure::number(average.reported),
            "text": average.reported.normalize().to_string(),
            "unit": Unit::One.code(),
        })),
    });
    if let (Some(again), Value::Object(fields)) = (&sample.repeat, &mut data) {
        fields.insert("repeat".to_owned(), repeat::repeat(sample, again, &counting));
    }
    quality::add(&mut data, (bench, sample, method), &counting, average);
    review::add_to_result(sample, &bench.specimens_of(sample.id), &mut data);
    let points = method.points();
    // The first version tells of no specimen's corrections: its record does.
    let amended = sample.result.is_some_and(|r| r.version > 1);
    let complete = bench.specimens_of(sample.id).into_iter().filter(|s| amended && s.is_complete());
    let changes = complete.flat_map(|s| change::changes_named(s, method, &points));
    let changes = changes.chain(quality::changes(bench, sample));
    let changes = changes.chain(super::intake::changes(&sample.intake)).collect();
    change::add(&mut data, sample.result.as_ref(), changes);
    Some(data)
}
