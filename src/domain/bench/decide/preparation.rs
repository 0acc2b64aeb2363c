//! Acts of a sample's preparation.

#![expect(clippy::unused_self, reason = "nothing can happen yet")]

use super::{Decided, Deciding};
use crate::domain::preparation::Act;
use crate::domain::specimen::Marked;

impl Deciding<'_> {
    pub(super) fn preparation(&mut self, act: &Act, _: Marked) -> Decided {
        match *act {}
    }
}
