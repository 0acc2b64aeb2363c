//! Rows to and from SQL. Shared by the writer, the readers and the verifier.

use super::chain::Digest;
use super::rows::{EventRow, InputRow, OutboxRow};
use rusqlite::{Connection, OptionalExtension, Row, Transaction};
use std::ops::Range;
use uuid::Uuid;

/// Columns of [`event`].
pub(super) const EVENT: &str = "seq, input, kind, version, chained, moment, payload, payload_hash, \
    samples, samples_digest, documents, documents_digest, link";
/// Columns of [`document`].
pub(super) const DOCUMENT: &str = "number, id, kind, topic, subject, payload, made_at_ns, acked_at_ns";

/// Largest page that one question gets; a page of the bench never needs more.
const MOST: u32 = 10_000;

/// A count that SQL knows as a signed number.
pub(super) fn unsigned(row: &Row, column: usize) -> rusqlite::Result<u64> {
    let value: i64 = row.get(column)?;
    u64::try_from(value).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(column, value))
}

/// The reverse. Numbers are counted one by one from 1 and never come near the limit; one that
/// was asked for beyond it means 'past the end'.
pub(super) fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

fn id(row: &Row, column: usize) -> rusqlite::Result<Uuid> {
    row.get::<_, [u8; 16]>(column).map(Uuid::from_bytes)
}

/// Reads an event.
pub(super) fn event(row: &Row) -> rusqlite::Result<EventRow> {
    Ok(EventRow {
        seq: unsigned(row, 0)?,
        input: id(row, 1)?,
        kind: row.get(2)?,
        version: row.get(3)?,
        chained: row.get(4)?,
        moment: row.get(5)?,
        payload: row.get(6)?,
        payload_hash: row.get(7)?,
        samples: unsigned(row, 8)?,
        samples_digest: row.get(9)?,
        documents: unsigned(row, 10)?,
        documents_digest: row.get(11)?,
        link: row.get(12)?,
    })
}

/// Reads a document.
pub(super) fn document(row: &Row) -> rusqlite::Result<OutboxRow> {
    Ok(OutboxRow {
        number: unsigned(row, 0)?,
        id: row.get(1)?,
        kind: row.get(2)?,
        topic: row.get(3)?,
        subject: row.get(4)?,
        payload: row.get(5)?,
        made_at_ns: row.get(6)?,
        acked_at_ns: row.get(7)?,
    })
}

fn input(row: &Row) -> rusqlite::Result<InputRow> {
    Ok(InputRow { id: id(row, 0)?, at: row.get(1)?, payload: row.get(2)?, outcome: row.get(3)? })
}

/// Writes an input.
pub(super) fn put_input(tx: &Transaction, row: &InputRow) -> rusqlite::Result<()> {
    tx.prepare_cached("INSERT INTO input (id, at, payload, outcome) VALUES (?1, ?2, ?3, ?4)")?
        .execute((row.id.as_bytes(), &row.at, &row.payload, &row.outcome))
        .map(drop)
}

/// Writes an event.
pub(super) fn put_event(tx: &Transaction, row: &EventRow) -> rusqlite::Result<()> {
    let sql = "INSERT INTO event (seq, input, kind, version, chained, moment, payload, payload_hash, \
        samples, samples_digest, documents, documents_digest, link) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)";
    tx.prepare_cached(sql)?
        .execute((
            signed(row.seq),
            row.input.as_bytes(),
            &row.kind,
            row.version,
            row.chained,
            &row.moment,
            &row.payload,
            &row.payload_hash,
            signed(row.samples),
            &row.samples_digest,
            signed(row.documents),
            &row.documents_digest,
            &row.link,
        ))
        .map(drop)
}

/// Writes a document.
pub(super) fn put_document(tx: &Transaction, row: &OutboxRow) -> rusqlite::Result<()> {
    let sql = "INSERT INTO outbox (number, id, kind, topic, subject, payload, made_at_ns) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
    let number = signed(row.number);
    let text = (&row.id, &row.kind, &row.topic, &row.subject, &row.payload);
    tx.prepare_cached(sql)?
        .execute((number, text.0, text.1, text.2, text.3, text.4, row.made_at_ns))
        .map(drop)
}

/// Stores a state and drops all but the newest two.
pub(super) fn put_snapshot(tx: &Transaction, seq: u64, state: &str) -> rusqlite::Result<()> {
    tx.prepare_cached("INSERT OR REPLACE INTO snapshot (seq, state) VALUES (?1, ?2)")?
        .execute((signed(seq), state))?;
    tx.prepare_cached(
        "DELETE FROM snapshot WHERE seq NOT IN (SELECT seq FROM snapshot ORDER BY seq DESC LIMIT 2)",
    )?
    .execute([])
    .map(drop)
}

