//! The smallest step of a display.

use crate::domain::quantity::Quantity;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// The smallest step of a balance's display: its readability, the division.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Readability(Quantity);

impl Readability {
    /// `None` unless it is more than nothing.
    pub fn new(step: Quantity) -> Option<Self> {
        (step.value > Decimal::ZERO).then_some(Self(step))
    }

    /// One step.
    pub const fn step(&self) -> Quantity {
        self.0
    }

    /// The mass in whole steps.
    ///
    /// # Errors
    /// What was expected: a mass in the unit of the readability, and a multiple of it.
    pub fn steps(&self, mass: &Quantity) -> Result<i64, String> {
        let step = self.0;
        if mass.unit != step.unit {
            return Err(format!("a mass in {}, as the readability {step} is, in place of {mass}", step.unit));
        }
        let whole = || format!("a multiple of the readability {step}, in place of {mass}");
        if mass.value.checked_rem(step.value).is_none_or(|rest| !rest.is_zero()) {
            return Err(whole());
        }
        mass.value.checked_div(step.value).and_then(|steps| steps.to_i64()).ok_or_else(whole)
    }
}
