//! What happened to a specimen lately, each with the version that it had afterwards: so that
//! somebody who saw an older version can be told what changed, and the last mark be taken back.

use super::{Marked, Specimen};
use crate::domain::method::Level;
use serde::{Deserialize, Serialize};

/// Entries that are kept in sight; a test has about fifteen marks. All of it stays in the journal.
const KEPT: usize = 60;

/// One entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Noted {
    /// The specimen's version afterwards.
    pub version: u32,
    /// What happened.
    pub what: Happened,
    /// When and by whom: of a mark that was stated later, the stated time.
    pub marked: Marked,
    /// It was a mark and has been taken back.
    #[serde(default)]
    pub withdrawn: bool,
}

/// What can happen to a specimen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "happened", rename_all = "kebab-case")]
pub enum Happened {
    /// An instant of the method was marked.
    Marked {
        /// Index of the method's point.
        point: usize,
    },
    /// A level was entered.
    Read {
        /// Index of the method's point.
        point: usize,
        /// Which.
        of: Level,
    },
    /// A further run of the machine began.
    RunBegan,
    /// It ended.
    RunEnded,
    /// Somebody said that no line has formed yet.
    NoLine,
    /// Its mass was taken, or a mass that was taken was given to it.
    Weighed,
    /// A mass that it had was given to another.
    MassTakenAway,
    /// Strokes or cycles were entered.
    Counted,
    /// Something was stated of its material.
    MaterialStated,
    /// Somebody noted what befell it.
    Noted,
    /// Somebody said how its interrupted run counts.
    RunInterrupted,
    /// A switch did not show all that it did.
    EdgesUnseen,
    /// Its place number was wrong.
    PlaceCorrected {
        /// The wrong place.
        from: u32,
        /// The right one.
        to: u32,
    },
    /// Its cylinder was carried.
    PlaceChanged {
        /// From there.
        from: u32,
        /// To there.
        to: u32,
    },
    /// Both levels are in, and the record was made.
    Completed,
    /// It was given up.
    Voided,
    /// Its last mark was taken back.
    Withdrawn,
    /// The time of a point was corrected.
    TimeCorrected {
        /// Index of the method's point.
        point: usize,
    },
    /// A level was corrected.
    ReadingCorrected {
        /// Which.
        of: Level,
    },
    /// The reason of a correction was given.
    ReasonGiven,
    /// A reviewer decided of its record.
    Reviewed {
        /// What.
        decision: crate::domain::review::Decision,
    },
}

impl Happened {
    /// A reviewer's decision, or the answer to one.
    pub const fn is_review(self) -> bool {
        matches!(self, Self::Reviewed { .. })
    }

    /// A mark, which can be taken back while it is the last one.
    pub const fn is_mark(self) -> bool {
        matches!(
            self,
            Self::Marked { .. }
                | Self::Read { .. }
                | Self::RunBegan
                | Self::RunEnded
                | Self::NoLine
                | Self::Voided
        )
    }
}

impl Specimen {
    /// Counts the version on and notes what made it.
    pub fn note(&mut self, what: Happened, marked: &Marked) {
        self.version += 1;
        self.history.push(Noted { version: self.version, what, marked: marked.clone(), withdrawn: false });
        if self.history.len() > KEPT {
            self.history.remove(0);
        }
    }

    /// What happened after a version, oldest first.
    pub fn noted_since(&self, version: u32) -> impl Iterator<Item = &Noted> {
        self.history.iter().filter(move |noted| noted.version > version)
    }
}
