//! An ask whose reply topic and correlation stand in its payload: for a client or a broker of MQTT
//! 3.1.1, which has no place for them beside the payload. The station takes it on either protocol.
//! PURE.
//!
//! ```json
//! { "reply-to": "reply/desk/1", "correlation": "a17", "ask": {} }
//! ```
//!
//! The reply is `{ "correlation": "a17", "reply": … }`.

use serde::Deserialize;
use serde_json::value::RawValue;
use uuid::Uuid;

/// An ask in an envelope.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Envelope<'a> {
    /// Where the reply goes.
    pub reply_to: String,
    /// What the sender knows the reply by.
    pub correlation: String,
    /// What is asked.
    #[serde(borrow)]
    pub ask: &'a RawValue,
}

/// The envelope around a payload; none for a plain one. What looks like an envelope and is none is
/// judged as a plain payload, and refused there.
pub fn open(payload: &[u8]) -> Option<Envelope<'_>> {
    serde_json::from_slice(payload).ok()
}

/// The reply in its envelope.
pub fn reply(correlation: &str, reply: &str) -> String {
    let inner: serde_json::Value =
        serde_json::from_str(reply).unwrap_or_else(|_| serde_json::Value::String(reply.to_owned()));
    serde_json::json!({ "correlation": correlation, "reply": inner }).to_string()
}

/// What a response topic and a correlation come to: the same for the same two, and for no others.
pub fn key(response_topic: &str, correlation: &[u8]) -> Uuid {
    let mut text = Vec::with_capacity(response_topic.len() + correlation.len() + 1);
    text.extend_from_slice(response_topic.as_bytes());
    // No topic holds a zero (MQTT 5, section 1.5.4), so that the two parts cannot run together.
    text.push(0);
    text.extend_from_slice(correlation);
    let digest = crate::journal::chain::sha256(&text);
    let mut bytes = [0; 16];
    bytes.iter_mut().zip(digest.iter()).for_each(|(to, from)| *to = *from);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn an_envelope_is_opened_and_anything_else_is_left_as_it_is() {
        let opened = open(br#"{"reply-to":"reply/d","correlation":"7","ask":{"id":1}}"#).unwrap();
        assert_eq!((opened.reply_to.as_str(), opened.correlation.as_str()), ("reply/d", "7"));
        assert_eq!(opened.ask.get(), r#"{"id":1}"#);
        for plain in
            ["", "{}", "[1]", r#"{"id":1}"#, r#"{"reply-to":"a","correlation":"b","ask":1,"more":2}"#]
        {
            assert!(open(plain.as_bytes()).is_none(), "{plain}");
        }
        assert!(open(&[0xff, 0xfe]).is_none());
    }

    #[test]
    fn the_two_parts_of_a_key_do_not_run_together() {
        assert_eq!(key("reply/a", b"1"), key("reply/a", b"1"));
        assert_ne!(key("reply/a", b"1"), key("reply/a1", b""));
        assert_ne!(key("reply/a", b"1"), key("reply/b", b"1"));
    }
}
