//! The number of one specimen, with every intermediate, from the levels that its method reads.

use super::height::{Unrounded, height};
use super::level::Marked;
use super::ratio::{Exact, Tenths, result};
use crate::domain::method::{CalculationRule, RatioRule, ResultRule};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// The levels that a number is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Levels {
    /// Top of the sand and top of the clay.
    Two {
        /// The sand level, from the eye to the mark.
        sand: Marked,
        /// The clay level, from the eye to the mark.
        clay: Marked,
    },
    /// Top of the sediment.
    One {
        /// The sediment's level, from the eye to the mark.
        sediment: Marked,
    },
}

impl Levels {
    /// The sand reading, before it went to a mark, is higher than the clay reading.
    pub fn sand_over_clay(&self) -> bool {
        // Compared as read: two levels under one mark are still two levels.
        matches!(self, Self::Two { sand, clay } if sand.reading > clay.reading)
    }
}

/// The number of one specimen with every intermediate, for the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Calculation {
    /// The levels, from the eye to the mark.
    #[serde(flatten)]
    pub levels: Levels,
    /// The number before rounding, where it is a fraction.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exact: Option<Exact>,
    /// The number before rounding, to the ninth decimal, where it is none.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "rust_decimal::serde::str_option")]
    pub unrounded: Option<Decimal>,
    /// The rule that rounded it.
    pub ratio_rule: RatioRule,
    /// The ratio or other number after that rule, in tenths.
    pub ratio_tenths: Tenths,
    /// The rule that made the reported value.
    pub result_rule: ResultRule,
    /// The reported value.
    #[serde(with = "rust_decimal::serde::str")]
    pub reported: Decimal,
    /// The sand reading, before it went to a mark, is higher than the clay reading: computed, and a
    /// deviation.
    pub sand_over_clay: bool,
}

/// Why there is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CalculationError {
    /// The method leaves open what is needed here.
    #[error("the method gives no `{0}`: fill it in, in the method's file")]
    Unset(&'static str),
    /// Two levels that no cylinder holds; [`super::clay`] and [`super::sand`] never give them.
    #[error("no ratio of the sand level {sand} to the clay level {clay}")]
    Levels {
        /// The sand level.
        sand: Decimal,
        /// The clay level.
        clay: Decimal,
    },
    /// A height at which the method's formula has no value.
    #[error("the method's formula has no value at the height {height}: read it again")]
    Height {
        /// The recorded height.
        height: Decimal,
    },
    /// The levels are not those that the method's calculation takes.
    #[error("the method's calculation does not fit to what its steps read: mend the method's file")]
    OtherLevels,
}

/// The number of one specimen from its sand and clay levels.
///
/// # Errors
/// A rule that the method leaves open, or levels that no cylinder holds.
pub fn calculate(
    sand: &Marked,
    clay: &Marked,
    rule: &CalculationRule,
) -> Result<Calculation, CalculationError> {
    from_levels(Levels::Two { sand: *sand, clay: *clay }, rule)
}

/// The number of one specimen from the levels that its method reads.
///
/// # Errors
/// A rule that the method leaves open, or levels for which there is no number.
pub fn from_levels(levels: Levels, rule: &CalculationRule) -> Result<Calculation, CalculationError> {
    let ratio_rule = rule.ratio.value.ok_or(CalculationError::Unset("calculation.ratio"))?;
    let result_rule = rule.result.value.ok_or(CalculationError::Unset("calculation.result"))?;
    let (number, none) = match (levels, &rule.height) {
        (Levels::Two { sand, clay }, None) => (
            Exact::of(sand.marks, clay.marks).map(Unrounded::Exact),
            CalculationError::Levels { sand: sand.recorded, clay: clay.recorded },
        ),
        (Levels::One { sediment }, Some(formula)) => {
            (height(sediment.recorded, formula)?, CalculationError::Height { height: sediment.recorded })
        }
        _ => return Err(CalculationError::OtherLevels),
    };
    let number = number.ok_or(none)?;
    let ratio_tenths = number.rounded(ratio_rule).ok_or(none)?;
    let reported = match result_rule {
        // In one step: by way of the tenth 52.45 would come to 53.
        ResultRule::NearestWhole => number.rounded(RatioRule::NearestWhole).ok_or(none)?.decimal().trunc(),
        ResultRule::RaiseToWhole | ResultRule::Tenth => result(ratio_tenths, result_rule),
    };
    let (exact, unrounded) = match number {
        Unrounded::Exact(exact) => (Some(exact), None),
        Unrounded::Decimal(value) => (None, Some(value)),
    };
    Ok(Calculation {
        levels,
        exact,
        unrounded,
        ratio_rule,
        ratio_tenths,
        result_rule,
        reported,
        sand_over_clay: levels.sand_over_clay(),
    })
}
