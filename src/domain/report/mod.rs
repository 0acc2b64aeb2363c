//! How it is told: the documents that leave the bench, as `CloudEvents` 1.0 in structured JSON.
//!
//! Every figure carries the digits as they were read (`text`), a unit from the fixed list of UCUM
//! codes, and where it came from. `value` is for machines that want a number; nothing that
//! decides is ever computed from it.

mod change;
mod equipment;
mod incident;
mod intake;
mod measure;
mod quality;
mod preparation;
mod record;
mod repeat;
mod result;
mod solution;
mod review;
mod signed;
mod variant;
mod weighing;
pub mod laboratory;

pub use measure::{applied, figure, time};
pub use signed::{Signed, SigningKey, key_set, to_sign, with_signature};

use super::bench::{Bench, Event, Input};
use super::moment::Moment;
use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

/// Where the schemas of the documents are named (RFC 2606 reserves the domain; the schemas
/// themselves ship with the program, under `docs/schema`).
const SCHEMAS: &str = "https://stillstand.example/schema";

/// What a document is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DocumentKind {
    /// A completed specimen.
    Record,
    /// The result of a sample.
    Result,
    /// One weighing.
    Weighing,
}

impl DocumentKind {
    /// Its name in topics and in the outbox.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Record => "record",
            Self::Result => "result",
            Self::Weighing => "weighing",
        }
    }

    const fn event_type(self) -> &'static str {
        match self {
            Self::Record => "example.stillstand.specimen.recorded.v1",
            Self::Result => "example.stillstand.sample.resulted.v1",
            Self::Weighing => "example.stillstand.weighing.taken.v1",
        }
    }

    /// Name and version of its schema.
    const fn schema(self) -> &'static str {
        match self {
            Self::Record => "specimen-record/1.0.0",
            Self::Result => "sample-result/1.0.0",
            Self::Weighing => "weighing/1.0.0",
        }
    }

    /// The same for a document that tells more than the first version can.
    const fn fuller_schema(self) -> &'static str {
        match self {
            Self::Record => "specimen-record/1.1.0",
            Self::Result => "sample-result/1.1.0",
            Self::Weighing => "weighing/1.1.0",
        }
    }

    /// The same for a document that tells what only some laboratories have: what came with the bag,
    /// equipment, solutions, a method with more than two levels and their ratio.
    const fn fullest_schema(self) -> &'static str {
        match self {
            Self::Record => "specimen-record/1.2.0",
            Self::Result => "sample-result/1.2.0",
            Self::Weighing => "weighing/1.2.0",
        }
    }

    /// The same for a document that says who weighed a mass.
    const fn naming_schema(self) -> &'static str {
        match self {
            Self::Record => "specimen-record/1.4.0",
            Self::Result => "sample-result/1.4.0",
            Self::Weighing => "weighing/1.3.0",
        }
    }

    /// A document names the oldest version of its schema that describes it, so that a reader who
    /// knows only that reads on.
    fn schema_of(self, data: &Value) -> &'static str {
        match self {
            _ if names_who_weighed(data) => self.naming_schema(),
            _ if tells_most(data) => self.fullest_schema(),
            _ if tells_more(data) => self.fuller_schema(),
            _ => self.schema(),
        }
    }
}

/// Name and version of the schema of the notice that stands for a document which is too large.
const NOTICE_SCHEMA: &str = "toolarge-notice/1.0.0";

/// The `$id` of a schema.
fn schema_id(schema: &str) -> String {
    format!("{SCHEMAS}/{schema}")
}

/// The `$id` of the schema of the too-large notice.
pub fn notice_schema() -> String {
    schema_id(NOTICE_SCHEMA)
}

/// Whether a document tells what only version 1.2 of its schema knows.
fn tells_most(data: &Value) -> bool {
    const ONLY: [&str; 11] = [
        "/sample/particulars",
        "/specimen/inPlaceOf",
        "/equipment",
        "/shakerCycles",
        "/solution",
        "/preparation",
        "/precision",
        "/acceptance",
        "/notCounted",
        "/uncertainty",
        "/review",
    ];
    variant::is_one(data) || quality::is_told(data) || ONLY.iter().any(|key| data.pointer(key).is_some())
}

/// The `$id` of the schema of every document that this program publishes in order.
pub fn schemas() -> Vec<String> {
    let kinds = [DocumentKind::Record, DocumentKind::Result, DocumentKind::Weighing];
    let fuller = kinds.map(DocumentKind::fuller_schema);
    let fullest = kinds.map(DocumentKind::fullest_schema);
    let signed = kinds.into_iter().filter_map(DocumentKind::signed_schema);
    let naming = kinds.map(DocumentKind::naming_schema);
    let later = fuller.into_iter().chain(fullest).chain(signed).chain(naming).chain([NOTICE_SCHEMA]);
    kinds.map(DocumentKind::schema).into_iter().chain(later).map(schema_id).collect()
}

/// The journal at the instant of a document: a reader who holds the document can tell whether
/// the journal's tail was cut off behind it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// Identity of the journal.
    pub journal: Uuid,
    /// Sequence number of the last chained event.
    pub sequence: u64,
    /// Its link, lower-case hexadecimal.
    pub link: String,
}

/// A document as a tree, to look into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Document {
    /// Identity; a document that is sent again keeps it.
    pub id: Uuid,
    /// What it is.
    pub kind: DocumentKind,
    /// What it is about: the specimen, the sample, the weighing.
    pub subject: Uuid,
    /// Its number: consumers take only the next one of a journal.
    pub number: u64,
    /// The whole envelope.
    pub json: Value,
}

