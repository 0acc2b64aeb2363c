//! Which solution a specimen met, in its record.

use super::measure;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::solution::{BatchSeen, Use};
use crate::domain::specimen::Specimen;
use serde_json::{Value, json};

/// Adds the uses in the order of the test, and each batch once; nothing where no list is kept.
pub(super) fn add(specimen: &Specimen, data: &mut Value) {
    let Value::Object(fields) = data else { return };
    if specimen.solutions.is_empty() {
        return;
    }
    let mut batches: Vec<&BatchSeen> = Vec::new();
    for seen in specimen.solutions.iter().filter_map(|used| used.batch.as_ref()) {
        if !batches.iter().any(|known| known.id == seen.id) {
            batches.push(seen);
        }
    }
    let told = json!({
        "uses": specimen.solutions.iter().map(used).collect::<Vec<_>>(),
        "batches": batches.into_iter().map(batch).collect::<Vec<_>>(),
    });
    fields.insert("solution".to_owned(), told);
}

fn used(used: &Use) -> Value {
    let drawn = Quantity::new(used.drawn_ml.normalize(), Unit::Millilitre);
    json!({
        "step": used.step,
        "kind": used.of,
        "at": measure::moment(&used.moment),
        "batch": used.batch.as_ref().map(|seen| &seen.id),
        "state": used.batch.as_ref().map(|seen| seen.state),
        "about": used.batch.as_ref().map(|_| measure::quantity(&drawn)),
    })
}

fn batch(seen: &BatchSeen) -> Value {
    json!({
        "id": seen.id,
        "recipe": { "id": seen.recipe, "title": seen.title, "sha256": seen.digest },
        "made": seen.made_wall_ns.map(measure::time),
        "madeBy": seen.made_by,
        "expires": seen.expires_wall_ns.map(measure::time),
        "water": seen.water,
        "stock": seen.stock.as_ref().map(|stock| json!({
            "id": stock.id,
            "title": stock.title,
            "made": stock.made_wall_ns.map(measure::time),
            "expires": stock.expires_wall_ns.map(measure::time),
        })),
        "bought": seen.bought.as_ref().map(|bought| json!({ "maker": bought.maker, "lot": bought.lot })),
        "notInOrder": seen.doubts.iter().map(|doubt| json!({
            "what": doubt.what,
            "reason": doubt.reason,
        })).collect::<Vec<_>>(),
        "discarded": seen.discarded,
    })
}
