//! Acts of limits, precision and what counts.

#![expect(clippy::unused_self, reason = "nothing can happen yet")]

use super::{Decided, Deciding};
use crate::domain::quality::Act;
use crate::domain::specimen::Marked;

impl Deciding<'_> {
    pub(super) fn quality(&mut self, act: &Act, _: Marked) -> Decided {
        match *act {}
    }
}
