//! From a level between two marks of the cylinder to a whole number of marks.

use crate::domain::method::BetweenMarks;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// A level as a whole number of the cylinder's marks, counted from its floor: tenths of an inch
/// on the US cylinder, millimetres on a metric one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Marks(pub i64);

/// Why a level has no mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MarkError {
    /// Marks stand at a positive distance.
    #[error("the distance between two marks is {0}: it must be over 0")]
    Distance(Decimal),
    /// No cylinder is that tall.
    #[error("{0} is too large to be a level")]
    TooLarge(Decimal),
}

impl Marks {
    /// The level of this mark, in the unit of `mark` (the distance between two) and with its
    /// decimals. `None` if the number is too large to be a level.
    pub fn level(self, mark: Decimal) -> Option<Decimal> {
        let mut level = Decimal::from(self.0).checked_mul(mark)?;
        // Nought has the decimals of the others, too.
        level.rescale(mark.scale());
        Some(level)
    }
}

/// The mark that is recorded for `level`, both in one unit. A level that lies on a mark stays.
///
/// Higher mark: T 176 / D2419, worked example 7.95 -> 8.0 and 3.22 -> 3.3 (recalled from memory).
pub fn to_mark(level: Decimal, mark: Decimal, rule: BetweenMarks) -> Result<Marks, MarkError> {
    if mark <= Decimal::ZERO {
        return Err(MarkError::Distance(mark));
    }
    let too_large = || MarkError::TooLarge(level);
    // Both as whole numbers of the finer of their last places.
    let scale = level.scale().max(mark.scale());
    let whole = |d: Decimal| d.mantissa().checked_mul(10_i128.checked_pow(scale - d.scale())?);
    let (level_n, mark_n) = (whole(level).ok_or_else(too_large)?, whole(mark).ok_or_else(too_large)?);
    let marks = match rule {
        BetweenMarks::Higher => level_n.checked_add(mark_n - 1).map(|n| n.div_euclid(mark_n)),
        BetweenMarks::Nearest => level_n
            .checked_mul(2)
            .zip(mark_n.checked_mul(2))
            .and_then(|(l2, m2)| l2.checked_add(mark_n).map(|n| n.div_euclid(m2))),
    };
    marks.and_then(|n| i64::try_from(n).ok()).map(Marks).ok_or_else(too_large)
}
