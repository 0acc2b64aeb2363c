//! One weighing, kept whether or not something was waiting for it.

use super::{Head, measure, put, station};
use crate::domain::bench::Bench;
use crate::domain::specimen::{Target, Weighing};
use serde_json::{Value, json};

pub(super) fn data(bench: &Bench, weighing: &Weighing, head: &Head) -> Value {
    let target = match &weighing.target {
        Some(Target::Sample { sample, name }) => json!({
            "sample": sample,
            "label": bench.samples.get(sample).map(|s| &s.label),
            "mass": name,
        }),
        Some(Target::Specimen { specimen }) => json!({
            "specimen": specimen,
            "label": bench.specimens.get(specimen).map(|s| &s.label),
        }),
        Some(Target::Preparation { sample, of }) => json!({
            "sample": sample,
            "label": bench.samples.get(sample).map(|s| &s.label),
            "mass": of.text(),
        }),
        Some(Target::CorrectiveSand { specimen }) => json!({
            "specimen": specimen,
            "label": bench.specimens.get(specimen).map(|s| format!("{} (corrective sand)", s.label)),
        }),
        None => Value::Null,
    };
    let mut data = json!({});
    put(&mut data, "station", station(bench, head));
    put(&mut data, "weighing", measure::weighing(weighing));
    put(&mut data, "for", target);
    data
}
