//! The masses of a portion that is required on the dry basis, and of the corrective sand.
//!
//! EN 933-8, from memory: a specimen is 120 g of dry material, so 120 (1 + w/100) g of material
//! with w percent of moisture. Where the material holds f > 10 percent of fines, the specimen is
//! M1 = (1200/f) (1 + w/100) g of it and M2 = 120 - 1200/f g of dry corrective sand.

use super::{Material, Property, Stated};
use crate::domain::method::{Method, SpecimenKind, SpecimenRule};
use crate::domain::quantity::Range;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::judge::Deviation;
use rust_decimal::{Decimal, RoundingStrategy};

/// Limits are given to the sixth decimal of the method's unit: finer than any balance.
const DECIMALS: u32 = 6;

/// The masses that a specimen takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Masses {
    /// Of the sample's material, as it is weighed.
    pub portion: Range,
    /// Of dry corrective sand, where the material holds too many fines.
    pub corrective: Option<Range>,
}

/// What was not stated and is needed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NotStated(pub Property);

impl Material {
    /// The masses of a specimen of this material; `None`: the method limits none.
    ///
    /// # Errors
    /// What is needed and was not stated.
    pub fn masses(&self, rule: &SpecimenRule) -> Option<Result<Masses, NotStated>> {
        let percent = |stated: &Option<Stated>| stated.as_ref().map(|stated| stated.percent);
        masses(rule, percent(&self.moisture), percent(&self.fines))
    }
}

/// The masses of a specimen of a material with these percentages of moisture and fines; `None`: the
/// method limits none.
///
/// # Errors
/// What is needed and is not there.
pub fn masses(
    rule: &SpecimenRule,
    moisture: Option<Decimal>,
    fines: Option<Decimal>,
) -> Option<Result<Masses, NotStated>> {
    let size = rule.size.value.filter(|_| rule.kind == SpecimenKind::Portion)?;
    let Some(dry) = &rule.dry_basis else { return Some(Ok(Masses { portion: size, corrective: None })) };
    let Some(moisture) = moisture else { return Some(Err(NotStated(Property::Moisture))) };
    let (min, max) = (size.min?, size.max?);
    let target = (min + max) / Decimal::TWO;
    let around = |mass: Decimal| {
        let tolerance = (max - min) / Decimal::TWO;
        let end = |v: Decimal| {
            v.round_dp_with_strategy(DECIMALS, RoundingStrategy::MidpointAwayFromZero).normalize()
        };
        Range { min: Some(end(mass - tolerance)), max: Some(end(mass + tolerance)), unit: size.unit }
    };
    // Products first, one division last: what has an end is exact.
    let wet = Decimal::ONE_HUNDRED + moisture;
    let Some(most) = dry.fines_max.as_ref().and_then(|most| most.value) else {
        return Some(Ok(Masses { portion: around(target * wet / Decimal::ONE_HUNDRED), corrective: None }));
    };
    let Some(fines) = fines else { return Some(Err(NotStated(Property::Fines))) };
    Some(Ok(if fines > most {
        let portion = target * most * wet / (fines * Decimal::ONE_HUNDRED);
        let corrective = target - target * most / fines;
        Masses { portion: around(portion), corrective: Some(around(corrective)) }
    } else {
        Masses { portion: around(target * wet / Decimal::ONE_HUNDRED), corrective: None }
    }))
}

pub(super) fn deviations(specimen: &Specimen, method: &Method) -> Vec<Deviation> {
    let Some(masses) = specimen.material.masses(&method.specimen) else { return Vec::new() };
    let portion =
        super::mass(specimen, "the portion", masses.map(|masses| masses.portion), specimen.mass.as_ref());
    let corrective = masses.ok().and_then(|masses| masses.corrective).and_then(|limits| {
        super::mass(specimen, "the corrective sand", Ok(limits), specimen.corrective.as_ref())
    });
    portion.into_iter().chain(corrective).collect()
}
