//! What only some methods have: counted strokes, portions on the dry basis, other quantities than
//! the sand equivalent. A method that has none of it leaves no trace here.

use super::measure;
use crate::domain::calculation::{Calculation, Levels};
use crate::domain::measure::Stated;
use crate::domain::method::Method;
use crate::domain::specimen::Specimen;
use serde_json::{Map, Value, json};

/// Adds what the specimen's method asks for beside the levels.
pub(super) fn add(data: &mut Value, specimen: &Specimen, method: &Method) {
    let Value::Object(fields) = data else { return };
    let counts = counts(specimen, method);
    if !counts.is_empty() {
        fields.insert("counts".to_owned(), counts.into());
    }
    if let Some(portion) = portion(specimen, method) {
        fields.insert("portion".to_owned(), portion);
    }
}

/// Each step with something to count; `number` is null where none was entered.
fn counts(specimen: &Specimen, method: &Method) -> Vec<Value> {
    let steps = method.steps.iter().enumerate();
    steps
        .filter_map(|(index, step)| {
            let rule = method.count(index)?;
            let taken = specimen.counts.get(&index);
            Some(json!({
                "step": step.name,
                "counted": rule.of,
                "number": taken.map(|t| t.number),
                "required": rule.limits.value.as_ref().map(measure::range),
                "at": taken.map(|t| measure::marked(&t.marked)),
            }))
        })
        .collect()
}

fn portion(specimen: &Specimen, method: &Method) -> Option<Value> {
    method.specimen.dry_basis.as_ref()?;
    let masses = specimen.material.masses(&method.specimen).and_then(Result::ok);
    let corrective = masses.and_then(|m| m.corrective);
    Some(json!({
        "basis": "dry",
        "moisture": specimen.material.moisture.as_ref().map(stated),
        "fines": specimen.material.fines.as_ref().map(stated),
        "required": masses.map(|m| measure::range(&m.portion)),
        "correctiveSand": corrective.map(|limits| json!({
            "required": measure::range(&limits),
            "mass": specimen.corrective.as_ref().map(measure::weighing),
        })),
    }))
}

fn stated(stated: &Stated) -> Value {
    json!({ "text": stated.percent.to_string(), "unit": "%", "at": measure::marked(&stated.marked) })
}

/// The calculation with what there is of it: levels in marks, a fraction or a decimal.
pub(super) fn calculation(c: &Calculation) -> Value {
    let mut fields = Map::new();
    let mut put = |key: &str, value: Value| fields.insert(key.to_owned(), value);
    match c.levels {
        Levels::Two { sand, clay } => {
            put("sandMarks", json!(sand.marks));
            put("clayMarks", json!(clay.marks));
        }
        Levels::One { sediment } => {
            put("sedimentMarks", json!(sediment.marks));
        }
    }
    if let Some(exact) = c.exact {
        put("exact", json!({ "numerator": exact.numerator, "denominator": exact.denominator }));
    }
    if let Some(value) = c.unrounded {
        put("unrounded", json!(value.to_string()));
    }
    put("ratioRule", json!(c.ratio_rule));
    put("ratio", measure::figure(c.ratio_tenths.decimal(), crate::domain::quantity::Unit::One));
    put("resultRule", json!(c.result_rule));
    Value::Object(fields)
}

/// A document that the schemas of the sand equivalent by two levels cannot describe.
pub(super) fn is_one(data: &Value) -> bool {
    let other = |path: &str, plain: &[&str]| {
        data.pointer(path).and_then(Value::as_str).is_some_and(|word| !plain.contains(&word))
    };
    let new = ["count-outside", "count-not-shown", "moisture-over", "mass-not-shown"];
    let deviations = data.get("deviations").and_then(Value::as_array);
    let codes = deviations.into_iter().flatten().filter_map(|d| d.get("code")?.as_str());
    data.get("counts").is_some()
        || data.get("portion").is_some()
        || data.pointer("/readings/sediment").is_some()
        || other("/result/name", &["sandEquivalent"])
        || other("/calculation/ratioRule", &["nearest-tenth"])
        || other("/calculation/resultRule", &["raise-to-whole", "tenth"])
        || other("/average/rule", &["raise-mean-of-reported", "nearest-whole"])
        || codes.into_iter().any(|code| new.contains(&code))
}
