//! From two recorded levels to their ratio, and from a ratio to the reported value.

use super::mark::Marks;
use crate::domain::method::{RatioRule, ResultRule};
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

/// A number before any rounding, such as 100 x sand / clay, in lowest terms.
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
        Self::in_lowest_terms(i128::from(sand.0).checked_mul(100)?, clay.0.into())
    }

    /// A fraction in lowest terms; `None` if its denominator is not over 0, or if it is too large.
    pub(super) fn in_lowest_terms(numerator: i128, denominator: i128) -> Option<Self> {
        if denominator <= 0 {
            return None;
        }
        let common = greatest_common_divisor(numerator, denominator).max(1);
        Some(Self {
            numerator: i64::try_from(numerator / common).ok()?,
            denominator: i64::try_from(denominator / common).ok()?,
        })
    }

    /// To the nearest tenth or whole number, halves up, in tenths.
    pub(super) fn rounded(self, rule: RatioRule) -> Option<Tenths> {
        let (steps, step) = match rule {
            RatioRule::NearestTenth => (10, 1),
            RatioRule::NearestWhole => (1, 10),
        };
        let (n, d) = (i128::from(self.numerator) * steps, i128::from(self.denominator));
        i64::try_from((2 * n + d).div_euclid(2 * d) * step).ok().map(Tenths)
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

pub(super) fn greatest_common_divisor(mut a: i128, mut b: i128) -> i128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a.abs()
}

/// From recorded levels to the ratio. `None` as in [`Exact::of`].
///
/// A tie goes up (41.25 -> 41.3), where the published example prints 41.2; which way it goes never
/// changes the raised result, since n.05 does not arise from two levels of 0.1 in under 15 in.
pub fn ratio(sand: Marks, clay: Marks, rule: RatioRule) -> Option<Tenths> {
    if clay.0 <= 0 || sand.0 < 0 {
        return None;
    }
    // As `Exact::of(…).rounded(…)`, without the lowest terms that nobody asks for here.
    let (steps, step) = match rule {
        RatioRule::NearestTenth => (2000, 1),
        RatioRule::NearestWhole => (200, 10),
    };
    let n = sand.0.checked_mul(steps)?.checked_add(clay.0)?;
    (n / clay.0.checked_mul(2)?).checked_mul(step).map(Tenths)
}

/// From the ratio to the reported value, with as many decimals as the rule gives it.
pub fn result(ratio: Tenths, rule: ResultRule) -> Decimal {
    match rule {
        ResultRule::RaiseToWhole => raise(ratio).into(),
        ResultRule::NearestWhole => (ratio.0 + 5).div_euclid(10).into(),
        ResultRule::Tenth => ratio.decimal(),
    }
}

/// The next whole number; a whole number stays.
fn raise(value: Tenths) -> i64 {
    value.0.div_euclid(10) + i64::from(value.0.rem_euclid(10) != 0)
}
