//! Every kind of message that leaves the station, with the schema of its version: an archive reads
//! them for years.

use super::super::documents::{
    JOURNAL, broken_story, faults, kept_story, published, published_before, shown_stories,
};
use super::*;
use crate::domain::overview::overview;
use crate::domain::report::{Document, DocumentKind, Ready, key_set};
use crate::journal::OutboxRow;
use crate::network::documents::{self, Presence};
use crate::network::message;
use crate::signing::Key;
use std::collections::BTreeMap;

/// One message of each kind, by the name of its schema.
fn messages() -> BTreeMap<String, Value> {
    let mut messages = BTreeMap::new();
    for story in &shown_stories() {
        for (topic, message) in message::retained(&story.bench, JOURNAL, &at(story.now_ns), 1).topics {
            let kind = topic.split('/').nth(3).unwrap().to_owned();
            let body: Value = serde_json::from_slice(&message.payload).unwrap();
            // The fullest says most.
            let fuller = |old: &Value| shape(old).len() < shape(&body).len();
            if messages.get(&kind).is_none_or(fuller) {
                messages.insert(kind, body);
            }
        }
    }
    for story in shown_stories().iter().chain(&super::events::told()) {
        let said = overview(&story.bench, &at(story.now_ns), Some(2), true);
        let body = serde_json::to_value(said).unwrap();
        let fuller = |old: &Value| shape(old).len() < shape(&body).len();
        if messages.get("overview").is_none_or(fuller) {
            messages.insert("overview".to_owned(), body);
        }
    }
    for document in [published_before(&broken_story()), published_before(&kept_story(t176()))].concat() {
        let name = match document.kind {
            DocumentKind::Record => "specimen-record",
            DocumentKind::Result => "sample-result",
            DocumentKind::Weighing => "weighing",
        };
        messages.entry(name.to_owned()).or_insert(document.json);
    }
    fuller_messages(&mut messages);
    let text = documents::presence(
        Presence::Online,
        JOURNAL,
        "2026-09-21T14:13:20.000Z",
        Some("2026-09-21T14:13:20.000Z"),
    );
    messages.insert("status".to_owned(), serde_json::from_str(&text).unwrap());
    messages.insert("toolarge-notice".to_owned(), notice(&messages["specimen-record"]));
    messages.insert("keys".to_owned(), key_set(&[key().public().clone()]));
    messages
}

/// What only other stories show: documents of later versions, the room, consumers.
fn fuller_messages(messages: &mut BTreeMap<String, Value>) {
    let mut take = |name: String, body: Value| {
        if messages.get(&name).is_none_or(|old| shape(old).len() < shape(&body).len()) {
            messages.insert(name, body);
        }
    };
    for story in &super::events::told() {
        for (topic, message) in message::retained(&story.bench, JOURNAL, &at(story.now_ns), 1).topics {
            let kind = topic.split('/').nth(3).unwrap();
            if ["consumers", "reading"].contains(&kind) {
                take(kind.to_owned(), serde_json::from_slice(&message.payload).unwrap());
            }
        }
        for document in [published(story), published_before(story)].concat() {
            if let Some((name, signed)) = signed(&document) {
                take(name, signed);
            }
            if let Some(name) = name_of(&document.json) {
                take(name, document.json);
            }
        }
    }
}

/// Name of a document's schema with its version; `None`: it names the first one.
fn name_of(document: &Value) -> Option<String> {
    let (named, version) = document["dataschema"].as_str().unwrap().rsplit_once('/').unwrap();
    let later = version.strip_suffix(".0").filter(|v| *v != "1.0")?;
    Some(format!("{}-{later}", named.rsplit('/').next().unwrap()))
}

/// A key that is no secret.
fn key() -> Key {
    Key::from_seed(&[42; 32]).unwrap()
}

/// A document as it goes out of a station that has a key.
fn signed(document: &Document) -> Option<(String, Value)> {
    if document.kind == DocumentKind::Weighing {
        return None;
    }
    let Document { id, kind, subject, .. } = *document;
    let mut ready = Ready { id, kind, subject, text: document.json.to_string() };
    key().sign(&mut ready);
    let signed: Value = serde_json::from_str(&ready.text).unwrap();
    Some((name_of(&signed)?, signed))
}

fn notice(record: &Value) -> Value {
    let row = OutboxRow {
        number: 3,
        id: record["id"].as_str().unwrap().to_owned(),
        kind: "record".to_owned(),
        topic: "stillstand/1/bench-a/record".to_owned(),
        subject: record["subject"].as_str().unwrap().to_owned(),
        payload: record.to_string(),
        made_at_ns: at(0).wall_ns,
        acked_at_ns: None,
    };
    serde_json::from_slice(&documents::too_large(&row, 9000, 4096).payload).unwrap()
}

fn schemas() -> Vec<String> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/schema");
    let file = |e: std::io::Result<std::fs::DirEntry>| e.unwrap().file_name().to_string_lossy().into_owned();
    let mut names: Vec<_> = std::fs::read_dir(folder).unwrap().map(file).collect();
    names.retain(|name| name.ends_with(".schema.json"));
    names.sort();
    names
}

fn schema_text(file: &str) -> String {
    std::fs::read_to_string(format!("{}/docs/schema/{file}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn validator(schema: &Value) -> jsonschema::Validator {
    jsonschema::options().should_validate_formats(true).build(schema).unwrap()
}

#[test]
fn every_message_is_frozen_with_its_schema_and_a_schema_changes_only_with_its_version() {
    let (messages, mut missing) = (messages(), Missing::default());
    for file in schemas() {
        let name = file.trim_end_matches(".schema.json");
        let text = schema_text(&file);
        let schema: Value = serde_json::from_str(&text).unwrap();
        let version = schema["$id"].as_str().unwrap().rsplit('/').next().unwrap();
        let today = messages.get(name).unwrap_or_else(|| panic!("no message shows `{file}`"));
        let faults = faults(&validator(&schema), today);
        assert!(faults.is_empty(), "{name}: {faults:#?}");
        let frozen_schema = missing.frozen(&format!("messages/{name}-{version}.schema.json"), &text);
        let pretty = serde_json::to_string_pretty(today).unwrap() + "\n";
        let frozen = missing.frozen(&format!("messages/{name}-{version}.json"), &pretty);
        let (Some(frozen_schema), Some(frozen)) = (frozen_schema, frozen) else { continue };
        let frozen_schema: Value = serde_json::from_str(&frozen_schema).unwrap();
        assert_eq!(schema, frozen_schema, "{file} changed: that is a new version, with a new `$id`");
        let new: Vec<_> =
            shape(today).difference(&shape(&serde_json::from_str(&frozen).unwrap())).cloned().collect();
        assert!(new.is_empty(), "{name} {version} has what its frozen message has not: {new:?}");
    }
    missing.tell();
}

#[test]
fn every_frozen_message_is_as_the_schema_of_its_own_version_says() {
    let names = names("messages");
    let messages: Vec<_> = names.iter().filter(|n| !n.ends_with(".schema.json")).collect();
    assert!(messages.len() >= schemas().len() || blessing());
    for name in messages {
        let read = |name: &str| -> Value {
            serde_json::from_str(&std::fs::read_to_string(folder().join(name)).unwrap()).unwrap()
        };
        let schema = read(&name.replace(".json", ".schema.json"));
        let faults = faults(&validator(&schema), &read(name));
        assert!(faults.is_empty(), "{name}: {faults:#?}");
    }
}
