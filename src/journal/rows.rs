//! What is stored, row by row. Payloads are JSON text that others made and others read.

use super::chain::{Chain, Digest};
use uuid::Uuid;

/// An event before it has a place in the chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewEvent {
    /// The input that it came of; that input is stored in the same batch or before.
    pub input: Uuid,
    /// What kind of event.
    pub kind: String,
    /// Version of the payload's shape.
    pub version: u16,
    /// Whether it gets a link of its own. Only samples that come every few seconds do not: they
    /// are anchored, as a block, by the next event that does.
    pub chained: bool,
    /// When it happened, as JSON.
    pub moment: String,
    /// What happened, as JSON.
    pub payload: String,
}

/// An event with its place in the chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EventRow {
    /// Its number; numbers have no gaps.
    pub seq: u64,
    /// The input that it came of.
    pub input: Uuid,
    /// What kind of event.
    pub kind: String,
    /// Version of the payload's shape.
    pub version: u16,
    /// Whether it has a link of its own.
    pub chained: bool,
    /// When it happened, as JSON.
    pub moment: String,
    /// What happened, as JSON; absent once retention has blanked it.
    pub payload: Option<String>,
    /// SHA-256 of the payload, kept for ever.
    pub payload_hash: Digest,
    /// Unchained events since the last chained one.
    pub samples: u64,
    /// Digest of those.
    pub samples_digest: Option<Digest>,
    /// Newest document that this event anchors; 0 for none, and on samples.
    pub documents: u64,
    /// Digest of the documents since the last chained event.
    pub documents_digest: Option<Digest>,
    /// The link; absent on samples.
    pub link: Option<Digest>,
}

/// One input, accepted or refused. Events alone prove only how state follows from events; with
/// the inputs it can be shown why these events and no others.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputRow {
    /// Made by whoever sent it; the same id twice is refused.
    pub id: Uuid,
    /// Its moment, as JSON.
    pub at: String,
    /// The input, as JSON.
    pub payload: String,
    /// What came of it, as JSON: accepted, or refused and why.
    pub outcome: String,
}

/// A document before it has a number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewDocument {
    /// Its id on the network.
    pub id: String,
    /// What kind of document.
    pub kind: String,
    /// Where it is published.
    pub topic: String,
    /// What it is about.
    pub subject: String,
    /// The document as it is sent.
    pub payload: String,
    /// Wall time in nanoseconds since 1970-01-01T00:00:00Z.
    pub made_at_ns: i64,
}

/// A document on its way to the network, or arrived there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutboxRow {
    /// Its number; numbers have no gaps and give the order of sending.
    pub number: u64,
    /// Its id on the network; the same at every repetition.
    pub id: String,
    /// What kind of document.
    pub kind: String,
    /// Where it is published.
    pub topic: String,
    /// What it is about.
    pub subject: String,
    /// The document as it is sent.
    pub payload: String,
    /// Wall time in nanoseconds since 1970-01-01T00:00:00Z.
    pub made_at_ns: i64,
    /// When the network acknowledged it, up to the second in which that was stored; absent while it
    /// has not, and not written with the row. Not part of the chain.
    pub acked_at_ns: Option<i64>,
}

/// Something that has left the state, whole: it can be looked up and brought back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosedRow {
    /// Its identity. A later row of the same identity takes the place of the earlier one.
    pub id: Uuid,
    /// Name for people.
    pub label: String,
    /// When it left: wall time in nanoseconds since 1970-01-01T00:00:00Z. The first one stays.
    pub closed_ns: i64,
    /// The event that it includes last.
    pub seq: u64,
    /// All of it, as JSON.
    pub state: String,
    /// Identities of its parts, by which it is found too.
    pub parts: Vec<Uuid>,
}

/// One of those as it was read back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosedFound {
    /// Its place in the order of leaving, for the next page.
    pub number: u64,
    /// Its identity.
    pub id: Uuid,
    /// Name for people.
    pub label: String,
    /// When it left: wall time in nanoseconds.
    pub closed_ns: i64,
    /// The event that it includes last.
    pub seq: u64,
    /// All of it, as JSON.
    pub state: String,
}

/// What is looked for among what has left. Each bound that is given narrows it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ClosedWanted {
    /// Exactly this label.
    pub label: Option<String>,
    /// Left at or after this wall time in nanoseconds.
    pub from_ns: Option<i64>,
    /// Left before this wall time in nanoseconds.
    pub before_ns: Option<i64>,
    /// Only identities from the first on and below the second: those of version 7 (RFC 9562) stand
    /// in the order in which they were made.
    pub ids: Option<(Uuid, Uuid)>,
    /// None that left from the first wall time on and before the second.
    pub not_left: Option<(i64, i64)>,
    /// Only numbers below this one: the last of the page before.
    pub before: Option<u64>,
}

/// The heads before and after the rows of a batch, from whoever made them: the journal compares the
/// first with its own, and need not hash every row again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Continued {
    /// The head that the first row was made on.
    pub from: Chain,
    /// The head after the last row.
    pub to: Chain,
}

/// What is committed together: all of it, or none.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Batch {
    /// Inputs, refused ones too, in the order in which they were decided.
    pub inputs: Vec<InputRow>,
    /// Events as [`Chain::append`] made them, in order.
    pub events: Vec<EventRow>,
    /// Documents as [`Chain::document`] made them, in order.
    pub outbox: Vec<OutboxRow>,
    /// What left the state, or changed after it had left.
    pub closed: Vec<ClosedRow>,
    /// State after the event with this number, as JSON.
    pub snapshot: Option<(u64, String)>,
    /// The network acknowledged every document up to this number, at this wall time in nanoseconds.
    pub acked: Option<(u64, i64)>,
    /// Where its rows stand in the chain; without it every row is hashed again.
    pub continued: Option<Box<Continued>>,
    /// Number of the event that tells of a removal, before anything is removed.
    pub removal: Option<u64>,
}

impl Batch {
    /// There is nothing to store.
    pub fn is_empty(&self) -> bool {
        self.inputs.is_empty()
            && self.events.is_empty()
            && self.outbox.is_empty()
            && self.closed.is_empty()
            && self.snapshot.is_none()
            && self.acked.is_none()
            && self.removal.is_none()
    }
}

/// What a journal holds that a station needs to go on.
#[derive(Debug, Clone)]
pub struct Restored {
    /// Identity of the journal, as published.
    pub journal_id: Uuid,
    /// The identity before, when this opening found a restored backup and gave it a new one.
    pub restored_from: Option<Uuid>,
    /// Format of the file.
    pub format: u32,
    /// The head.
    pub chain: Chain,
    /// Newest state that was stored, and the number of the event that it includes last.
    pub snapshot: Option<(u64, String)>,
    /// Every event after that, samples too, in order.
    pub events_after: Vec<EventRow>,
    /// Number of the next document.
    pub outbox_next: u64,
}
