//! What a person signs on with. It is no password: a code of four digits is found by trying, and a
//! badge can be copied. It says who means to act, at a bench where people know each other.
//!
//! What was entered is written down nowhere: an act that holds it is stored and logged without it,
//! and the register keeps a salted hash.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest, Sha256};
use std::fmt;
use uuid::Uuid;

/// What stands in the journal, and in a log, in place of what was entered.
const WITHHELD: &str = "withheld";
/// Characters of a code.
const CODE: std::ops::RangeInclusive<usize> = 3..=12;
/// Characters of a badge.
const BADGE: std::ops::RangeInclusive<usize> = 6..=80;

/// A code or a badge as it was entered.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

/// By what somebody signs on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// A code that was typed.
    Code,
    /// A badge that was scanned.
    Badge,
}

impl How {
    /// In a sentence.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Code => "code",
            Self::Badge => "badge",
        }
    }
}

impl Secret {
    /// As it was entered.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// Nothing was entered.
    pub fn is_empty(&self) -> bool {
        self.0.trim().is_empty()
    }

    /// Why it is no code or badge, if it is none.
    ///
    /// # Errors
    /// A sentence for whoever entered it.
    pub fn check(&self, how: How) -> Result<(), String> {
        let text = self.0.trim();
        let length = text.chars().count();
        match how {
            How::Code if !CODE.contains(&length) || !text.bytes().all(|b| b.is_ascii_alphanumeric()) => {
                Err(format!("give {} to {} letters and digits", CODE.start(), CODE.end()))
            }
            How::Badge if !BADGE.contains(&length) || text.chars().any(char::is_control) => Err(format!(
                "a badge has {} to {} printable characters as the reader types them",
                BADGE.start(),
                BADGE.end()
            )),
            _ => Ok(()),
        }
    }

    /// What the register keeps: SHA-256 over its kind, the register's salt and the text, in
    /// lower-case hexadecimal. A code is the same in capitals.
    pub fn sealed(&self, how: How, salt: Uuid) -> String {
        let text = self.0.trim();
        let text = if how == How::Code { text.to_ascii_uppercase() } else { text.to_owned() };
        let mut hash = Sha256::new();
        hash.update(b"person signs on\0");
        hash.update(how.word().as_bytes());
        hash.update([0]);
        hash.update(salt.as_bytes());
        hash.update(text.as_bytes());
        hash.finalize().iter().fold(String::with_capacity(64), |mut hex, byte| {
            for half in [byte >> 4, byte & 0xf] {
                hex.extend(char::from_digit(u32::from(half), 16));
            }
            hex
        })
    }
}

/// Whether two hashes are the same, in a time that does not depend on where they differ.
pub(super) fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(WITHHELD)
    }
}

impl Serialize for Secret {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(WITHHELD)
    }
}

impl<'de> Deserialize<'de> for Secret {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer).map(Self)
    }
}
