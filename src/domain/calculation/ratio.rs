//! From two recorded levels to the reported value of one specimen.

use super::level::Marked;
use super::mark::Marks;
use crate::domain::method::{CalculationRule, RatioRule, ResultRule};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::fmt;

/// A dimensionless value in whole tenths: 413 is 41.3.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Tenths(pub i64);

impl Tenths {
    /// As a decimal with one decimal place.
    pub fn decimal(self) -> Decimal {
        Decimal::new(self.0, 1)
    }
}

impl fmt::Display for Tenths {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.decimal().fmt(f)
    }
}

/// 100 x sand / clay before any rounding, in lowest terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Exact {
    /// Numerator.
    pub numerator: i64,
    /// Denominator, over 0.
    pub denominator: i64,
}

impl Exact {
    /// 100 x sand / clay; `None` if the clay is not over 0, the sand is negative, or either is too
    /// large to be a level.
    pub fn of(sand: Marks, clay: Marks) -> Option<Self> {
        if clay.0 <= 0 || sand.0 < 0 {
            return None;
        }
        let numerator = sand.0.checked_mul(100)?;
        let common = greatest_common_divisor(numerator, clay.0);
        Some(Self { numerator: numerator / common, denominator: clay.0 / common })
    }
}

impl fmt::Display for Exact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.denominator == 1 {
            write!(f, "{}", self.numerator)
        } else {
            write!(f, "{}/{}", self.numerator, self.denominator)
        }
    }
}

fn greatest_common_divisor(mut a: i64, mut b: i64) -> i64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// From recorded levels to the ratio. `None` as in [`Exact::of`].
///
/// A tie goes up (41.25 -> 41.3), where the published example prints 41.2; which way it goes never
/// changes the raised result, since n.05 does not arise from two levels of 0.1 in under 15 in.
pub fn ratio(sand: Marks, clay: Marks, rule: RatioRule) -> Option<Tenths> {
    if clay.0 <= 0 || sand.0 < 0 {
        return None;
    }
    match rule {
        RatioRule::NearestTenth => {
            let n = sand.0.checked_mul(2000)?.checked_add(clay.0)?;
            Some(Tenths(n / clay.0.checked_mul(2)?))
        }
    }
}

/// From the ratio to the reported value, with as many decimals as the rule gives it.
pub fn result(ratio: Tenths, rule: ResultRule) -> Decimal {
    match rule {
        ResultRule::RaiseToWhole => raise(ratio).into(),
        ResultRule::Tenth => ratio.decimal(),
    }
}

/// The next whole number; a whole number stays.
fn raise(value: Tenths) -> i64 {
    value.0.div_euclid(10) + i64::from(value.0.rem_euclid(10) != 0)
}

/// The number of one specimen with every intermediate, for the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Calculation {
    /// The sand level, from the eye to the mark.
    pub sand: Marked,
    /// The clay level, from the eye to the mark.
    pub clay: Marked,
    /// The ratio before rounding.
    pub exact: Exact,
    /// The rule that rounded it.
    pub ratio_rule: RatioRule,
    /// The ratio, in tenths.
    pub ratio_tenths: Tenths,
    /// The rule that made the reported value.
    pub result_rule: ResultRule,
    /// The reported value.
    #[serde(with = "rust_decimal::serde::str")]
    pub reported: Decimal,
    /// The sand reading, before it went to a mark, is higher than the clay reading: computed, and a
    /// deviation.
    pub sand_over_clay: bool,
}

/// Why there is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CalculationError {
    /// The method leaves open what is needed here.
    #[error("the method gives no `{0}`: fill it in, in the method's file")]
    Unset(&'static str),
    /// Two levels that no cylinder holds; [`super::clay`] and [`super::sand`] never give them.
    #[error("no ratio of the sand level {sand} to the clay level {clay}")]
    Levels {
        /// The sand level.
        sand: Decimal,
        /// The clay level.
        clay: Decimal,
    },
}

/// The number of one specimen from its two recorded levels.
pub fn calculate(
    sand: &Marked,
    clay: &Marked,
    rule: &CalculationRule,
) -> Result<Calculation, CalculationError> {
    let ratio_rule = rule.ratio.value.ok_or(CalculationError::Unset("calculation.ratio"))?;
    let result_rule = rule.result.value.ok_or(CalculationError::Unset("calculation.result"))?;
    let none = CalculationError::Levels { sand: sand.recorded, clay: clay.recorded };
    let exact = Exact::of(sand.marks, clay.marks).ok_or(none)?;
    let ratio_tenths = ratio(sand.marks, clay.marks, ratio_rule).ok_or(none)?;
    Ok(Calculation {
        sand: *sand,
        clay: *clay,
        exact,
        ratio_rule,
        ratio_tenths,
        result_rule,
        reported: result(ratio_tenths, result_rule),
        // Compared as read: two levels under one mark are still two levels.
        sand_over_clay: sand.reading > clay.reading,
    })
}
