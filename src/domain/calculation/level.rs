//! From what a person entered to a recorded level, or why it is refused.

use super::mark::{MarkError, Marks, to_mark};
use crate::domain::method::{BetweenMarks, Foot, Level, ReadingRule};
use crate::domain::quantity::Unit;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// Most decimals of an entered level: finer than any eye, and far within exact arithmetic.
pub const MOST_DECIMALS: u32 = 6;

/// A level on its way from the eye to the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Marked {
    /// What was entered, with its digits.
    #[serde(with = "rust_decimal::serde::str")]
    pub entered: Decimal,
    /// What was taken from it: the offset of the foot assembly; 0 for clay.
    #[serde(with = "rust_decimal::serde::str")]
    pub offset: Decimal,
    /// `entered - offset`, exactly.
    #[serde(with = "rust_decimal::serde::str")]
    pub reading: Decimal,
    /// The recorded level, in marks.
    pub marks: Marks,
    /// The recorded level, in the unit of the reading.
    #[serde(with = "rust_decimal::serde::str")]
    pub recorded: Decimal,
}

/// Why a level is refused. The wording is for the person who entered it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LevelError {
    /// The ratio divides by the clay reading.
    #[error("the clay reading is 0, and the result divides by it: read the top of the clay again")]
    ClayZero,
    /// A clay level below half of the first mark, where the nearest mark is recorded.
    #[error(
        "the clay reading {value} {unit} is recorded as 0, the nearest mark, and the result divides by it: \
         read the top of the clay again"
    )]
    ClayAtZero {
        /// What was entered.
        value: Decimal,
        /// Its unit.
        unit: Unit,
    },
    /// A level below the floor of the cylinder.
    #[error("the {} reading {value} {unit} is negative: read it again", .of.word())]
    Negative {
        /// Which level.
        of: Level,
        /// What was entered.
        value: Decimal,
        /// Its unit.
        unit: Unit,
    },
    /// A level over the highest mark.
    #[error("the {} reading {value} {unit} is over the cylinder's top mark, {top} {unit}: read it again", .of.word())]
    OverTop {
        /// Which level.
        of: Level,
        /// The reading, an offset already taken off.
        value: Decimal,
        /// The highest mark.
        top: Decimal,
        /// Unit of both.
        unit: Unit,
    },
    /// The indicator stands higher than the sand by the offset, so it cannot show less.
    #[error(
        "the level {value} {unit} at the indicator is under {offset} {unit}, the offset of the foot \
         `{foot}`: enter the indicator's level, not the sand's, or set the foot that is in use"
    )]
    BelowOffset {
        /// What was entered.
        value: Decimal,
        /// The foot's offset.
        offset: Decimal,
        /// The foot's name.
        foot: String,
        /// Unit of both.
        unit: Unit,
    },
    /// More digits than a level has.
    #[error("the {} reading {value} has more than {MOST_DECIMALS} decimals: enter what was read", .of.word())]
    TooFine {
        /// Which level.
        of: Level,
        /// What was entered.
        value: Decimal,
    },
    /// The method leaves open what is needed here.
    #[error("the method gives no `{0}`: fill it in, in the method's file")]
    Unset(&'static str),
    /// The method's marks, or the level's size, allow no mark.
    #[error(transparent)]
    Mark(#[from] MarkError),
}

/// The marks of a cylinder, complete: what a [`ReadingRule`] must hold before a level is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Scale {
    /// Distance between two marks.
    pub mark: Decimal,
    /// Highest mark.
    pub top: Decimal,
    /// Unit of both, and of the readings.
    pub unit: Unit,
    /// What is recorded between two marks.
    pub between_marks: BetweenMarks,
}

impl Scale {
    /// The US cylinder: marks at tenths of an inch up to 15 in, the higher mark recorded
    /// (AASHTO T 176 / ASTM D2419). For paper worksheets, which name no method file.
    pub const TENTHS_OF_AN_INCH: Self = Self {
        mark: Decimal::from_parts(1, 0, 0, false, 1),
        top: Decimal::from_parts(15, 0, 0, false, 0),
        unit: Unit::Inch,
        between_marks: BetweenMarks::Higher,
    };

