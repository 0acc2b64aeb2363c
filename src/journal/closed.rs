//! What has left the state: rows that are written with the events which made them, and read back
//! by identity, by the identity of a part, by label and by time, a page at a time.

use super::rows::{ClosedFound, ClosedRow, ClosedWanted};
use super::sql::{signed, unsigned};
use rusqlite::{Connection, OptionalExtension, Row, Transaction};
use uuid::Uuid;

/// Largest page.
const MOST: u32 = 1000;
/// Columns of [`found`].
const COLUMNS: &str = "number, id, label, closed_ns, seq, state";

fn found(row: &Row) -> rusqlite::Result<ClosedFound> {
    Ok(ClosedFound {
        number: unsigned(row, 0)?,
        id: Uuid::from_bytes(row.get(1)?),
        label: row.get(2)?,
        closed_ns: row.get(3)?,
        seq: unsigned(row, 4)?,
        state: row.get(5)?,
    })
}

/// Writes a row; one that is there keeps its number and its time.
pub(super) fn put(tx: &Transaction, row: &ClosedRow) -> rusqlite::Result<()> {
    let number: i64 = tx
        .prepare_cached(
            "INSERT INTO closed (id, label, closed_ns, seq, state) VALUES (?1, ?2, ?3, ?4, ?5) \
             ON CONFLICT (id) DO UPDATE SET seq = excluded.seq, state = excluded.state RETURNING number",
        )?
        .query_row((row.id.as_bytes(), &row.label, row.closed_ns, signed(row.seq), &row.state), |r| {
            r.get(0)
        })?;
    let mut part = tx.prepare_cached("INSERT OR REPLACE INTO closed_part (part, number) VALUES (?1, ?2)")?;
    for id in &row.parts {
        part.execute((id.as_bytes(), number))?;
    }
    Ok(())
}

/// The one with this identity, or with a part of this identity, unless it was removed.
pub(super) fn by_id(conn: &Connection, id: Uuid) -> rusqlite::Result<Option<ClosedFound>> {
    conn.prepare_cached(&format!(
        "SELECT {COLUMNS} FROM closed \
         WHERE number = coalesce((SELECT number FROM closed WHERE id = ?1), \
                                 (SELECT number FROM closed_part WHERE part = ?1)) \
         AND state <> ''"
    ))?
    .query_row([id.as_bytes()], found)
    .optional()
}

/// A page, the last one that left first.
pub(super) fn page(
    conn: &Connection,
    wanted: &ClosedWanted,
    limit: u32,
) -> rusqlite::Result<Vec<ClosedFound>> {
    // One statement for each shape, so that each finds its index.
    let label = if wanted.label.is_some() { "label = ?1" } else { "?1 IS NULL" };
    let time = match (wanted.from_ns, wanted.before_ns) {
        (None, None) => "?2 IS NOT NULL AND ?3 IS NOT NULL",
        _ => "closed_ns >= ?2 AND closed_ns < ?3",
    };
    let ids = if wanted.ids.is_some() { "id >= ?6 AND id < ?7" } else { "?6 IS NOT NULL AND ?7 IS NOT NULL" };
    let (first, below) = wanted.ids.unwrap_or_default();
    let besides = if wanted.not_left.is_some() {
        "NOT (closed_ns >= ?8 AND closed_ns < ?9)"
    } else {
        "?8 IS NOT NULL AND ?9 IS NOT NULL"
    };
    let (left_from, left_before) = wanted.not_left.unwrap_or_default();
    // A span is found by its own index and put in order: in the order of numbers every sample since
    // would be gone through. The states, which are long, are read of the page alone.
    let by_span = wanted.ids.is_some() || wanted.from_ns.or(wanted.before_ns).is_some();
    let number = if by_span { "+number" } else { "number" };
    let sql = format!(
        "SELECT {COLUMNS} FROM closed WHERE number IN ( \
             SELECT number FROM closed WHERE {label} AND {time} AND {ids} AND {number} < ?4 AND {besides} \
                 AND octet_length(state) > 0 ORDER BY number DESC LIMIT ?5) \
         ORDER BY number DESC"
    );
    conn.prepare_cached(&sql)?
        .query_map(
            (
                &wanted.label,
                wanted.from_ns.unwrap_or(i64::MIN),
                wanted.before_ns.unwrap_or(i64::MAX),
                wanted.before.map_or(i64::MAX, signed),
                limit.min(MOST),
                first.as_bytes(),
                below.as_bytes(),
                left_from,
                left_before,
            ),
            found,
        )?
        .collect()
}
