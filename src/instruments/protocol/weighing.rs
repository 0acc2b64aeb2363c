//! Which stable masses become weighings.
//!
//! Where a person's key makes the line, each stable line is a weighing. Where the balance speaks
//! by itself or is asked, a load is weighed once: the next weighing waits until the load changed.
//! Our own rule; common practice, no source.

use super::{Said, Stability};
use crate::domain::quantity::Quantity;
use rust_decimal::Decimal;

/// A load changed when its mass moved by more than this many units of the last digit; a mass of
/// no more than this is an empty pan.
const DIVISIONS: i64 = 5;

/// The rule with what it must remember.
#[derive(Debug, Clone)]
pub struct Weighings {
    by_key: bool,
    /// The weighing of the load that still stands there.
    taken: Option<Quantity>,
}

impl Weighings {
    /// The rule at the start, nothing weighed yet.
    pub const fn new(stability: Stability) -> Self {
        Self { by_key: stability.by_key(), taken: None }
    }

    /// The weighing that a line makes, if it makes one. Only a stable mass ever does.
    pub fn take(&mut self, said: &Said) -> Option<Quantity> {
        match said {
            Said::Mass { quantity } if self.by_key => Some(*quantity),
            Said::Mass { quantity } => self.settled(*quantity),
            // The mark of a balance beside a running shaker flickers: as long as what it shows
            // stays within the divisions, it is the same load. A mass that it does not show may be
            // any mass.
            Said::Unstable { quantity } => {
                self.taken = self.taken.filter(|taken| quantity.is_some_and(|now| same_load(*taken, now)));
                None
            }
            Said::Overload => {
                self.taken = None;
                None
            }
            Said::Temperature { .. } | Said::Nonsense { .. } => None,
        }
    }

    fn settled(&mut self, now: Quantity) -> Option<Quantity> {
        if self.taken.is_some_and(|taken| same_load(taken, now)) {
            return None;
        }
        self.taken = (now.value.abs() > divisions(now)).then_some(now);
        self.taken
    }
}

fn same_load(taken: Quantity, now: Quantity) -> bool {
    taken.unit == now.unit && (now.value - taken.value).abs() <= divisions(taken).max(divisions(now))
}

/// The divisions in the unit of the mass: with two digits after the point, 0.05.
fn divisions(mass: Quantity) -> Decimal {
    Decimal::new(DIVISIONS, mass.value.scale())
}
