//! Drying to constant mass: the change between two weighings, net of the tare, against a criterion.
//!
//! The change is 100 (earlier − later) / earlier, of net masses, and is compared exactly: what is
//! shown is rounded, what is decided is not. (FOP for AASHTO T 255 / T 265, from memory.)

use crate::domain::method::{Bound, Preparation};
use crate::domain::quantity::{Quantity, Unit};
use rust_decimal::{Decimal, RoundingStrategy};

/// Digits after the point at which a change is shown, percent.
const SHOWN: u32 = 3;
/// Fewer divisions of the balance than this cannot tell a change from the balance's own rounding.
/// (Common practice, no source.)
const DIVISIONS: i64 = 3;

/// When a mass is constant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Criterion {
    /// The figure, percent of the earlier mass.
    pub percent: Decimal,
    /// How the change is held to it.
    pub bound: Bound,
    /// Shortest time between the two weighings, nanoseconds; `None`: any.
    pub every_ns: Option<i64>,
}

impl Criterion {
    /// The criterion of a method; `None`: the method has none.
    pub fn of(rule: &Preparation) -> Option<Self> {
        let bound = rule.constant_mass_bound.as_ref().and_then(|bound| bound.value);
        Some(Self {
            percent: rule.constant_mass_percent.value?,
            bound: bound.unwrap_or(Bound::Under),
            every_ns: rule.constant_mass_every_ns.value,
        })
    }

    /// Whether the loss from one net mass to the next keeps the figure, exactly.
    pub fn is_met(&self, earlier: Decimal, later: Decimal) -> bool {
        let change = earlier.checked_sub(later).and_then(|loss| loss.checked_mul(Decimal::ONE_HUNDRED));
        let allowed = earlier.checked_mul(self.percent);
        change.zip(allowed).is_some_and(|(change, allowed)| match self.bound {
            Bound::Under => change < allowed,
            Bound::AtMost => change <= allowed,
        })
    }

    /// In words: `under 0.10 % in 30 min`.
    pub fn text(&self) -> String {
        let bound = match self.bound {
            Bound::Under => "under",
            Bound::AtMost => "at most",
        };
        let every = self.every_ns.map_or_else(String::new, |ns| format!(" after a further {}", minutes(ns)));
        format!("a change of {bound} {} %{every}", self.percent)
    }
}

/// What two weighings of one load say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Change {
    /// Percent of the earlier mass, shown with three decimals, halves away from nought; a gain is
    /// negative.
    pub percent: Decimal,
    /// What follows.
    pub verdict: Verdict,
    /// The figure is less than three divisions of the balance: it shows too few digits.
    pub coarse: bool,
}

/// How a change stands against the criterion.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Constant.
    Constant,
    /// It still loses.
    Losing,
    /// It gained more than one division of the balance: that is no drying.
    Gained,
    /// The method has no criterion.
    NoCriterion,
}

/// The change between two net masses of one unit; `None` where there is nothing to take a
/// percentage of. `division` is the last digit of the balance, in the same unit.
pub fn change(
    earlier: Decimal,
    later: Decimal,
    division: Decimal,
    criterion: Option<&Criterion>,
) -> Option<Change> {
    if earlier <= Decimal::ZERO {
        return None;
    }
    let loss = earlier.checked_sub(later)?;
    let percent = loss.checked_mul(Decimal::ONE_HUNDRED)?.checked_div(earlier)?;
    let verdict = match criterion {
        _ if -loss > division => Verdict::Gained,
        None => Verdict::NoCriterion,
        Some(criterion) if criterion.is_met(earlier, later) => Verdict::Constant,
        Some(_) => Verdict::Losing,
    };
    let coarse = criterion.is_some_and(|criterion| {
        let allowed = earlier.checked_mul(criterion.percent);
        let least = division.checked_mul(Decimal::from(DIVISIONS * 100));
        allowed.zip(least).is_some_and(|(allowed, least)| allowed < least)
    });
    let percent = percent.round_dp_with_strategy(SHOWN, RoundingStrategy::MidpointAwayFromZero);
    Some(Change { percent, verdict, coarse })
}

/// The last digit that a mass was read with.
pub fn division(mass: &Quantity) -> Decimal {
    Decimal::new(1, mass.value.scale())
}

/// Water that was driven off, percent of the dry mass, to two decimals.
pub fn water(before: Decimal, dry: Decimal) -> Option<Decimal> {
    let lost = before.checked_sub(dry)?.checked_mul(Decimal::ONE_HUNDRED)?;
    let share = lost.checked_div(dry)?;
    Some(share.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero))
}

/// A sum of masses in one unit; `None`: another unit is among them.
pub fn sum<'a>(unit: Unit, masses: impl Iterator<Item = &'a Quantity>) -> Option<Decimal> {
    let mut sum = Decimal::ZERO;
    for mass in masses {
        if mass.unit != unit {
            return None;
        }
        sum = sum.checked_add(mass.value)?;
    }
    Some(sum)
}

/// A length of time in minutes, and seconds where it has any.
pub fn minutes(ns: i64) -> String {
    use crate::domain::moment::{MINUTE, SECOND};
    let (whole, rest) = (ns.div_euclid(MINUTE), ns.rem_euclid(MINUTE));
    match (whole, rest.div_euclid(SECOND)) {
        (whole, 0) => format!("{whole} min"),
        (0, rest) => format!("{rest} s"),
        (whole, rest) => format!("{whole} min {rest} s"),
    }
}