    /// The scale of a method.
    pub fn of(rule: &ReadingRule) -> Result<Self, LevelError> {
        Ok(Self {
            mark: rule.mark.value.ok_or(LevelError::Unset("readings.mark"))?,
            top: rule.top.value.ok_or(LevelError::Unset("readings.top"))?,
            unit: rule.unit,
            between_marks: rule.between_marks.value.ok_or(LevelError::Unset("readings.between-marks"))?,
        })
    }

    /// The mark of a clay reading: over 0 also as it is recorded, at most the top mark.
    pub fn clay(&self, reading: Decimal) -> Result<Marks, LevelError> {
        if reading.is_zero() {
            return Err(LevelError::ClayZero);
        }
        match self.marks(Level::Clay, reading)? {
            Marks(0) => Err(LevelError::ClayAtZero { value: reading, unit: self.unit }),
            marks => Ok(marks),
        }
    }

    /// The mark of a sand reading (not of the indicator's level): 0 to the top mark.
    pub fn sand(&self, reading: Decimal) -> Result<Marks, LevelError> {
        self.marks(Level::Sand, reading)
    }

    /// The mark of a sediment reading: 0 to the top mark.
    pub fn sediment(&self, reading: Decimal) -> Result<Marks, LevelError> {
        self.marks(Level::Sediment, reading)
    }

    fn marks(&self, of: Level, reading: Decimal) -> Result<Marks, LevelError> {
        let unit = self.unit;
        if reading < Decimal::ZERO {
            return Err(LevelError::Negative { of, value: reading, unit });
        }
        if reading > self.top {
            return Err(LevelError::OverTop { of, value: reading, top: self.top, unit });
        }
        if too_fine(reading) {
            return Err(LevelError::TooFine { of, value: reading });
        }
        Ok(to_mark(reading, self.mark, self.between_marks)?)
    }

    fn marked(
        &self,
        entered: Decimal,
        offset: Decimal,
        reading: Decimal,
        marks: Marks,
    ) -> Result<Marked, LevelError> {
        let recorded = marks.level(self.mark).ok_or(MarkError::TooLarge(reading))?;
        Ok(Marked { entered, offset, reading, marks, recorded })
    }
}

/// Zeros at the end are no finer reading.
fn too_fine(value: Decimal) -> bool {
    value.scale() > MOST_DECIMALS && value.normalize().scale() > MOST_DECIMALS
}

/// A clay level as entered, to its mark. All in the unit of the method's readings.
pub fn clay(entered: Decimal, rule: &ReadingRule) -> Result<Marked, LevelError> {
    let scale = Scale::of(rule)?;
    scale.marked(entered, Decimal::ZERO, entered, scale.clay(entered)?)
}

/// A sediment level as entered, to its mark. All in the unit of the method's readings.
pub fn sediment(entered: Decimal, rule: &ReadingRule) -> Result<Marked, LevelError> {
    let scale = Scale::of(rule)?;
    scale.marked(entered, Decimal::ZERO, entered, scale.sediment(entered)?)
}

/// The level at the foot's indicator as entered, less the foot's offset, to its mark.
/// A foot whose level is the sand's own (guide-cap type) has the offset 0.
pub fn sand(entered: Decimal, foot: &Foot, rule: &ReadingRule) -> Result<Marked, LevelError> {
    let scale = Scale::of(rule)?;
    let offset = foot.offset.value.ok_or(LevelError::Unset("readings.feet.offset"))?;
    if entered < Decimal::ZERO {
        return Err(LevelError::Negative { of: Level::Sand, value: entered, unit: scale.unit });
    }
    if entered < offset {
        let foot = foot.name.clone();
        return Err(LevelError::BelowOffset { value: entered, offset, foot, unit: scale.unit });
    }
    if too_fine(entered) {
        return Err(LevelError::TooFine { of: Level::Sand, value: entered });
    }
    let reading = entered.checked_sub(offset).ok_or(MarkError::TooLarge(entered))?;
    scale.marked(entered, offset, reading, scale.sand(reading)?)
}
