//! Stock and working solutions: recipes, batches, the bottle in use.

use serde::{Deserialize, Serialize};

/// What a person can do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {}

/// What has happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match *self {}
    }
}
