//! Acts of a sample's preparation.

use super::{Decided, Deciding};
use crate::domain::preparation::Act;
use crate::domain::specimen::Marked;

impl Deciding<'_> {
    pub(super) fn preparation(&mut self, act: &Act, _: Marked) -> Decided {
        match *act {}
    }
}
