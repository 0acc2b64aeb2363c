//! The fold of people and the review of records.

#![expect(clippy::unused_self, reason = "nothing can happen yet")]

use super::Bench;
use crate::domain::moment::Moment;
use crate::domain::review::Happened;

impl Bench {
    pub(super) fn apply_review(&mut self, happened: &Happened, _: &Moment) {
        match *happened {}
    }
}