/// Events after a number, in order.
pub(super) fn events_after(conn: &Connection, seq: u64, limit: u32) -> rusqlite::Result<Vec<EventRow>> {
    let sql = format!("SELECT {EVENT} FROM event WHERE seq > ?1 ORDER BY seq LIMIT ?2");
    conn.prepare_cached(&sql)?.query_map((signed(seq), limit), event)?.collect()
}

/// Number of the newest event; 0 if there is none.
pub(super) fn newest_event(conn: &Connection) -> rusqlite::Result<u64> {
    conn.query_row("SELECT coalesce(max(seq), 0) FROM event", [], |row| unsigned(row, 0))
}

/// Events of these kinds whose numbers lie in a range, in order.
pub(super) fn events_of(
    conn: &Connection,
    kinds: &[&str],
    numbers: &Range<u64>,
) -> rusqlite::Result<Vec<EventRow>> {
    let sql = format!("SELECT {EVENT} FROM event WHERE seq >= ?1 AND seq < ?2 ORDER BY seq");
    let mut statement = conn.prepare_cached(&sql)?;
    let mut rows = statement.query((signed(numbers.start), signed(numbers.end)))?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        if kinds.contains(&row.get_ref(2)?.as_str()?) {
            found.push(event(row)?);
        }
    }
    Ok(found)
}

/// The input with this id.
pub(super) fn input_by_id(conn: &Connection, id: Uuid) -> rusqlite::Result<Option<InputRow>> {
    conn.prepare_cached("SELECT id, at, payload, outcome FROM input WHERE id = ?1")?
        .query_row([id.as_bytes()], input)
        .optional()
}

/// Inputs in the order in which they were decided, from a position on.
pub(super) fn inputs_after(conn: &Connection, skip: u64, limit: u32) -> rusqlite::Result<Vec<InputRow>> {
    conn.prepare_cached(
        "SELECT id, at, payload, outcome FROM input WHERE number > ?1 ORDER BY number LIMIT ?2",
    )?
    .query_map((signed(skip), limit.min(MOST)), input)?
    .collect()
}

/// Documents after a number, ascending.
pub(super) fn documents_after(
    conn: &Connection,
    number: u64,
    limit: u32,
) -> rusqlite::Result<Vec<OutboxRow>> {
    let sql = format!("SELECT {DOCUMENT} FROM outbox WHERE number > ?1 ORDER BY number LIMIT ?2");
    conn.prepare_cached(&sql)?.query_map((signed(number), limit.min(MOST)), document)?.collect()
}

/// Documents of a kind before a number, newest first.
pub(super) fn documents_of(
    conn: &Connection,
    kind: &str,
    before: Option<u64>,
    limit: u32,
) -> rusqlite::Result<Vec<OutboxRow>> {
    let sql = format!(
        "SELECT {DOCUMENT} FROM outbox WHERE kind = ?1 AND number < ?2 ORDER BY number DESC LIMIT ?3"
    );
    let before = before.map_or(i64::MAX, signed);
    conn.prepare_cached(&sql)?.query_map((kind, before, limit.min(MOST)), document)?.collect()
}

/// The document with this id.
pub(super) fn document_by_id(conn: &Connection, id: &str) -> rusqlite::Result<Option<OutboxRow>> {
    conn.prepare_cached(&format!("SELECT {DOCUMENT} FROM outbox WHERE id = ?1"))?
        .query_row([id], document)
        .optional()
}

/// One identity of a journal, and the event after which it begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Identity {
    /// Number of the last event before it.
    pub(super) after_seq: u64,
    /// The id.
    pub(super) id: Uuid,
}

/// All identities, in order.
pub(super) fn identities(conn: &Connection) -> rusqlite::Result<Vec<Identity>> {
    conn.prepare("SELECT after_seq, id FROM identity ORDER BY number")?
        .query_map([], |row| Ok(Identity { after_seq: unsigned(row, 0)?, id: id(row, 1)? }))?
        .collect()
}

/// When the first identity began: wall time in nanoseconds.
pub(super) fn identities_since(conn: &Connection) -> rusqlite::Result<Option<i64>> {
    conn.query_row("SELECT since_ns FROM identity ORDER BY number LIMIT 1", [], |row| row.get(0)).optional()
}

/// The document with this number.
pub(super) fn document_at(conn: &Connection, number: u64) -> rusqlite::Result<Option<OutboxRow>> {
    conn.prepare_cached(&format!("SELECT {DOCUMENT} FROM outbox WHERE number = ?1"))?
        .query_row([signed(number)], document)
        .optional()
}

/// The last chained event: number, link, newest anchored document.
pub(super) fn last_link(conn: &Connection) -> rusqlite::Result<Option<(u64, Digest, u64)>> {
    conn.query_row(
        "SELECT seq, link, documents FROM event WHERE chained = 1 ORDER BY seq DESC LIMIT 1",
        [],
        |row| Ok((unsigned(row, 0)?, row.get(1)?, unsigned(row, 2)?)),
    )
    .optional()
}
