//! How large the file is, what of it is free inside, and how it has grown: one figure for each day,
//! noted beside the chain and no evidence.

use super::sql::{identities_since, unsigned};
use rusqlite::Connection;

/// Days that are kept.
const DAYS_KEPT: i64 = 400;

/// The size at the first look on one day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Grown {
    /// Days since 1970-01-01, by the calendar of UTC.
    pub day: i64,
    /// Bytes in use.
    pub bytes: u64,
}

/// The size of a journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Size {
    /// Bytes of the file's pages.
    pub bytes: u64,
    /// Of those, bytes of pages that hold nothing: what is written next goes there first.
    pub unused: u64,
    /// When the journal began: wall time in nanoseconds.
    pub since_ns: Option<i64>,
    /// Oldest first.
    pub grown: Vec<Grown>,
}

/// The size now; `has` says whether the file notes how it grows.
pub(super) fn size(conn: &Connection, has: bool) -> rusqlite::Result<Size> {
    let pragma =
        |name: &str| -> rusqlite::Result<u64> { conn.pragma_query_value(None, name, |row| unsigned(row, 0)) };
    let page = pragma("page_size")?;
    let mut grown = Vec::new();
    if has {
        let mut rows = conn.prepare("SELECT day, bytes FROM grown ORDER BY day")?;
        let rows = rows.query_map([], |row| Ok(Grown { day: row.get(0)?, bytes: unsigned(row, 1)? }))?;
        grown = rows.collect::<rusqlite::Result<_>>()?;
    }
    Ok(Size {
        bytes: pragma("page_count")? * page,
        unused: pragma("freelist_count")? * page,
        since_ns: identities_since(conn)?,
        grown,
    })
}

/// Notes the size for a day, once.
pub(super) fn note(conn: &Connection, day: i64) -> rusqlite::Result<()> {
    conn.execute(
        "INSERT OR IGNORE INTO grown (day, bytes) SELECT ?1, \
             ((SELECT page_count FROM pragma_page_count) - (SELECT freelist_count FROM pragma_freelist_count)) \
             * (SELECT page_size FROM pragma_page_size)",
        [day],
    )?;
    conn.execute("DELETE FROM grown WHERE day < ?1", [day - DAYS_KEPT]).map(drop)
}
