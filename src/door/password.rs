//! Passwords, and what is kept of them.
//!
//! argon2id with 19 MiB, two passes and one lane: the second of the equally strong sets of the OWASP
//! Password Storage Cheat Sheet ('m=19456 (19 MiB), t=2, p=1'). Kept as a PHC string, so that a later
//! choice of parameters leaves older hashes good.

use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Algorithm, Argon2, Params, Version};
use rand::TryRngCore;
use rand::rngs::OsRng;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// Characters of a password. NIST SP 800-63B-4 asks for 15 where a password stands alone, and lets a
/// verifier that slows tries decide; here tries are slowed, and people type with gloves.
pub const LENGTH: std::ops::RangeInclusive<usize> = 12..=128;
const MEMORY_KIB: u32 = 19_456;
const PASSES: u32 = 2;
const LANES: u32 = 1;
const SALT: usize = 16;

/// A password as it was typed. It shows itself nowhere.
pub struct Password(String);

impl fmt::Debug for Password {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Password(withheld)")
    }
}

impl<'de> Deserialize<'de> for Password {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer).map(Self)
    }
}

impl Password {
    /// As it was typed.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// One that nobody has.
    pub(super) fn of_nobody() -> Self {
        Self(String::new())
    }

    /// Why it may not become the password of an account, if it may not.
    ///
    /// # Errors
    /// A sentence for whoever chose it.
    pub fn check(&self, name: &str, person: Option<&str>) -> Result<(), String> {
        let length = self.0.chars().count();
        if !LENGTH.contains(&length) {
            let (least, most) = (LENGTH.start(), LENGTH.end());
            return Err(format!(
                "the password has {length} characters; give {least} to {most}, for example four words"
            ));
        }
        if self.0.chars().any(char::is_control) {
            return Err("the password holds a control character that a page could not send".to_owned());
        }
        let plain = self.0.to_lowercase();
        let mut kinds: Vec<char> = plain.chars().collect();
        kinds.sort_unstable();
        kinds.dedup();
        if kinds.len() < 5 {
            return Err("the password is one of few different characters: choose another".to_owned());
        }
        let mut known = std::iter::once(name).chain(person);
        if known.any(|known| plain.trim() == known.to_lowercase()) {
            return Err("the password is the account's own name: choose another".to_owned());
        }
        Ok(())
    }
}

/// What is kept of a password. It shows itself in the file of the accounts alone.
#[derive(Clone, PartialEq, Eq)]
pub struct Hash(String);

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Hash(withheld)")
    }
}

impl Serialize for Hash {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Hash {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        match PasswordHash::new(&text) {
            Ok(hash) if hash.algorithm.as_str() == "argon2id" => Ok(Self(text)),
            // Never the text itself: it may be a password that somebody wrote there.
            _ => Err(serde::de::Error::custom("is no argon2id hash; `stillstand account change` makes it")),
        }
    }
}

/// A password cannot be hashed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a password cannot be hashed: this machine gives no chance numbers, or not enough memory")]
pub struct NotHashed;

impl Hash {
    /// With a salt of its own.
    ///
    /// # Errors
    /// No chance numbers, or no memory.
    pub fn of(password: &Password) -> Result<Self, NotHashed> {
        let mut salt = [0; SALT];
        OsRng.try_fill_bytes(&mut salt).map_err(|_| NotHashed)?;
        let hash: PasswordHash =
            argon2()?.hash_password_with_salt(password.0.as_bytes(), &salt).map_err(|_| NotHashed)?;
        Ok(Self(hash.to_string()))
    }

    /// Whether it is the hash of this password; the work is the same either way.
    pub fn fits(&self, password: &Password) -> bool {
        let (Ok(argon2), Ok(hash)) = (argon2(), PasswordHash::new(&self.0)) else { return false };
        let typed = password.0.as_bytes();
        // A page sends at most what a password may have: more is wrong, and no longer work.
        let typed = if password.0.chars().count() > *LENGTH.end() { &[] } else { typed };
        argon2.verify_password(typed, &hash).is_ok()
    }

    /// For a digest that ends sign-ons when the password changes.
    pub(super) fn text(&self) -> &str {
        &self.0
    }
}

fn argon2() -> Result<Argon2<'static>, NotHashed> {
    let params = Params::new(MEMORY_KIB, PASSES, LANES, None).map_err(|_| NotHashed)?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}
