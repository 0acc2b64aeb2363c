//! How the result of a sample that was run again was made: which specimens called for it, how long
//! each new one took, which one counts, and why the others do not.

use super::measure;
use crate::domain::moment::Elapsed;
use crate::domain::quality::Counting;
use crate::domain::quantity::Unit;
use crate::domain::specimen::late::Repeat;
use crate::domain::specimen::sample::{Counted, Sample};
use serde_json::{Value, json};

/// The repeat of a sample.
pub(super) fn repeat(sample: &Sample, repeat: &Repeat, counting: &Counting<'_>) -> Value {
    let new = sample.counted.iter().filter(|c| repeat.group.contains(&c.specimen));
    json!({
        "calledForBy": repeat.called_by.iter().map(|late| json!({
            "id": late.specimen,
            "label": late.label,
            "at": measure::moment(&late.at),
        })).collect::<Vec<_>>(),
        "specimens": repeat.specimens,
        "rule": "shortest-sedimentation",
        "candidates": new.map(|c| candidate(c, counting)).collect::<Vec<_>>(),
        "certain": counting.certain,
        "notCounted": counting.others.iter().map(|(c, why)| json!({
            "id": c.specimen,
            "label": c.label,
            "record": c.record,
            "ratio": measure::figure(c.calculation.ratio_tenths.decimal(), Unit::One),
            "reported": measure::figure(c.calculation.reported, Unit::One),
            "deviations": c.deviations,
            "why": why.code(),
            "text": why.text(),
        })).collect::<Vec<_>>(),
    })
}

fn candidate(counted: &Counted, counting: &Counting<'_>) -> Value {
    let took =
        counted.settled.map(|s| measure::duration(Elapsed { ns: s.ns, basis: s.basis }, s.resolution_ns));
    json!({
        "id": counted.specimen,
        "label": counted.label,
        "sedimentation": took,
        "bound": counted.settled.is_some_and(|s| s.bound),
        "counts": counting.counts.iter().any(|c| c.specimen == counted.specimen),
    })
}
