//! Which masses become weighings.
//!
//! Where a person's key makes the line, each stable line is a weighing. Where the balance speaks
//! by itself or is asked, a load is weighed once: the next weighing waits until the load changed.
//! Our own rule; common practice, no source. Where the line does not say whether it is stable,
//! [`Settling`] does.

use super::settling::Settling;
use super::{Said, Stability};
use crate::domain::moment::{Moment, SECOND};
use crate::domain::quantity::Quantity;
use crate::domain::reading::Readability;
use rust_decimal::Decimal;

/// A load changed when its mass moved by more than this many divisions; a mass of no more than this
/// is an empty pan.
const DIVISIONS: i64 = 5;
/// A load that does not settle within this time is for a person to judge, nanoseconds.
const TIME_OUT_NS: i64 = 15 * SECOND;
/// A load that keeps changing (something is poured) is waited for as long as this, nanoseconds.
const LONGEST_NS: i64 = 60 * SECOND;

/// What an unmarked mass comes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Settled {
    /// Nothing new.
    Nothing,
    /// The load that did not settle in time is another one now, or gone.
    Released,
    /// A stable mass by our own rule.
    Stable {
        /// The mass of the last of these lines.
        mass: Quantity,
        /// The lines that it stands on, oldest first.
        lines: Vec<String>,
    },
    /// The load did not settle in time. It is not weighed any more until it changes.
    NotStable {
        /// What was shown last.
        mass: Quantity,
    },
}

/// A load that is not weighed yet.
#[derive(Debug, Clone)]
struct Waiting {
    /// When it was put on.
    began: Moment,
    /// When it last changed, and to what.
    changed: Moment,
    from: Quantity,
}

/// The rule with what it must remember.
#[derive(Debug, Clone)]
pub struct Weighings {
    by_key: bool,
    readability: Option<Readability>,
    /// The weighing of the load that still stands there.
    taken: Option<Quantity>,
    settling: Settling,
    waiting: Option<Waiting>,
    /// What is taken did not settle in time.
    timed_out: bool,
}

impl Weighings {
    /// The rule at the start, nothing weighed yet. Without a readability a division is one unit of
    /// the mass's last digit.
    pub fn new(stability: Stability, readability: Option<Readability>) -> Self {
        let by_key = stability.by_key();
        Self {
            by_key,
            readability,
            taken: None,
            settling: Settling::default(),
            waiting: None,
            timed_out: false,
        }
    }

    /// Why a mass is none of this balance: it is in another unit than the readability, or no
    /// multiple of it.
    pub fn refuses(&self, said: &Said) -> Option<String> {
        let (Said::Mass { quantity }
        | Said::Unmarked { quantity }
        | Said::Unstable { quantity: Some(quantity) }) = said
        else {
            return None;
        };
        self.readability.and_then(|readability| readability.steps(quantity).err())
    }

    /// The weighing that a line makes, if it makes one by itself. Only a stable mass ever does.
    pub fn take(&mut self, said: &Said) -> Option<Quantity> {
        match said {
            Said::Mass { quantity } if self.by_key => Some(*quantity),
            Said::Mass { quantity } => self.settled(*quantity),
            // The mark of a balance beside a running shaker flickers: as long as what it shows
            // stays within the divisions, it is the same load. A mass that it does not show may be
            // any mass.
            Said::Unstable { quantity } => {
                self.taken =
                    self.taken.filter(|taken| quantity.is_some_and(|now| self.same_load(*taken, now)));
                None
            }
            Said::Overload => {
                self.taken = None;
                self.waiting = None;
                self.settling.clear();
                None
            }
            Said::Unmarked { .. } | Said::Temperature { .. } | Said::Nonsense { .. } => None,
        }
    }

    /// What a mass comes to whose line does not say whether it is stable; `raw` as it is kept.
    pub fn settle(&mut self, now: Quantity, at: Moment, raw: &str) -> Settled {
        let steps = self.readability.and_then(|readability| readability.steps(&now).ok());
        let Some(steps) = steps else { return Settled::Nothing };
        self.settling.take(steps, at, raw);
        if self.taken.is_some_and(|taken| self.same_load(taken, now)) {
            self.waiting = None;
            return Settled::Nothing;
        }
        self.taken = None;
        let nothing = if std::mem::take(&mut self.timed_out) { Settled::Released } else { Settled::Nothing };
        if !self.is_load(now) {
            self.waiting = None;
            return nothing;
        }
        if self.settling.is_stable() {
            self.waiting = None;
            self.taken = Some(now);
            return Settled::Stable { mass: now, lines: self.settling.lines() };
        }
        let mut waiting = self.waiting.take().unwrap_or(Waiting { began: at, changed: at, from: now });
        if !self.same_load(waiting.from, now) {
            waiting = Waiting { changed: at, from: now, ..waiting };
        }
        if at.since(&waiting.changed).ns >= TIME_OUT_NS || at.since(&waiting.began).ns >= LONGEST_NS {
            self.taken = Some(now);
            self.timed_out = true;
            return Settled::NotStable { mass: now };
        }
        self.waiting = Some(waiting);
        nothing
    }

    /// The masses that came last are stable by our own rule.
    pub fn is_stable(&self) -> bool {
        self.settling.is_stable()
    }

    /// What is on the pan is not known any more. What was weighed stays weighed; what did not settle
    /// is looked at anew.
    pub fn forget(&mut self) {
        self.settling.clear();
        self.waiting = None;
        if std::mem::take(&mut self.timed_out) {
            self.taken = None;
        }
    }

    fn settled(&mut self, now: Quantity) -> Option<Quantity> {
        if self.taken.is_some_and(|taken| self.same_load(taken, now)) {
            return None;
        }
        self.taken = self.is_load(now).then_some(now);
        self.taken
    }

    /// Something stands on the pan. Less than nothing is a tared vessel that was lifted.
    fn is_load(&self, mass: Quantity) -> bool {
        mass.value > self.divisions(mass)
    }

    fn same_load(&self, taken: Quantity, now: Quantity) -> bool {
        let most = self.divisions(taken).max(self.divisions(now));
        taken.unit == now.unit && (now.value - taken.value).abs() <= most
    }

    /// The divisions in the unit of the mass: with a readability of 0.01 g, or with two digits after
    /// the point, 0.05 g.
    fn divisions(&self, mass: Quantity) -> Decimal {
        let of_five = |step: Decimal| step.checked_mul(Decimal::from(DIVISIONS));
        self.readability
            .map(|readability| readability.step())
            .filter(|step| step.unit == mass.unit)
            .and_then(|step| of_five(step.value))
            .unwrap_or_else(|| Decimal::new(DIVISIONS, mass.value.scale()))
    }
}
