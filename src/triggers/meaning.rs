//! What the payload of a network trigger means. PURE.
//!
//! Any button can send it: `on`, `off` or `press`, in any case, with or without quotes. A message
//! that the broker kept (retained) or sends again (marked duplicate) starts and stops nothing: it
//! tells of a press that happened at a time that nobody knows any more.

use crate::domain::bench::Contact;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Why a trigger does nothing.
#[derive(Debug, Clone, PartialEq, Eq, Error, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Refused {
    /// The broker had kept it.
    #[error(
        "it was retained by the broker, so the time of the press is unknown; send triggers without retain"
    )]
    Retained,
    /// The broker sends it again.
    #[error("it is marked as sent again, so it may already have acted; press once more")]
    Duplicate,
    /// No known word.
    #[error("`{found}` is not a trigger; send on, off or press")]
    Unknown {
        /// What was found, shortened.
        found: String,
    },
}

/// The meaning of a trigger's payload.
pub fn trigger_meaning(payload: &[u8], retain: bool, dup: bool) -> Result<Contact, Refused> {
    if retain {
        return Err(Refused::Retained);
    }
    if dup {
        return Err(Refused::Duplicate);
    }
    let unknown = || Refused::Unknown { found: shortened(payload) };
    let text = str::from_utf8(payload).map_err(|_| unknown())?.trim();
    let word = unquoted(text).trim();
    [("on", Contact::On), ("off", Contact::Off), ("press", Contact::Press)]
        .into_iter()
        .find(|(known, _)| word.eq_ignore_ascii_case(known))
        .map(|(_, contact)| contact)
        .ok_or_else(unknown)
}

/// The text inside one pair of equal quotes, else the text.
fn unquoted(text: &str) -> &str {
    ['"', '\''].into_iter().find_map(|quote| text.strip_prefix(quote)?.strip_suffix(quote)).unwrap_or(text)
}

/// At most 40 characters of what was sent, fit to be shown.
fn shortened(payload: &[u8]) -> String {
    const MOST: usize = 40;
    let head = payload.get(..payload.len().min(4 * MOST)).unwrap_or_default();
    let text: String = String::from_utf8_lossy(head)
        .chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .take(MOST + 1)
        .collect();
    if text.chars().count() > MOST { text.chars().take(MOST).chain(['…']).collect() } else { text }
}

#[cfg(test)]
mod test {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn any_button_is_understood() {
        for (payload, contact) in [
            ("on", Contact::On),
            ("OFF", Contact::Off),
            (" Press\r\n", Contact::Press),
            ("\"press\"", Contact::Press),
            ("' on '", Contact::On),
        ] {
            assert_eq!(trigger_meaning(payload.as_bytes(), false, false), Ok(contact), "{payload:?}");
        }
    }

    #[test]
    fn what_the_broker_kept_or_repeats_starts_nothing() {
        assert_eq!(trigger_meaning(b"press", true, false), Err(Refused::Retained));
        assert_eq!(trigger_meaning(b"press", false, true), Err(Refused::Duplicate));
        assert_eq!(trigger_meaning(b"press", true, true), Err(Refused::Retained));
    }

    #[test]
    fn anything_else_is_refused_with_what_was_found() {
        for payload in ["", "1", "true", "onn", "\"on", "on off", "{\"on\":1}"] {
            let refused = trigger_meaning(payload.as_bytes(), false, false).expect_err(payload);
            assert_eq!(refused, Refused::Unknown { found: payload.into() });
        }
        let long = trigger_meaning(&vec![b'x'; 100_000], false, false).expect_err("long");
        assert!(long.to_string().len() < 120, "{long}");
    }

    proptest! {
        #[test]
        fn no_payload_panics(payload: Vec<u8>) {
            let _ = trigger_meaning(&payload, false, false);
        }
    }
}
