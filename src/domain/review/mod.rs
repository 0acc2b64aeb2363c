//! Who works here, and who answers for a record: signing on, qualification, review.
//!
//! A laboratory that registers nobody keeps names as they are typed, and sees nothing of the rest.
//! With the register kept, an act names a person who is signed on, and that person's roles decide
//! what may be done.
//!
//! ```text
//!  record made ─▶ preliminary ──approve──▶ approved ──correction──▶ preliminary ─▶ …
//!                   ▲   └──────return───▶ returned ──correction, or answer──┘
//!                   └── each arrow is a new version of the document; nothing is overwritten
//! ```

mod act;
mod decision;
mod operators;
mod people;
mod secret;

#[cfg(test)]
mod test;

pub use act::Act;
pub use decision::{Decision, MOST_REVIEWS, MOST_WAITING, Reviewed, State, Subject, Waiting, state_of};
pub use operators::{Held, Operator, deviations, named_on, worked_on};
pub use people::{People, Person, Qualification, Role, SignedOn};
pub use secret::{How, Secret};

use super::specimen::Marked;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// Whether a person's qualification for the method is looked at.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AskQualification {
    /// No.
    #[default]
    Off,
    /// Where it is absent or expired, the specimen has a deviation.
    Note,
    /// Where it is absent or expired, the act is refused.
    Refuse,
}

/// Whether somebody may approve what they did themselves.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OwnWork {
    /// No, as far as the register says who did it.
    #[default]
    MayNot,
    /// Yes.
    May,
}

/// Whether records and results are reviewed at this station.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reviews {
    /// No: they stay preliminary.
    #[default]
    Off,
    /// Yes.
    On,
}

/// Whether an act needs a person who is signed on, once the register is kept.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SignOn {
    /// Yes.
    #[default]
    Needed,
    /// No: names are what was typed, and anybody may keep the register. For the days in which it is
    /// built up, and for a laboratory whose last administrator has lost the code.
    Free,
}

/// What has happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// A person came into the register, or was set anew.
    PersonSet {
        /// The person; of qualifications, and of having left, nothing changes.
        person: Box<Person>,
        /// What codes and badges of this register are hashed with.
        salt: Uuid,
        /// When and by whom.
        marked: Marked,
    },
    /// A person works here no more; code and badge are free again.
    PersonLeft {
        /// The person.
        person: Uuid,
        /// Why.
        reason: String,
        /// When and by whom.
        marked: Marked,
    },
    /// A person who had left is back.
    PersonReturned {
        /// The person.
        person: Uuid,
        /// When and by whom.
        marked: Marked,
    },
    /// A person is qualified for a method, or no more.
    PersonQualified {
        /// The person.
        person: Uuid,
        /// Identifier of the method.
        method: String,
        /// Until when; `None`: no more.
        qualification: Option<Qualification>,
        /// Why not any more, or nothing.
        reason: String,
        /// When and by whom.
        marked: Marked,
    },
    /// A person signed on.
    SignedOn {
        /// The person.
        person: Uuid,
        /// By what.
        how: How,
        /// When, and through what; the person's own name.
        marked: Marked,
    },
    /// A person was signed off.
    SignedOff {
        /// The person.
        person: Uuid,
        /// When and by whom.
        marked: Marked,
    },
    /// A code or badge was nobody's. Which one it was is not kept.
    EntryWrong {
        /// What it was said to be.
        how: How,
        /// When, and through what.
        marked: Marked,
    },
    /// A record or a result was reviewed; its next version says so.
    Reviewed {
        /// Of what.
        of: Subject,
        /// The decision.
        review: Box<Reviewed>,
    },
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::PersonSet { .. } => "person-set",
            Self::PersonLeft { .. } => "person-left",
            Self::PersonReturned { .. } => "person-returned",
            Self::PersonQualified { .. } => "person-qualified",
            Self::SignedOn { .. } => "signed-on",
            Self::SignedOff { .. } => "signed-off",
            Self::EntryWrong { .. } => "entry-wrong",
            Self::Reviewed { .. } => "reviewed",
        }
    }
}
