//! The code on a label: an identity as 40 decimal digits.
//!
//! Digits, because a reader that types sends them through a keyboard layout: letters and signs
//! change their place from one layout to the next, digits seldom do. Forty of them, because an even
//! number fills Code 128's pairs: the bars then fit on a narrow label (ISO/IEC 15417, code set C),
//! and the smallest QR symbols hold them as numbers (ISO/IEC 18004, numeric mode).

use sha2::{Digest, Sha256};
use uuid::Uuid;

/// Digits of a code; an identity of 128 bits has at most 39.
pub const DIGITS: usize = 40;

/// The code of an identity: the same number in decimal, zeros in front.
pub fn digits(id: Uuid) -> String {
    format!("{:0DIGITS$}", id.as_u128())
}

/// The identity that a scan names: its code, or itself as it is written in documents.
pub fn id_of(scan: &str) -> Option<Uuid> {
    let scan = scan.trim();
    if scan.len() == DIGITS && scan.bytes().all(|b| b.is_ascii_digit()) {
        return scan.parse().ok().map(Uuid::from_u128);
    }
    Uuid::try_parse(scan).ok()
}

/// A key under which an identifier is found among samples that have left the bench: an identity of
/// version 8 (RFC 9562, section 5.8) made of its SHA-256.
pub fn key(identifier: &str) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(b"identifier of a sample\0");
    hash.update(identifier.as_bytes());
    let mut bytes = [0; 16];
    for (to, from) in bytes.iter_mut().zip(hash.finalize()) {
        *to = from;
    }
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn a_code_is_the_identity_as_a_number() {
        let id = Uuid::parse_str("019f0000-0000-7000-8000-00000000002a").unwrap();
        // Python: f"{uuid.UUID('019f0000-0000-7000-8000-00000000002a').int:040d}"
        assert_eq!(digits(id), PYTHON);
        assert_eq!(id_of(PYTHON), Some(id));
        assert_eq!(id_of(" 019F0000-0000-7000-8000-00000000002A\n"), Some(id));
        assert_eq!(digits(Uuid::max()).len(), DIGITS);
        assert_eq!(id_of(&digits(Uuid::max())), Some(Uuid::max()));
    }
    const PYTHON: &str = "0002154803196292482380109609413745049642";

    #[test]
    fn other_texts_are_no_code() {
        let too_much = "9".repeat(DIGITS);
        for text in
            ["", "12345", "S-17", &too_much, &"1".repeat(39), "０0000000000000000000000000000000000000"]
        {
            assert_eq!(id_of(text), None, "{text}");
        }
    }

    #[test]
    fn keys_of_identifiers_differ_from_each_other_and_from_made_identities() {
        assert_ne!(key("A-1"), key("A-2"));
        assert_eq!(key("A-1").get_version_num(), 8);
    }
}
