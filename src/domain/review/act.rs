//! What a person can do with the register, and with what waits for review.

use super::decision::Subject;
use super::people::Role;
use super::secret::Secret;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// An act.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// Somebody signs on: by a code that was typed, or a badge that was scanned.
    SignOn {
        /// The code.
        #[serde(default)]
        code: Option<Secret>,
        /// What the reader typed of the badge.
        #[serde(default)]
        badge: Option<Secret>,
    },
    /// A person is signed off. Anybody may: it gives nobody anything.
    SignOff {
        /// The person.
        person: Uuid,
    },
    /// A person comes into the register.
    AddPerson {
        /// As it stands in records; no two have the same.
        name: String,
        /// What the person may do.
        roles: Vec<Role>,
        /// 3 to 12 letters and digits that nobody else has.
        #[serde(default)]
        code: Option<Secret>,
        /// What a reader types of the badge: 6 to 80 characters.
        #[serde(default)]
        badge: Option<Secret>,
    },
    /// Something of a person is set anew; what is not given stays.
    ChangePerson {
        /// The person.
        person: Uuid,
        /// The name.
        #[serde(default)]
        name: Option<String>,
        /// What the person may do.
        #[serde(default)]
        roles: Option<Vec<Role>>,
        /// The code; empty: none any more.
        #[serde(default)]
        code: Option<Secret>,
        /// The badge; empty: none any more.
        #[serde(default)]
        badge: Option<Secret>,
    },
    /// A person works here no more.
    PersonLeaves {
        /// The person.
        person: Uuid,
        /// Why.
        reason: String,
    },
    /// A person who had left is back; code and badge are given anew.
    PersonReturns {
        /// The person.
        person: Uuid,
    },
    /// A person is qualified for a method.
    Qualify {
        /// The person.
        person: Uuid,
        /// Identifier of the method.
        method: String,
        /// A day (to its end in UTC), or an instant with its offset; absent: without an end.
        #[serde(default)]
        until: Option<String>,
        /// What shows it: a certificate, a comparison, an observed test.
        #[serde(default)]
        note: String,
    },
    /// A person is not qualified for a method any more.
    Disqualify {
        /// The person.
        person: Uuid,
        /// Identifier of the method.
        method: String,
        /// Why.
        reason: String,
    },
    /// A reviewer finds a record good, or a result with all its records.
    Approve {
        /// Of what.
        of: Subject,
        /// Identities of the documents that the reviewer has looked at.
        documents: Vec<Uuid>,
        /// Anything to be remembered.
        #[serde(default)]
        reason: String,
    },
    /// A reviewer gives it back to whoever made it.
    Return {
        /// Of what.
        of: Subject,
        /// Identities of the documents that the reviewer has looked at.
        documents: Vec<Uuid>,
        /// Why.
        reason: String,
    },
    /// A reviewer decides that it does not count: the specimen, or every specimen of the sample.
    Void {
        /// Of what.
        of: Subject,
        /// Identities of the documents that the reviewer has looked at.
        documents: Vec<Uuid>,
        /// Why.
        reason: String,
    },
    /// What was returned is right as it stands, for this reason: it waits for review again.
    Answer {
        /// Of what.
        of: Subject,
        /// Identities of the documents that were looked at.
        documents: Vec<Uuid>,
        /// What is answered.
        reason: String,
    },
}

impl Act {
    /// What is reviewed or answered.
    pub const fn of(&self) -> Option<Subject> {
        match self {
            Self::Approve { of, .. }
            | Self::Return { of, .. }
            | Self::Void { of, .. }
            | Self::Answer { of, .. } => Some(*of),
            _ => None,
        }
    }
}
