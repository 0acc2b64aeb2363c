//! Strokes to be counted, and what a portion's mass depends on. Empty for methods without either.

use crate::domain::measure::{Material, Property, Stated, bare};
use crate::domain::method::{Method, Point};
use crate::domain::specimen::Specimen;
use serde_json::{Value, json};

/// Steps of the specimen that have begun and count something.
pub(super) fn counts(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Value> {
    let steps = method.steps.iter().enumerate();
    steps
        .filter_map(|(index, step)| {
            let rule = method.count(index)?;
            specimen.span(method, points, index)?;
            Some(json!({
                "step": step.name,
                "word": rule.of.word(),
                "number": specimen.counts.get(&index).map(|taken| taken.number),
                "required": rule.limits.value.as_ref().map(bare),
            }))
        })
        .collect()
}

/// What one specimen of the material weighs, or what must be stated before that is known.
pub(super) fn portion(material: &Material, method: &Method) -> Option<Value> {
    method.specimen.dry_basis.as_ref()?;
    Some(match material.masses(&method.specimen)? {
        Ok(masses) => json!({
            "needs": null,
            "portion": masses.portion.to_string(),
            "correctiveSand": masses.corrective.map(|limits| limits.to_string()),
        }),
        Err(needed) => json!({ "needs": needed.0.word(), "portion": null, "correctiveSand": null }),
    })
}

/// The properties that the method asks of a sample's material, with what was stated.
pub(super) fn material(material: &Material, method: &Method) -> Vec<Value> {
    let Some(dry) = &method.specimen.dry_basis else { return Vec::new() };
    let row = |of: Property, stated: &Option<Stated>| json!({ "of": of, "word": of.word(), "percent": stated.as_ref().map(|s| s.percent.to_string()) });
    let fines = dry.fines_max.as_ref().map(|_| row(Property::Fines, &material.fines));
    [row(Property::Moisture, &material.moisture)].into_iter().chain(fines).collect()
}
