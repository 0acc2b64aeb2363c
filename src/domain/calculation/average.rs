//! From the specimens that count to the result of the sample.

use super::number::Calculation;
use super::ratio::{Exact, Tenths, greatest_common_divisor};
use crate::domain::method::AverageRule;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// What one specimen brings to the average.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Counted {
    /// Its ratio, in tenths.
    pub ratio_tenths: Tenths,
    /// Its reported value.
    #[serde(with = "rust_decimal::serde::str")]
    pub reported: Decimal,
    /// Its number before any rounding, where that is a fraction.
    #[serde(default)]
    pub exact: Option<Exact>,
}

impl From<&Calculation> for Counted {
    fn from(c: &Calculation) -> Self {
        Self { ratio_tenths: c.ratio_tenths, reported: c.reported, exact: c.exact }
    }
}

/// The result of a sample with every intermediate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Average {
    /// The rule that made it.
    pub rule: AverageRule,
    /// How many specimens count.
    pub count: u32,
    /// Sum of what the rule averages: reported values, or ratios.
    #[serde(with = "rust_decimal::serde::str")]
    pub sum: Decimal,
    /// The mean to the nearest tenth, halves up; for people, the result is not made from it.
    pub mean_tenths: Tenths,
    /// The result.
    #[serde(with = "rust_decimal::serde::str")]
    pub reported: Decimal,
}

/// The average of the specimens that count; `None` if none does, or if the values are no results.
///
/// The raised mean of raised values: T 176 / D2419 (42, 44, 41 -> 42.3 -> 43; recalled from memory,
/// and done so in a secondary text). The nearest whole: EN 933-8, mean of two.
pub fn average(specimens: &[Counted], rule: AverageRule) -> Option<Average> {
    let count = u32::try_from(specimens.len()).ok().filter(|n| *n > 0)?;
    let plain = |value: fn(&Counted) -> Decimal| {
        let sum = specimens.iter().map(value).try_fold(Decimal::ZERO, Decimal::checked_add)?;
        // As a fraction of whole numbers.
        Some((sum, sum.mantissa(), 10_i128.checked_pow(sum.scale())?))
    };
    let tenths = |s: &Counted| s.ratio_tenths.decimal();
    let (sum, numerator, denominator) = match rule {
        AverageRule::RaiseMeanOfReported => plain(|s| s.reported)?,
        AverageRule::NearestWhole => plain(tenths)?,
        AverageRule::NearestWholeOfExact => exact_sum(specimens).or_else(|| plain(tenths))?,
    };
    // sum / count = numerator / denominator, as whole numbers.
    let denominator = denominator.checked_mul(count.into())?;
    let whole = match rule {
        AverageRule::RaiseMeanOfReported => numerator.checked_add(denominator - 1)?.div_euclid(denominator),
        AverageRule::NearestWhole | AverageRule::NearestWholeOfExact => half_up(numerator, denominator)?,
    };
    let mean_tenths = half_up(numerator.checked_mul(10)?, denominator)?;
    Some(Average {
        rule,
        count,
        sum,
        mean_tenths: Tenths(i64::try_from(mean_tenths).ok()?),
        reported: i64::try_from(whole).ok()?.into(),
    })
}

/// The sum of the numbers before any rounding: to the tenth for people, and as a fraction. `None`
/// where one of them is no fraction, or where a dozen of them have no common denominator that
/// 127 bits hold.
fn exact_sum(specimens: &[Counted]) -> Option<(Decimal, i128, i128)> {
    let (mut n, mut d) = (0_i128, 1_i128);
    for exact in specimens.iter().map(|s| s.exact) {
        let (an, ad) = (i128::from(exact?.numerator), i128::from(exact?.denominator));
        n = n.checked_mul(ad)?.checked_add(an.checked_mul(d)?)?;
        d = d.checked_mul(ad)?;
        let common = greatest_common_divisor(n, d).max(1);
        (n, d) = (n / common, d / common);
    }
    let tenths = half_up(n.checked_mul(10)?, d)?;
    Some((Decimal::new(i64::try_from(tenths).ok()?, 1), n, d))
}

/// Nearest whole number to `n / d`, halves up; `d` is over 0.
fn half_up(n: i128, d: i128) -> Option<i128> {
    Some(n.checked_mul(2)?.checked_add(d)?.div_euclid(d.checked_mul(2)?))
}
