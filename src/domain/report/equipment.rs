//! What a specimen used, and the cycles that were counted, in its record.

use super::measure;
use crate::domain::specimen::Specimen;
use serde_json::{Value, json};

/// Adds both; nothing where no list of equipment is kept and nothing was counted.
pub(super) fn add(specimen: &Specimen, data: &mut Value) {
    let Value::Object(fields) = data else { return };
    if !specimen.equipment.is_empty() {
        let used = specimen.equipment.iter().map(|used| {
            json!({
                "id": used.id,
                "kind": used.kind,
                "lastGoodCheck": used.last_good.map(|moment| measure::time(moment.wall_ns)),
                "due": used.due_wall_ns.map(measure::time),
                "state": used.state,
                "step": used.step,
                "at": measure::time(used.moment.wall_ns),
            })
        });
        fields.insert("equipment".to_owned(), used.collect());
    }
    if !specimen.cycles.is_empty() {
        let counted = specimen.cycles.iter().map(|cycles| {
            json!({
                "count": cycles.count,
                "rate": measure::quantity(&cycles.rate),
                "first": measure::moment(&cycles.first),
                "last": measure::moment(&cycles.last),
                "by": measure::by(&cycles.by),
            })
        });
        fields.insert("shakerCycles".to_owned(), counted.collect());
    }
}
