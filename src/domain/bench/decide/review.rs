//! Acts of people and the review of records.

#![expect(clippy::unused_self, reason = "nothing can happen yet")]

use super::{Decided, Deciding};
use crate::domain::review::Act;
use crate::domain::specimen::Marked;

impl Deciding<'_> {
    pub(super) fn review(&mut self, act: &Act, _: Marked) -> Decided {
        match *act {}
    }
}
