//! What the network acknowledged: a mark for each commit, not for each document.
//!
//! The network acknowledges in order. A mark says that every document up to its number was
//! acknowledged, the last ones at its time; so a document's own is the first at or after its number.

use super::acks::Ack;
use super::rows::OutboxRow;
use super::sql::{signed, unsigned};
use rusqlite::{Connection, OptionalExtension, Transaction};
use std::time::Duration;

/// The first format that has such marks. Before, each row of the outbox had its own.
pub(super) const TAKEN_SINCE: u32 = 3;

/// Acknowledged documents that go out again at most, whatever their marks say: a wall clock that
/// was far ahead, or starts in the past, must not make the whole history recent.
pub(super) const RECENT_MOST: u64 = 1000;

/// Puts down a mark, unless it says nothing new. Gives the newest acknowledged document.
pub(super) fn put(tx: &Transaction, (through, at_ns): Ack) -> rusqlite::Result<u64> {
    let known = through_of(tx)?;
    // A number that no document has says that all are acknowledged, not those that are still to come.
    let through = through.min(newest(tx)?);
    if through <= known {
        return Ok(known);
    }
    tx.prepare_cached("INSERT INTO taken (through, at_ns) VALUES (?1, ?2)")?
        .execute((signed(through), at_ns))?;
    Ok(through)
}

/// The newest acknowledged document; 0 for none.
pub(super) fn through_of(conn: &Connection) -> rusqlite::Result<u64> {
    let last = conn
        .prepare_cached("SELECT through FROM taken ORDER BY through DESC LIMIT 1")?
        .query_row([], |row| unsigned(row, 0))
        .optional()?;
    Ok(last.unwrap_or(0))
}

/// The newest document; 0 for none.
pub(super) fn newest(conn: &Connection) -> rusqlite::Result<u64> {
    let last = conn
        .prepare_cached("SELECT number FROM outbox ORDER BY number DESC LIMIT 1")?
        .query_row([], |row| unsigned(row, 0))
        .optional()?;
    Ok(last.unwrap_or(0))
}

/// Fills in when each document was acknowledged.
pub(super) fn mark(conn: &Connection, rows: &mut [OutboxRow]) -> rusqlite::Result<()> {
    let mut of =
        conn.prepare_cached("SELECT at_ns FROM taken WHERE through >= ?1 ORDER BY through LIMIT 1")?;
    for row in rows {
        row.acked_at_ns = of.query_row([signed(row.number)], |row| row.get(0)).optional()?;
    }
    Ok(())
}

/// Where sending goes on: the newest acknowledged document, and the last one before those that were
/// acknowledged less than `again` before that, back to the first that was not, or to the
/// [`RECENT_MOST`]th. Reads the tail and nothing before it.
pub(super) fn resume(conn: &Connection, again: Duration) -> rusqlite::Result<(u64, u64)> {
    let mut backwards = conn.prepare_cached("SELECT through, at_ns FROM taken ORDER BY through DESC")?;
    let mut marks = backwards.query([])?;
    let again_ns = i64::try_from(again.as_nanos()).unwrap_or(i64::MAX);
    let (mut newest, mut before) = (None, 0);
    while let Some(mark) = marks.next()? {
        let through = unsigned(mark, 0)?;
        let at_ns = mark.get::<_, i64>(1)?;
        let (acked, acked_at_ns) = *newest.get_or_insert((through, at_ns));
        let least = acked.saturating_sub(RECENT_MOST);
        before = through.max(least);
        if at_ns <= acked_at_ns.saturating_sub(again_ns) || through <= least {
            return Ok((acked, before));
        }
        before = least;
    }
    Ok((newest.map_or(0, |(acked, _)| acked), before))
}
