//! Removal: payloads are blanked, their hashes stay, and an event in the chain says up to where. A
//! payload that is gone without such an event is an altered one.
//!
//! The event is on the disk before the first payload goes. A crash in between leaves a journal that
//! verifies, and a removal that is not marked as done: it is gone on with.

use super::chain::sha256;
use super::listed;
use super::rows::{EventRow, OutboxRow};
use super::sql::{self, signed, unsigned};
use rusqlite::{Connection, OptionalExtension, Transaction};
use serde::{Deserialize, Serialize};

/// Kind of the event that tells of a removal.
pub(super) const KIND: &str = "payloads-removed";

/// Up to where a removal goes. It stands under `through` in the payload of the event that tells of
/// it; 0: nothing of that kind. What stands in the range may have been left there, never the reverse.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Through {
    /// Number of the last event, of those without a link of their own.
    pub samples: u64,
    /// Number of the last event, of those with one.
    pub events: u64,
    /// Number of the last document.
    pub documents: u64,
    /// Number of the last input, in the order of deciding.
    pub inputs: u64,
}

/// One step of a removal: all of it in one transaction.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Blank {
    /// Numbers of events.
    pub events: Vec<u64>,
    /// Numbers of documents; only those that the network acknowledged can be blanked.
    pub documents: Vec<u64>,
    /// Numbers of inputs.
    pub inputs: Vec<u64>,
    /// Numbers of what has left the state.
    pub closed: Vec<u64>,
}

/// A removal that the journal tells of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Blanked {
    /// Number of the event that tells of it.
    pub seq: u64,
    /// Every payload that it names is gone.
    pub done: bool,
    /// Up to where.
    pub through: Through,
    /// The event's payload, as JSON.
    pub payload: String,
}

impl Through {
    /// The further of both, for each kind.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self {
            samples: self.samples.max(other.samples),
            events: self.events.max(other.events),
            documents: self.documents.max(other.documents),
            inputs: self.inputs.max(other.inputs),
        }
    }
}

/// Notes that an event tells of a removal.
pub(super) fn put(tx: &Transaction, seq: u64) -> rusqlite::Result<()> {
    tx.execute("INSERT INTO removal (seq, done) VALUES (?1, 0)", [signed(seq)]).map(drop)
}

/// Everything that an event names is gone, from the index of words too.
pub(super) fn done(conn: &Connection, seq: u64) -> rusqlite::Result<()> {
    listed::compact(conn)?;
    conn.execute("UPDATE removal SET done = 1 WHERE seq = ?1", [signed(seq)]).map(drop)
}

/// All removals, oldest first. One whose event does not say how far it goes covers nothing.
pub(super) fn all(conn: &Connection) -> rusqlite::Result<Vec<Blanked>> {
    // `CROSS`: by itself the database may go through all events to find the few that are pointed at.
    conn.prepare(
        "SELECT r.seq, r.done, e.payload FROM removal r CROSS JOIN event e ON e.seq = r.seq \
         WHERE e.kind = ?1 ORDER BY r.seq",
    )?
    .query_map([KIND], |row| {
        let payload: Option<String> = row.get(2)?;
        let payload = payload.unwrap_or_default();
        let value: serde_json::Value = serde_json::from_str(&payload).unwrap_or_default();
        let through = value.get("through").cloned().and_then(|t| serde_json::from_value(t).ok());
        Ok(Blanked {
            seq: unsigned(row, 0)?,
            done: row.get(1)?,
            through: through.unwrap_or_default(),
            payload,
        })
    })?
    .collect()
}

