//! What is put on the wire: presence, notices, and the properties of each publish. PURE.

use super::{OutboxRow, RetainedMessage};
use crate::domain::report;
use crate::journal::chain;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Publish, PublishProperties};
use serde_json::{Value, json};
use uuid::Uuid;

/// Content type of every document (`CloudEvents` 1.0.2, MQTT binding, structured mode).
pub const DOCUMENT_TYPE: &str = "application/cloudevents+json";
/// Content type of retained state, presence and replies.
pub const STATE_TYPE: &str = "application/json";
/// `type` of the notice that stands for a document over the broker's packet limit.
pub const TOO_LARGE_TYPE: &str = "example.stillstand.document.toolarge.v1";

/// Whether the station is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Presence {
    /// It is connected.
    Online,
    /// It was stopped in good order.
    Offline,
    /// The broker lost it: only in the will.
    Lost,
}

/// The presence document. `connected` is when this connection began, `since` when the state did;
/// the will cannot know the latter and leaves it out. Times are RFC 3339.
pub fn presence(state: Presence, session: Uuid, connected: &str, since: Option<&str>) -> String {
    let word = match state {
        Presence::Online => "online",
        Presence::Offline => "offline",
        Presence::Lost => "lost",
    };
    let mut document = json!({ "state": word, "session": session, "connected": connected });
    if let (Some(since), Some(fields)) = (since, document.as_object_mut()) {
        fields.insert("since".into(), since.into());
    }
    document.to_string()
}

/// RFC 3339 in UTC with milliseconds, from nanoseconds since 1970.
pub fn rfc3339(wall_ns: i64) -> String {
    jiff::Timestamp::from_nanosecond(i128::from(wall_ns))
        .map_or_else(|_| String::new(), |at| format!("{at:.3}"))
}

/// The reply to an ask that nobody judged.
pub fn refusal(text: &str) -> String {
    json!({ "outcome": "refused", "text": text }).to_string()
}

/// A number as text that sorts like the number (`CloudEvents` extension `sequence`).
pub fn sequence(number: u64) -> String {
    format!("{number:010}")
}

/// The publish of a document, at `QoS` 1, never retained, without expiry.
pub fn document(row: &OutboxRow) -> Publish {
    envelope(row, row.payload.clone())
}

/// The publish of the notice that takes the place and the number of a document which needs
/// `bytes` where the broker takes `limit`. Same id and number, so that a consumer goes on to the
/// next number and knows what it is missing; the document itself stays in the journal.
pub fn too_large(row: &OutboxRow, bytes: u64, limit: u64) -> Publish {
    let original: Value = serde_json::from_str(&row.payload).unwrap_or(Value::Null);
    let kept = |name: &str, otherwise: &str| match original.get(name).and_then(Value::as_str) {
        Some(text) => text.to_owned(),
        None => otherwise.to_owned(),
    };
    // Whoever fetches the document later can tell that it is the one.
    let sha256 = chain::hex(&chain::sha256(row.payload.as_bytes()));
    let notice = json!({
        "specversion": "1.0",
        "id": row.id,
        "source": kept("source", row.topic.rsplit_once('/').map_or("", |(base, _)| base)),
        "type": TOO_LARGE_TYPE,
        "subject": row.subject,
        "time": kept("time", &rfc3339(row.made_at_ns)),
        "sequence": kept("sequence", &sequence(row.number)),
        "datacontenttype": STATE_TYPE,
        "dataschema": report::notice_schema(),
        "data": { "kind": row.kind, "bytes": bytes, "limit": limit, "sha256": sha256 },
    });
    envelope(row, notice.to_string())
}

fn envelope(row: &OutboxRow, payload: String) -> Publish {
    let properties = PublishProperties {
        payload_format_indicator: Some(1),
        content_type: Some(DOCUMENT_TYPE.into()),
        user_properties: vec![("sequence".into(), sequence(row.number))],
        ..PublishProperties::default()
    };
    Publish::new(row.topic.as_str(), QoS::AtLeastOnce, payload, Some(properties))
}

/// The publish of one retained message; `None` clears the topic.
pub fn retained(topic: &str, message: Option<&RetainedMessage>) -> Publish {
    let mut publish = match message {
        Some(message) => {
            let properties = PublishProperties {
                payload_format_indicator: Some(1),
                content_type: Some(STATE_TYPE.into()),
                message_expiry_interval: message.expiry_s,
                ..PublishProperties::default()
            };
            let qos = if message.qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce };
            Publish::new(topic, qos, message.payload.clone(), Some(properties))
        }
        None => Publish::new(topic, QoS::AtLeastOnce, Vec::new(), None),
    };
    publish.retain = true;
    publish
}

