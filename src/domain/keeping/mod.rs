//! What is kept although its time is over, and what was removed: holds, and the account of removals.

use crate::domain::moment::Moment;
use crate::domain::specimen::Marked;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use uuid::Uuid;

/// Samples that can be held at once.
pub const HOLDS_MOST: usize = 1000;

/// What a person can do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// Nothing of a sample is removed until somebody releases it.
    Hold {
        /// The sample, also one that left the bench long ago.
        sample: Uuid,
        /// Why.
        reason: String,
    },
    /// A sample need not be held any more.
    Release {
        /// The sample.
        sample: Uuid,
        /// Why.
        reason: String,
    },
}

/// What has happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// A sample is held.
    SampleHeld {
        /// The sample.
        sample: Uuid,
        /// The hold.
        hold: Hold,
    },
    /// A sample is not held any more.
    HoldReleased {
        /// The sample.
        sample: Uuid,
        /// Why.
        reason: String,
        /// By whom.
        marked: Marked,
    },
    /// Payloads were removed from the journal by its rules.
    PayloadsRemoved(Removal),
}

/// A hold on a sample: what names it, and all that happened at the bench in its time, stays.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Hold {
    /// What stands on the bag.
    pub label: String,
    /// Identities of its specimens.
    pub specimens: Vec<Uuid>,
    /// When the sample was registered.
    pub from: Moment,
    /// When it left the bench; `None`: it was still there.
    pub until: Option<Moment>,
    /// Why.
    pub reason: String,
    /// By whom.
    pub marked: Marked,
}

/// What was removed. It is told before the first payload goes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Removal {
    /// Up to where. What stands in the range may have been left there.
    pub through: Through,
    /// How many of each.
    pub removed: Counts,
    /// The rules, in words.
    pub rules: String,
    /// The file to which all of it was written first.
    pub file: String,
    /// SHA-256 of that file, lower-case hexadecimal.
    pub sha256: String,
    /// Why.
    pub reason: String,
    /// By whom.
    pub marked: Marked,
}

/// Up to which number; 0: nothing of that kind.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Through {
    /// Events without a link of their own: temperatures.
    pub samples: u64,
    /// Events with one.
    pub events: u64,
    /// Documents.
    pub documents: u64,
    /// Inputs, in the order of deciding.
    pub inputs: u64,
}

/// How many.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Counts {
    /// Events without a link of their own: temperatures.
    pub samples: u64,
    /// Events with one.
    pub events: u64,
    /// Documents.
    pub documents: u64,
    /// Inputs.
    pub inputs: u64,
    /// Bytes of all of them.
    pub bytes: u64,
}

/// The part of the state.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Kept {
    /// Samples of which nothing is removed.
    pub holds: BTreeMap<Uuid, Hold>,
    /// Documents up to this number may be gone.
    #[serde(default)]
    pub documents_removed: u64,
}

impl Act {
    /// The sample that must be in sight for this.
    pub const fn sample(&self) -> Option<Uuid> {
        match self {
            Self::Hold { sample, .. } => Some(*sample),
            Self::Release { .. } => None,
        }
    }
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::SampleHeld { .. } => "sample-held",
            Self::HoldReleased { .. } => "hold-released",
            Self::PayloadsRemoved { .. } => "payloads-removed",
        }
    }
}

impl Kept {
    /// Takes in what has happened.
    pub fn apply(&mut self, happened: &Happened) {
        match happened {
            Happened::SampleHeld { sample, hold } => {
                self.holds.insert(*sample, hold.clone());
            }
            Happened::HoldReleased { sample, .. } => {
                self.holds.remove(sample);
            }
            Happened::PayloadsRemoved(removal) => {
                self.documents_removed = self.documents_removed.max(removal.through.documents);
            }
        }
    }
}
