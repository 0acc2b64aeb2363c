//! Acts of stock and working solutions.

#![expect(clippy::unused_self, reason = "nothing can happen yet")]

use super::{Decided, Deciding};
use crate::domain::solution::Act;
use crate::domain::specimen::Marked;

impl Deciding<'_> {
    pub(super) fn solution(&mut self, act: &Act, _: Marked) -> Decided {
        match *act {}
    }
}
