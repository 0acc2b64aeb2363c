//! One weighing, kept whether or not something was waiting for it.

use super::measure::WeighingTold;
use super::{DocumentKind, Envelope, Head, StationTold};
use crate::domain::bench::{Bench, Input};
use crate::domain::specimen::{Target, Weighing};
use serde::Serialize;
use serde_json::{Value, json};

#[derive(Debug, Serialize)]
struct Data<'a> {
    #[serde(rename = "for")]
    target: Value,
    station: StationTold<'a>,
    weighing: WeighingTold<'a>,
}

/// The whole document.
pub(super) fn text(bench: &Bench, weighing: &Weighing, input: &Input, head: &Head) -> String {
    let told = WeighingTold::of(weighing);
    let kind = DocumentKind::Weighing;
    let schema = match &weighing.target {
        _ if told.tells_who() => kind.naming_schema(),
        Some(Target::Component { .. }) => kind.fullest_schema(),
        _ if told.tells_more() => kind.fuller_schema(),
        _ => kind.schema(),
    };
    let data =
        Data { target: target(bench, weighing), station: StationTold::of(bench, head), weighing: told };
    Envelope::of(kind, schema, (weighing.id, weighing.id, bench.next_number), &input.moment, head, data)
        .text()
}

fn target(bench: &Bench, weighing: &Weighing) -> Value {
    match &weighing.target {
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
        Some(Target::Component { batch, component, .. }) => json!({
            "batch": batch,
            "component": component,
        }),
        None => Value::Null,
    }
}