/// A document ready to be queued: the text as it goes out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ready {
    /// Identity; a document that is sent again keeps it.
    pub id: Uuid,
    /// What it is.
    pub kind: DocumentKind,
    /// What it is about: the specimen, the sample, the weighing.
    pub subject: Uuid,
    /// The whole envelope as JSON.
    pub text: String,
}

/// Whether an event calls for a document.
pub const fn is_told(event: &Event) -> bool {
    matches!(
        event,
        Event::SpecimenCompleted { .. }
            | Event::RecordAmended { .. }
            | Event::SampleCompleted { .. }
            | Event::ResultAmended { .. }
            | Event::WeighingTaken { .. }
    )
}

/// The document that an event calls for, if it calls for one. `bench` is the state after it.
pub fn ready(bench: &Bench, event: &Event, input: &Input, head: &Head) -> Option<Ready> {
    if !is_told(event) {
        return None;
    }
    let told = |id, kind, subject, schema, data| {
        let ids = (id, subject, bench.next_number);
        let text = Envelope::of(kind, schema, ids, &input.moment, head, data).text();
        Ready { id, kind, subject, text }
    };
    let (id, kind, subject, data) = match event {
        Event::SpecimenCompleted { specimen, record, .. } | Event::RecordAmended { specimen, record, .. } => {
            let specimen = bench.find(*specimen)?;
            (*record, DocumentKind::Record, specimen.id, record::data(bench, specimen, head)?)
        }
        Event::SampleCompleted { sample, document, average } => {
            let sample = bench.find_sample(*sample)?;
            (*document, DocumentKind::Result, sample.id, result::data(bench, sample, Some(average), head)?)
        }
        Event::ResultAmended { sample, document, average } => {
            let sample = bench.find_sample(*sample)?;
            (*document, DocumentKind::Result, sample.id, result::data(bench, sample, average.as_ref(), head)?)
        }
        Event::WeighingTaken { weighing } => {
            let text = weighing::text(bench, weighing, input, head);
            return Some(Ready { id: weighing.id, kind: DocumentKind::Weighing, subject: weighing.id, text });
        }
        _ => return None,
    };
    Some(told(id, kind, subject, kind.schema_of(&data), data))
}

/// The same as a tree.
pub fn document(bench: &Bench, event: &Event, input: &Input, head: &Head) -> Option<Document> {
    let Ready { id, kind, subject, text } = ready(bench, event, input, head)?;
    let json = serde_json::from_str(&text).unwrap_or_default();
    Some(Document { id, kind, subject, number: bench.next_number, json })
}

/// What 1.1.0 added to the documents, wherever it stands in them.
const FULLER: [&str; 9] =
    ["incidents", "repeat", "changes", "stableBy", "lines", "correction", "confirmed", "certificate", "room"];

fn tells_more(data: &Value) -> bool {
    holds(data, &FULLER)
}

/// Whether a document says who weighed a mass, wherever the mass stands in it.
fn names_who_weighed(data: &Value) -> bool {
    holds(data, &["weighedBy"])
}

/// Whether one of these keys stands anywhere in it.
fn holds(data: &Value, keys: &[&str]) -> bool {
    match data {
        Value::Object(fields) => {
            fields.iter().any(|(key, inner)| keys.contains(&key.as_str()) || holds(inner, keys))
        }
        Value::Array(items) => items.iter().any(|inner| holds(inner, keys)),
        _ => false,
    }
}

/// What is around every document (`CloudEvents` 1.0.2, sections 3.1 and 3.2, and its extension
/// `sequence`). Fields stand in the order of their names.
#[derive(Debug, Serialize)]
struct Envelope<D> {
    data: D,
    datacontenttype: &'static str,
    dataschema: String,
    id: Uuid,
    sequence: String,
    source: String,
    specversion: &'static str,
    subject: Uuid,
    time: String,
    #[serde(rename = "type")]
    event_type: &'static str,
}

impl<D: Serialize> Envelope<D> {
    /// `ids`: the document's own identity, what it is about, its number.
    fn of(
        kind: DocumentKind,
        schema: &str,
        ids: (Uuid, Uuid, u64),
        at: &Moment,
        head: &Head,
        data: D,
    ) -> Self {
        let (id, subject, number) = ids;
        Self {
            data,
            datacontenttype: "application/json",
            dataschema: schema_id(schema),
            id,
            sequence: format!("{number:010}"),
            source: format!("urn:uuid:{}", head.journal),
            specversion: "1.0",
            subject,
            time: measure::time(at.wall_ns),
            event_type: kind.event_type(),
        }
    }

    fn text(&self) -> String {
        // Plain data with string keys, which always serialises.
        serde_json::to_string(self).unwrap_or_default()
    }
}

/// Puts a part into an object. `json!` would copy it.
fn put(whole: &mut Value, key: &str, part: Value) {
    if let Value::Object(fields) = whole {
        fields.insert(key.to_owned(), part);
    }
}

/// Who made a document, with its journal's head. Fields stand in the order of their names.
#[derive(Debug, Serialize)]
struct StationTold<'a> {
    id: &'a str,
    journal: JournalTold<'a>,
    rehearsal: bool,
    software: String,
    title: &'a str,
}

#[derive(Debug, Serialize)]
struct JournalTold<'a> {
    id: Uuid,
    link: &'a str,
    sequence: u64,
}

impl<'a> StationTold<'a> {
    fn of(bench: &'a Bench, head: &'a Head) -> Self {
        Self {
            id: &bench.station,
            journal: JournalTold { id: head.journal, link: &head.link, sequence: head.sequence },
            rehearsal: bench.rehearsal,
            software: format!("stillstand {}", bench.version),
            title: &bench.title,
        }
    }
}

fn station(bench: &Bench, head: &Head) -> Value {
    serde_json::to_value(StationTold::of(bench, head)).unwrap_or_default()
}
