//! A number from one height. A quotient stays a fraction; a cotangent is computed in whole numbers
//! to a stated place, so that every machine gives the same digits.

use super::number::CalculationError;
use super::ratio::{Exact, Tenths};
use crate::domain::method::{HeightFormula, HeightRule, RatioRule};
use rust_decimal::{Decimal, RoundingStrategy};

/// Decimals that are kept of a number that is no fraction. The terms are summed to 18, so the
/// ninth is certain as long as the sine is not under [`SMALLEST_SINE`].
const DECIMALS: u32 = 9;
/// One, in units of the eighteenth decimal.
const ONE: i128 = 1_000_000_000_000_000_000;
/// A thousandth. At a smaller sine the cotangent is no height's: a cylinder ends long before.
const SMALLEST_SINE: i128 = ONE / 1000;
/// Pi, to the eighteenth decimal.
const PI: i128 = 3_141_592_653_589_793_238;

/// A number before it is rounded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unrounded {
    Exact(Exact),
    Decimal(Decimal),
}

impl Unrounded {
    /// To the nearest tenth or whole number, halves up.
    pub(super) fn rounded(self, rule: RatioRule) -> Option<Tenths> {
        match self {
            Self::Exact(exact) => exact.rounded(rule),
            Self::Decimal(value) => {
                let value = value.normalize();
                let denominator = 10_i128.checked_pow(value.scale())?;
                Exact::in_lowest_terms(value.mantissa(), denominator)?.rounded(rule)
            }
        }
    }
}

/// The keys of the coefficients, for messages.
const COEFFICIENTS: [&str; 4] =
    ["calculation.height.a", "calculation.height.b", "calculation.height.c", "calculation.height.d"];

/// What a formula gives for a height; `None`: it has no value there.
pub(super) fn height(h: Decimal, formula: &HeightFormula) -> Result<Option<Unrounded>, CalculationError> {
    let unset = CalculationError::Unset;
    let rule = formula.rule.value.ok_or(unset("calculation.height.rule"))?;
    let mut found = [Decimal::ZERO; 4];
    for ((to, from), key) in found.iter_mut().zip(&formula.coefficients).zip(COEFFICIENTS) {
        *to = from.value.ok_or(unset(key))?;
    }
    let [base, slope, inner_base, inner_slope] = found;
    let linear = |base: Decimal, slope: Decimal| base.checked_add(slope.checked_mul(h)?);
    Ok(match rule {
        HeightRule::LinearQuotient => {
            linear(base, slope).zip(linear(inner_base, inner_slope)).and_then(|(n, d)| quotient(n, d))
        }
        HeightRule::Cotangent => linear(inner_base, inner_slope)
            .and_then(cotangent)
            .and_then(|cot| base.checked_add(slope.checked_mul(cot)?))
            .map(|v| v.round_dp_with_strategy(DECIMALS, RoundingStrategy::MidpointAwayFromZero))
            .map(Unrounded::Decimal),
    })
}

/// 100 n / d, exactly.
fn quotient(n: Decimal, d: Decimal) -> Option<Unrounded> {
    let (n, d) = (n.normalize(), d.normalize());
    let scale = n.scale().max(d.scale());
    let whole = |v: Decimal| v.mantissa().checked_mul(10_i128.checked_pow(scale - v.scale())?);
    Exact::in_lowest_terms(whole(n)?.checked_mul(100)?, whole(d)?).map(Unrounded::Exact)
}

/// The cotangent of an angle in radians between 0 and pi; `None` elsewhere, and where it is larger
/// than any height makes it.
fn cotangent(angle: Decimal) -> Option<Decimal> {
    if angle.is_sign_negative() || angle > Decimal::from(4) {
        return None;
    }
    let mut angle = angle;
    angle.rescale(18);
    let x = angle.mantissa();
    if x >= PI {
        return None;
    }
    let (sine, cosine) = (series(x, x, 1)?, series(x, ONE, 0)?);
    if sine < SMALLEST_SINE {
        return None;
    }
    let quotient = cosine.checked_mul(ONE)? / sine;
    Decimal::try_from_i128_with_scale(quotient, 18).ok()
}

/// The sum of the series that begins with `term`, whose power is `power`: each further term is
/// -x^2 / ((p + 1) (p + 2)) of the one before (the series of sine and cosine).
fn series(x: i128, first: i128, power: i128) -> Option<i128> {
    let square = x.checked_mul(x)? / ONE;
    let (mut term, mut power, mut sum) = (first, power, first);
    while term != 0 {
        term = -(term.checked_mul(square)? / ONE) / ((power + 1) * (power + 2));
        power += 2;
        sum += term;
    }
    Some(sum)
}
