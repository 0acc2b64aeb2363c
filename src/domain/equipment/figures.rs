//! The figures of checks that the station works out itself. Exact decimals; pure.

use super::rules::{Class, MassLimits};
use crate::domain::quantity::{Quantity, Unit};
use rust_decimal::Decimal;
use std::cmp::Ordering;

/// Shortest count of cycles, seconds: over less, one cycle miscounted is the whole tolerance of
/// ± 2 cycles a minute (arithmetic: one in 30 s is two in a minute).
pub const COUNT_LEAST_S: u32 = 30;

/// Density of pure water without air at 101.325 kPa, kg/m³, from 0 to 40 °C.
///
/// M. Tanaka, G. Girard, R. Davis, A. Peuto, N. Bignell: "Recommended table for the density of
/// water between 0 °C and 40 °C based on recent experimental reports", Metrologia 38 (2001) 301.
/// The constants were recalled; the tests hold them to figures of another formula.
/// `None` outside that range.
pub fn water_density(celsius: Decimal) -> Option<Decimal> {
    if celsius < Decimal::ZERO || celsius > Decimal::from(40) {
        return None;
    }
    let a1 = Decimal::from_i128_with_scale(-3_983_035, 6);
    let a2 = Decimal::from_i128_with_scale(301_797, 3);
    let a3 = Decimal::from_i128_with_scale(5_225_289, 1);
    let a4 = Decimal::from_i128_with_scale(6_934_881, 5);
    let a5 = Decimal::from_i128_with_scale(999_974_950, 6);
    let off = celsius.checked_add(a1)?;
    let above = off.checked_mul(off)?.checked_mul(celsius.checked_add(a2)?)?;
    let share = above.checked_div(a3.checked_mul(celsius.checked_add(a4)?)?)?;
    a5.checked_mul(Decimal::ONE.checked_sub(share)?).map(|density| density.round_dp(4))
}

/// Volume of water, mL to 0.01, from its mass in grams. The buoyancy of air is left out: it is a
/// thousandth of the volume, and the tin's tolerance fifty times that.
pub fn water_volume(grams: Decimal, celsius: Decimal) -> Option<Quantity> {
    let density = water_density(celsius)?;
    let volume = grams.checked_mul(Decimal::ONE_THOUSAND)?.checked_div(density)?;
    Some(Quantity::new(volume.round_dp(2), Unit::Millilitre))
}

/// Cycles a minute, to 0.01, from whole cycles and the seconds that they took.
pub fn rate(cycles: u32, seconds: Decimal) -> Option<Quantity> {
    let rate = Decimal::from(cycles).checked_mul(60.into())?.checked_div(seconds)?;
    Some(Quantity::new(rate.round_dp(2), Unit::CyclesPerMinute))
}

/// Largest error of a check mass, grams; `None` where the table has no such mass or class.
pub fn mass_limit(table: &MassLimits, nominal: Decimal, class: &str) -> Option<Decimal> {
    let column = table.classes.iter().position(|known| known == class)?;
    let row = table.rows.iter().find(|row| row.nominal == nominal)?;
    row.milligrams.get(column)?.checked_div(Decimal::ONE_THOUSAND)
}

/// Largest error that a balance of a class may show at a load, grams.
pub fn tolerance(class: &Class, load: Decimal) -> Decimal {
    let share = class.percent_of_load.and_then(|percent| percent.checked_mul(load)?.checked_div(100.into()));
    share.map_or(class.tolerance, |share| share.max(class.tolerance))
}

/// A check mass is good enough where its own largest error is at most a third of the tolerance.
pub fn is_adequate(mass_limit: Decimal, tolerance: Decimal) -> bool {
    mass_limit.checked_mul(3.into()).is_some_and(|three| three <= tolerance)
}

/// How a balance's indication of a check mass is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Weighed {
    /// Indication less nominal value, grams.
    pub error: Decimal,
    /// The error is within the tolerance: simple acceptance, the rule that counts.
    pub within: bool,
    /// It is so even with the expanded uncertainty (k = 2) of check mass and division added.
    pub guarded: bool,
}

/// Judges an indication. With `U = 2·√(limit²/3 + 2·d²/12)`, `|error| + U ≤ tolerance` is the
/// same as `4·limit² + 2·d² ≤ 3·(tolerance − |error|)²`, which needs no root.
pub fn weighed(
    indication: Decimal,
    nominal: Decimal,
    tolerance: Decimal,
    mass_limit: Decimal,
    division: Decimal,
) -> Option<Weighed> {
    let error = indication.checked_sub(nominal)?;
    let left = tolerance.checked_sub(error.abs())?;
    let square = |value: Decimal| value.checked_mul(value);
    let doubt =
        square(mass_limit)?.checked_mul(4.into())?.checked_add(square(division)?.checked_mul(2.into())?)?;
    let room = square(left)?.checked_mul(3.into())?;
    let within = left.cmp(&Decimal::ZERO) != Ordering::Less;
    Some(Weighed { error, within, guarded: within && doubt <= room })
}
