//! The uncertainty of a result, where the laboratory states it: off the sheet otherwise.
//!
//! The measurand is the ratio of the two levels, with the mark rule as a source of error (GUM,
//! JCGM 100): a level recorded at the higher of two marks lies on average half a mark below it.
//! A repeatability that was itself found with marks holds their resolution already; it is added all
//! the same, which is on the safe side, and the document says so. The figure belongs to the
//! unrounded mean and never to the raised whole number.
//!
//! Decimals throughout: a guard band decides, and binary floating point decides nothing here.

use crate::domain::calculation::{Calculation, Levels};
use crate::domain::method::{BetweenMarks, Method, ReadingRule};
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::specimen::sample::Counted;
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};

/// What the settings state (`[bench.uncertainty]`).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Stated {
    /// How the result is compared with its limit.
    #[serde(default)]
    pub decision: Decision,
    /// Standard uncertainty of a reading from the place of the eye.
    #[serde(default = "parallax_default")]
    pub parallax: Quantity,
    /// Standard uncertainty of the cylinder's scale.
    #[serde(default = "scale_default")]
    pub scale: Quantity,
    /// The laboratory's own repeatability standard deviation; absent: it is left out.
    #[serde(default, with = "rust_decimal::serde::str_option", skip_serializing_if = "Option::is_none")]
    pub repeatability: Option<Decimal>,
    /// Its degrees of freedom; absent: so many that it makes no difference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<u32>,
}

impl Stated {
    /// What makes no sense, by key.
    pub fn faults(&self) -> Vec<(&'static str, String)> {
        let mut faults = Vec::new();
        for (key, length) in [("parallax", &self.parallax), ("scale", &self.scale)] {
            if !matches!(length.unit, Unit::Inch | Unit::Millimetre) || length.value < Decimal::ZERO {
                faults.push((key, format!("is {length}; give a length in `[in_i]` or `mm`, 0 or more")));
            }
        }
        if let Some(own) = self.repeatability.filter(|s| *s <= Decimal::ZERO || *s > Decimal::ONE_HUNDRED) {
            faults
                .push(("repeatability", format!("is {own}; give a standard deviation over 0, at most 100")));
        }
        if self.degrees_of_freedom == Some(0) {
            faults.push(("degrees-of-freedom", "is 0; use at least 1".to_owned()));
        }
        if self.degrees_of_freedom.is_some() && self.repeatability.is_none() {
            faults.push(("degrees-of-freedom", "stands without `repeatability`".to_owned()));
        }
        faults
    }
}

/// How a result is compared with its limit.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// The reported value meets it or not.
    #[default]
    Simple,
    /// The unrounded mean lies beyond it by its expanded uncertainty.
    Guarded,
}

/// An assumption of this project: within 0.035 in to either side, evenly.
fn parallax_default() -> Quantity {
    Quantity::new(Decimal::new(2, 2), Unit::Inch)
}

/// An assumption of this project.
fn scale_default() -> Quantity {
    Quantity::new(Decimal::new(1, 2), Unit::Inch)
}

/// The budget of one specimen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Budget {
    /// The ratio at the middle of what the recorded levels can stand for.
    pub centre: Decimal,
    /// Change of the ratio with the sand level, per unit of the readings.
    pub by_sand: Decimal,
    /// Change of the ratio with the clay level, per unit of the readings.
    pub by_clay: Decimal,
    /// Standard uncertainty of one reading, in the unit of the readings.
    pub reading: Decimal,
    /// What both readings make of it, in the unit of the result.
    pub from_readings: Decimal,
}

/// The expanded uncertainty of a sample's mean.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expanded {
    /// The mean of the specimens' ratios before any rounding.
    pub mean: Decimal,
    /// Standard uncertainty of the mean from the readings alone.
    pub from_readings: Decimal,
    /// Standard uncertainty of the mean from the repeatability; `None`: left out.
    pub from_repeatability: Option<Decimal>,
    /// Combined standard uncertainty.
    pub combined: Decimal,
    /// Effective degrees of freedom; `None`: without end.
    pub degrees_of_freedom: Option<Decimal>,
    /// Coverage factor for 95 %.
    pub factor: Decimal,
    /// Expanded uncertainty, raised at its second digit.
    pub expanded: Decimal,
}

