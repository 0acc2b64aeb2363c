//! What a reviewer decided of a record or a result, and how it stands.

use crate::domain::moment::Moment;
use crate::domain::specimen::{Issued, Marked};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// Most decisions on one subject: beyond, something else is wrong, and a record must stay readable.
pub const MOST_REVIEWS: usize = 100;
/// Samples that wait in sight. Beyond, the one that waited longest is found by its own page alone.
pub const MOST_WAITING: usize = 2000;

/// What is reviewed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Subject {
    /// The record of a specimen.
    Specimen(Uuid),
    /// The result of a sample, with the records that it stands on.
    Sample(Uuid),
}

/// What was decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// It is good.
    Approved,
    /// It is given back to whoever made it.
    Returned,
    /// It does not count.
    Voided,
    /// What was returned is right as it stands: it waits again.
    Answered,
}

impl Decision {
    /// Its word, as in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Approved => "approved",
            Self::Returned => "returned",
            Self::Voided => "voided",
            Self::Answered => "answered",
        }
    }
}

/// One decision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Reviewed {
    /// Its identity.
    pub id: Uuid,
    /// What was decided.
    pub decision: Decision,
    /// The document that was looked at.
    pub document: Uuid,
    /// Its number.
    pub number: u64,
    /// Its version; the next one tells the decision.
    pub version: u32,
    /// The reviewer's identity, where the register is kept.
    pub person: Option<Uuid>,
    /// When and by whom.
    pub marked: Marked,
    /// Why, or what is to be remembered; may be empty.
    pub reason: String,
}

/// How a document stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Nobody has approved this version.
    Preliminary,
    /// A reviewer has approved it.
    Approved,
    /// A reviewer has given it back.
    Returned,
}

impl State {
    /// The `status` of a document that counts.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Preliminary => "preliminary",
            Self::Approved => "approved",
            Self::Returned => "returned",
        }
    }
}

/// How the newest version stands: as decided of the one before it. A correction makes a version
/// that nobody has decided of.
pub fn state_of(reviews: &[Reviewed], issued: Option<&Issued>) -> State {
    let decided = reviews.last().filter(|r| issued.is_some_and(|issued| issued.version == r.version + 1));
    match decided.map(|review| review.decision) {
        Some(Decision::Approved) => State::Approved,
        Some(Decision::Returned) => State::Returned,
        _ => State::Preliminary,
    }
}

/// A sample whose result, or one of whose records, waits for somebody.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Waiting {
    /// Its label.
    pub label: String,
    /// Digest of its method.
    pub method: String,
    /// What its result says.
    pub result: String,
    /// Records that it stands on, and those beside it.
    pub records: u32,
    /// Deviations on them.
    pub deviations: u32,
    /// `Preliminary`: for a reviewer. `Returned`: for whoever made it.
    pub state: State,
    /// What a reviewer said last, if one has.
    pub last: Option<Reviewed>,
    /// Since when it waits.
    pub since: Moment,
}