/// Blanks what a step names; what is blank already stays as it is.
pub(super) fn blank(tx: &Transaction, step: &Blank) -> rusqlite::Result<()> {
    let mut event = tx.prepare_cached("UPDATE event SET payload = NULL WHERE seq = ?1")?;
    for seq in &step.events {
        event.execute([signed(*seq)])?;
    }
    let mut input = tx.prepare_cached(
        "UPDATE input SET at = '', payload = '', outcome = '' WHERE number = ?1 AND payload <> ''",
    )?;
    for number in &step.inputs {
        input.execute([signed(*number)])?;
    }
    let mut read = tx.prepare_cached("SELECT payload FROM outbox WHERE number = ?1 AND payload <> ''")?;
    let mut document =
        tx.prepare_cached("UPDATE outbox SET payload = '', payload_hash = ?2 WHERE number = ?1")?;
    for number in &step.documents {
        let payload: Option<String> = read.query_row([signed(*number)], |row| row.get(0)).optional()?;
        if let Some(payload) = payload {
            document.execute((signed(*number), sha256(payload.as_bytes())))?;
        }
        listed::forget(tx, *number)?;
    }
    let mut closed = tx.prepare_cached("UPDATE closed SET state = '' WHERE number = ?1")?;
    for number in &step.closed {
        closed.execute([signed(*number)])?;
    }
    Ok(())
}

/// The hash of a document's payload that was blanked.
pub(super) fn hash_of(conn: &Connection, number: u64) -> rusqlite::Result<Option<[u8; 32]>> {
    let hash = conn
        .prepare_cached("SELECT payload_hash FROM outbox WHERE number = ?1")?
        .query_row([signed(number)], |row| row.get(0))
        .optional()?;
    Ok(hash.flatten())
}

/// Number and moment of events: what stands in front of the payload, which is not read.
pub(super) fn moments(conn: &Connection, after: u64, limit: u32) -> rusqlite::Result<Vec<(u64, String)>> {
    conn.prepare_cached("SELECT seq, moment FROM event WHERE seq > ?1 ORDER BY seq LIMIT ?2")?
        .query_map((signed(after), limit), |row| Ok((unsigned(row, 0)?, row.get(1)?)))?
        .collect()
}

/// Events whose payload is there.
pub(super) fn events_whole(
    conn: &Connection,
    after: u64,
    upto: u64,
    limit: u32,
) -> rusqlite::Result<Vec<EventRow>> {
    let sql = format!(
        "SELECT {} FROM event WHERE seq > ?1 AND seq <= ?2 AND payload IS NOT NULL ORDER BY seq LIMIT ?3",
        sql::EVENT
    );
    conn.prepare_cached(&sql)?.query_map((signed(after), signed(upto), limit), sql::event)?.collect()
}

/// Documents whose payload is there.
pub(super) fn documents_whole(
    conn: &Connection,
    after: u64,
    upto: u64,
    limit: u32,
) -> rusqlite::Result<Vec<OutboxRow>> {
    let sql = format!(
        "SELECT {} FROM outbox WHERE number > ?1 AND number <= ?2 AND payload <> '' ORDER BY number LIMIT ?3",
        sql::DOCUMENT
    );
    conn.prepare_cached(&sql)?.query_map((signed(after), signed(upto), limit), sql::document)?.collect()
}

/// Number of the last document before the first one of an instant or later.
pub(super) fn last_document_before(conn: &Connection, at_ns: i64) -> rusqlite::Result<u64> {
    conn.query_row(
        "SELECT coalesce((SELECT number - 1 FROM outbox WHERE made_at_ns >= ?1 ORDER BY number LIMIT 1), \
                         (SELECT max(number) FROM outbox), 0)",
        [at_ns],
        |row| unsigned(row, 0),
    )
}

/// What was amended at an instant or later and is from before it. The list of documents is up to date.
pub(super) fn amended_after(conn: &Connection, at_ns: i64) -> rusqlite::Result<Vec<String>> {
    conn.prepare(
        "SELECT DISTINCT l.subject FROM listed l JOIN outbox o ON o.number = l.number \
         WHERE l.day_ns < ?1 AND l.number > ?2 AND o.made_at_ns >= ?1",
    )?
    .query_map((at_ns, signed(last_document_before(conn, at_ns)?)), |row| row.get(0))?
    .collect()
}