/// The budget of a ratio of two levels; `None`: another number, or a rule that the method leaves
/// open.
pub fn budget(calculation: &Calculation, rule: &ReadingRule, stated: &Stated) -> Option<Budget> {
    let Levels::Two { sand, clay } = calculation.levels else { return None };
    let mark = rule.mark.value?;
    let middle = match rule.between_marks.value? {
        BetweenMarks::Higher => mark / Decimal::TWO,
        BetweenMarks::Nearest => Decimal::ZERO,
    };
    let (s, c) = (sand.recorded - middle, clay.recorded - middle);
    if c <= Decimal::ZERO {
        return None;
    }
    let by_sand = Decimal::ONE_HUNDRED.checked_div(c)?;
    let by_clay = -s.checked_mul(by_sand)?.checked_div(c)?;
    let (parallax, scale) = (in_unit(&stated.parallax, rule.unit)?, in_unit(&stated.scale, rule.unit)?);
    // The mark rule leaves a rectangle one mark wide.
    let reading = root(mark * mark / Decimal::from(12) + parallax * parallax + scale * scale)?;
    let from_readings = reading.checked_mul(root(by_sand * by_sand + by_clay * by_clay)?)?;
    Some(Budget { centre: s.checked_mul(by_sand)?, by_sand, by_clay, reading, from_readings })
}

/// The expanded uncertainty of the mean of the specimens that count; `None` as in [`budget`].
pub fn of_mean(counts: &[&Counted], method: &Method, stated: &Stated) -> Option<Expanded> {
    let n = Decimal::from(counts.len());
    let (mut sum, mut squares) = (Decimal::ZERO, Decimal::ZERO);
    for counted in counts {
        let one = budget(&counted.calculation, &method.readings, stated)?;
        sum = sum.checked_add(unrounded(&counted.calculation)?)?;
        squares = squares.checked_add(one.from_readings.checked_mul(one.from_readings)?)?;
    }
    let mean = sum.checked_div(n)?;
    let from_readings = root(squares)?.checked_div(n)?;
    let from_repeatability = match stated.repeatability {
        Some(s) => Some(s.checked_div(root(n)?)?),
        None => None,
    };
    let dof = stated.degrees_of_freedom.map(Decimal::from);
    let parts = [(from_readings, None), (from_repeatability.unwrap_or_default(), dof)];
    let combined = combined(&parts)?;
    let degrees_of_freedom = effective(&parts);
    let factor = coverage(degrees_of_freedom);
    let expanded = raised_at_second_digit(factor.checked_mul(combined)?);
    Some(Expanded { mean, from_readings, from_repeatability, combined, degrees_of_freedom, factor, expanded })
}

/// The root of the sum of squares.
fn combined(parts: &[(Decimal, Option<Decimal>)]) -> Option<Decimal> {
    let square = |sum: Decimal, (u, _): &(Decimal, Option<Decimal>)| sum.checked_add(u.checked_mul(*u)?);
    root(parts.iter().try_fold(Decimal::ZERO, square)?)
}

/// Effective degrees of freedom of a sum of contributions, each with its own (Welch-Satterthwaite,
/// GUM G.2b); `None`: without end.
pub fn effective(parts: &[(Decimal, Option<Decimal>)]) -> Option<Decimal> {
    let fourth = |u: Decimal| u.checked_mul(u).and_then(|square| square.checked_mul(square));
    let mut below = Decimal::ZERO;
    for (u, dof) in parts {
        if let Some(dof) = dof.filter(|dof| *dof > Decimal::ZERO) {
            below = below.checked_add(fourth(*u)?.checked_div(dof)?)?;
        }
    }
    fourth(combined(parts)?)?.checked_div(below)
}