/// Bytes of the packet that this publish needs on the wire.
pub fn packet_bytes(publish: &Publish) -> u64 {
    // The packet id is given later and takes two bytes.
    let id = if publish.qos == QoS::AtMostOnce { 0 } else { 2 };
    u64::try_from(publish.size()).unwrap_or(u64::MAX).saturating_add(id)
}

#[cfg(test)]
mod test {
    use super::*;

    fn row() -> OutboxRow {
        OutboxRow {
            number: 42,
            id: "018f2b1e-0000-7000-8000-000000000042".into(),
            kind: "specimen-record".into(),
            topic: "stillstand/1/b1/record".into(),
            subject: "specimen-7".into(),
            payload: json!({"specversion":"1.0","source":"urn:uuid:5","time":"2026-01-02T03:04:05Z","data":"x".repeat(5000)})
                .to_string(),
            made_at_ns: 1_790_000_000_123_456_789,
            acked_at_ns: None,
        }
    }

    #[test]
    fn a_notice_keeps_id_number_and_source_and_is_small() {
        let publish = too_large(&row(), 6000, 2000);
        assert!(packet_bytes(&publish) < 900, "{}", packet_bytes(&publish));
        let notice: Value = serde_json::from_slice(&publish.payload).unwrap();
        assert_eq!(notice["id"], "018f2b1e-0000-7000-8000-000000000042");
        assert_eq!(notice["sequence"], "0000000042");
        assert_eq!(notice["source"], "urn:uuid:5");
        assert_eq!(notice["data"]["limit"], 2000);
        assert_eq!(publish.topic, document(&row()).topic);
    }

    #[test]
    fn a_document_that_is_no_json_still_gets_a_valid_notice() {
        let publish = too_large(&OutboxRow { payload: "\u{1}".repeat(9000), ..row() }, 9000, 1000);
        let notice: Value = serde_json::from_slice(&publish.payload).unwrap();
        assert_eq!(notice["source"], "stillstand/1/b1");
        assert_eq!(notice["time"], "2026-09-21T14:13:20.123Z");
    }

    #[test]
    fn the_size_is_that_of_the_packet_on_the_wire() {
        let mut publish = document(&row());
        let told = packet_bytes(&publish);
        publish.pkid = 77;
        let mut wire = bytes::BytesMut::new();
        publish.write(&mut wire).unwrap();
        assert_eq!(told, u64::try_from(wire.len()).unwrap());
    }

    #[test]
    fn the_will_does_not_claim_to_know_when_it_happened() {
        let will = presence(Presence::Lost, Uuid::from_u128(9), "2026-01-02T03:04:05.000Z", None);
        let will: Value = serde_json::from_str(&will).unwrap();
        assert_eq!(will["state"], "lost");
        assert!(will.get("since").is_none());
    }

    fn faults(schema: &str, document: &Value) -> Vec<String> {
        let path = format!("{}/docs/schema/{schema}.schema.json", env!("CARGO_MANIFEST_DIR"));
        let schema = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
        let validator = jsonschema::options().should_validate_formats(true).build(&schema).unwrap();
        validator.iter_errors(document).map(|e| format!("{}: {e}", e.instance_path())).collect()
    }

    #[test]
    fn presence_is_as_its_schema_says() {
        let at = "2026-01-02T03:04:05.000Z";
        for (state, since) in
            [(Presence::Online, Some(at)), (Presence::Offline, Some(at)), (Presence::Lost, None)]
        {
            let document: Value =
                serde_json::from_str(&presence(state, Uuid::from_u128(9), at, since)).unwrap();
            assert_eq!(faults("status", &document), Vec::<String>::new());
        }
        let silent: Value = serde_json::from_str(&presence(Presence::Online, Uuid::nil(), at, None)).unwrap();
        assert_ne!(faults("status", &silent), Vec::<String>::new(), "only a will may leave `since` out");
    }

    #[test]
    fn a_notice_is_as_its_schema_says_and_names_the_documents_digest() {
        let subject = "019f0000-0000-7000-8000-000000000007".to_owned();
        let time = json!({"time": "2026-01-02T03:04:05.000Z"}).to_string();
        let row = OutboxRow { kind: "record".into(), subject, payload: time, ..row() };
        let notice: Value = serde_json::from_slice(&too_large(&row, 6000, 2000).payload).unwrap();
        assert_eq!(faults("toolarge-notice", &notice), Vec::<String>::new());
        // By Python's hashlib.
        let digest = "dccea1a2baa0962f2b76bbebe9fe31d0f3edf523654ffa72287dab86bef9ccc9";
        assert_eq!(notice["data"]["sha256"], digest);
    }
}
