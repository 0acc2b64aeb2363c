//! The fold of stock and working solutions.

#![expect(clippy::unused_self, reason = "nothing can happen yet")]

use super::Bench;
use crate::domain::moment::Moment;
use crate::domain::solution::Happened;

impl Bench {
    pub(super) fn apply_solution(&mut self, happened: &Happened, _: &Moment) {
        match *happened {}
    }
}
