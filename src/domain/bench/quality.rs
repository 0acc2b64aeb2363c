//! The fold of limits, precision and what counts.

#![expect(clippy::unused_self, reason = "nothing can happen yet")]

use super::Bench;
use crate::domain::moment::Moment;
use crate::domain::quality::Happened;

impl Bench {
    pub(super) fn apply_quality(&mut self, happened: &Happened, _: &Moment) {
        match *happened {}
    }
}
