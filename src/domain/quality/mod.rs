//! Whether a result stands: which specimens count and why the others do not, how far those that
//! count lie apart, and what the limit of acceptance says of the result.
//!
//! ```text
//!  complete specimens ─ counting ─▶ those that count ─ average ─▶ result ─ acceptance ─▶ pass, fail, not decided
//!                          │              └─ precision: further specimens asked for
//!                          └─ held until admitted or replaced
//! ```
//!
//! A sample keeps the rules under which it was registered ([`Rules`]), so that a later change of
//! the settings changes no result.

pub mod acceptance;
pub mod chart;
pub mod charts;
pub mod counting;
pub mod precision;
pub mod state;
pub mod uncertainty;

pub use counting::{Counting, Why, counting, is_ready};
pub use state::{Admission, Cold, Further, OfSample, Replacement, Rules};

use super::intake::Limit;
use super::specimen::Marked;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// What a deviation does to its specimen's part in the average.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Deviations {
    /// It is shown, and the specimen counts.
    #[default]
    Count,
    /// The specimen is held out of the average until a person admits it with a reason.
    Hold,
}

/// Whether the specimens of a sample are compared with the method's published precision.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Compared {
    /// They are not.
    #[default]
    Off,
    /// They are, and the result tells how they lie.
    On,
}

/// What a person can do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// The limit of acceptance is this, or there is none.
    SetLimit {
        /// The sample.
        sample: Uuid,
        /// The limit; absent: there is none.
        #[serde(default)]
        limit: Option<Limit>,
        /// Why.
        reason: String,
        /// The version of the particulars that the person saw.
        #[serde(default)]
        version: Option<u32>,
    },
    /// A specimen that is held counts all the same.
    Admit {
        /// The specimen.
        specimen: Uuid,
        /// Why.
        reason: String,
    },
    /// That a specimen was admitted is taken back: it is held again.
    WithdrawAdmission {
        /// The specimen.
        specimen: Uuid,
        /// Why.
        reason: String,
    },
    /// Another specimen of the sample is run in the place of one that is held or was given up.
    Replace {
        /// The specimen that is replaced.
        specimen: Uuid,
        /// The place that the new one takes.
        place: u32,
    },
    /// The limits of a control chart are those of the results that it shows now.
    FreezeLimits {
        /// What the chart is of.
        chart: charts::Of,
        /// Why now.
        reason: String,
    },
}

impl Act {
    /// The specimen that it concerns.
    pub const fn specimen(&self) -> Option<Uuid> {
        match self {
            Self::Admit { specimen, .. }
            | Self::WithdrawAdmission { specimen, .. }
            | Self::Replace { specimen, .. } => Some(*specimen),
            Self::SetLimit { .. } | Self::FreezeLimits { .. } => None,
        }
    }

    /// The sample that it names, wherever that is by now.
    pub const fn sample(&self) -> Option<Uuid> {
        match self {
            Self::SetLimit { sample, .. } => Some(*sample),
            _ => None,
        }
    }
}

/// What has happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// The limit of acceptance was set, corrected or taken away.
    LimitSet {
        /// The sample.
        sample: Uuid,
        /// Identity of the correction.
        correction: Uuid,
        /// The limit from now on.
        limit: Option<Limit>,
        /// Why.
        reason: String,
        marked: Marked,
    },
    /// A specimen that was held was admitted.
    SpecimenAdmitted {
        /// The sample.
        sample: Uuid,
        /// The specimen.
        specimen: Uuid,
        /// Identity of the decision.
        decision: Uuid,
        /// How many deviations it was admitted with: with more it is held again.
        deviations: u32,
        /// Why.
        reason: String,
        marked: Marked,
    },
    /// That a specimen was admitted was taken back.
    AdmissionWithdrawn {
        /// The sample.
        sample: Uuid,
        /// The specimen.
        specimen: Uuid,
        /// Identity of the decision.
        decision: Uuid,
        /// Why.
        reason: String,
        marked: Marked,
    },
    /// A specimen is run in the place of another.
    ReplacementLinked {
        /// The sample.
        sample: Uuid,
        /// The new one.
        specimen: Uuid,
        /// The one that it replaces.
        replaces: Uuid,
        marked: Marked,
    },
    /// The specimens lie further apart than the method allows: more are asked for.
    FurtherCalledFor {
        /// The sample.
        sample: Uuid,
        /// How many.
        specimens: u32,
        /// The new ones alone make the result; else all together.
        alone: bool,
        /// How far they lie apart.
        difference: Decimal,
        /// How far they may.
        limit: Decimal,
    },
    /// A correction brought the specimens together again before a further one was begun.
    FurtherTakenBack {
        /// The sample.
        sample: Uuid,
    },
    /// The limits of a control chart were frozen.
    LimitsFrozen {
        /// What the chart is of.
        chart: charts::Of,
        /// The limits.
        frozen: Box<charts::Frozen>,
    },
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::LimitSet { .. } => "quality-limit-set",
            Self::SpecimenAdmitted { .. } => "quality-specimen-admitted",
            Self::AdmissionWithdrawn { .. } => "quality-admission-withdrawn",
            Self::ReplacementLinked { .. } => "quality-replacement-linked",
            Self::FurtherCalledFor { .. } => "quality-further-called-for",
            Self::FurtherTakenBack { .. } => "quality-further-taken-back",
            Self::LimitsFrozen { .. } => "quality-limits-frozen",
        }
    }
}