/// Two-sided 95 % points of Student's t for 1 to 9 degrees of freedom (GUM, table G.2).
const FEW: [i64; 9] = [1271, 430, 318, 278, 257, 245, 236, 231, 226];

/// Coverage factor for 95 %, to the second decimal: for whole degrees of freedom, the fraction cut
/// off (GUM G.4.1). Without end it is 2 by policy, where the normal distribution has 1.960.
pub fn coverage(degrees_of_freedom: Option<Decimal>) -> Decimal {
    let whole = degrees_of_freedom.map(|dof| dof.trunc().max(Decimal::ONE));
    match whole {
        None => Decimal::TWO,
        Some(whole) if whole < Decimal::TEN => {
            let row = usize::try_from(whole).ok().and_then(|n| FEW.get(n.checked_sub(1)?));
            row.map_or(Decimal::TWO, |hundredths| Decimal::new(*hundredths, 2))
        }
        // The expansion's powers outgrow a decimal; the second decimal no longer changes.
        Some(whole) if whole > Decimal::ONE_THOUSAND => Decimal::new(196, 2),
        Some(whole) => student(whole).round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero),
    }
}

/// Student's t from the normal deviate z by the expansion in 1/dof (Abramowitz and Stegun, 26.7.5),
/// good to the fourth decimal from 10 degrees of freedom on.
fn student(dof: Decimal) -> Decimal {
    // The two-sided 95 % point of the normal distribution.
    let z = Decimal::new(1_959_964, 6);
    let square = z * z;
    // Horner's form of each polynomial, its denominator beside it.
    let polynomials: [(&[i64], i64); 4] =
        [(&[1, 1], 4), (&[5, 16, 3], 96), (&[3, 19, 17, -15], 384), (&[79, 776, 1482, -1920, -945], 92_160)];
    let (mut sum, mut power) = (z, Decimal::ONE);
    for (coefficients, denominator) in polynomials {
        power *= dof;
        let value =
            coefficients.iter().fold(Decimal::ZERO, |value, next| value * square + Decimal::from(*next)) * z;
        sum += value / (Decimal::from(denominator) * power);
    }
    sum
}

/// To two digits that count, the second raised: an uncertainty is not rounded down.
pub fn raised_at_second_digit(value: Decimal) -> Decimal {
    if value <= Decimal::ZERO {
        return Decimal::ZERO;
    }
    let mut places = 0;
    let mut scaled = value;
    while scaled < Decimal::TEN && places < 12 {
        scaled *= Decimal::TEN;
        places += 1;
    }
    value.round_dp_with_strategy(places, RoundingStrategy::AwayFromZero)
}

/// The number of a specimen before any rounding.
pub fn unrounded(calculation: &Calculation) -> Option<Decimal> {
    if let Some(exact) = calculation.exact {
        return Decimal::from(exact.numerator).checked_div(Decimal::from(exact.denominator));
    }
    Some(calculation.unrounded.unwrap_or_else(|| calculation.ratio_tenths.decimal()))
}

/// A length in the unit of the readings.
fn in_unit(length: &Quantity, unit: Unit) -> Option<Decimal> {
    let inch = Decimal::new(254, 1);
    match (length.unit, unit) {
        (from, to) if from == to => Some(length.value),
        (Unit::Inch, Unit::Millimetre) => length.value.checked_mul(inch),
        (Unit::Millimetre, Unit::Inch) => length.value.checked_div(inch),
        _ => None,
    }
}

/// The square root by Newton's iteration, to what a decimal holds.
fn root(value: Decimal) -> Option<Decimal> {
    if value.is_sign_negative() {
        return None;
    }
    if value.is_zero() {
        return Some(Decimal::ZERO);
    }
    // From above it falls until the digits end.
    let mut guess = value.max(Decimal::ONE);
    for _ in 0..200 {
        let next = guess.checked_add(value.checked_div(guess)?)?.checked_div(Decimal::TWO)?;
        if next >= guess {
            break;
        }
        guess = next;
    }
    Some(guess)
}

#[cfg(test)]
mod test;
