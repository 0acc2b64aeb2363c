//! The fold of a sample's preparation.

#![expect(clippy::unused_self, reason = "nothing can happen yet")]

use super::Bench;
use crate::domain::moment::Moment;
use crate::domain::preparation::Happened;

impl Bench {
    pub(super) fn apply_preparation(&mut self, happened: &Happened, _: &Moment) {
        match *happened {}
    }
}
