//! A list of the documents that people look for: few words of each, so that a hundred thousand are
//! searched in a moment. Short cut and no evidence: what is shown is read from the document itself.
//!
//! It is brought up to date afterwards and in pieces, never in the transaction of a batch: nothing at
//! the bench waits for it. The number up to which it goes is kept with it.

use super::rows::OutboxRow;
use super::schema::LISTED_THROUGH;
use super::sql::{self, signed, unsigned};
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, params_from_iter};

/// Largest page.
const MOST: u32 = 1000;

/// A document on its way into the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListedRow {
    /// Its number.
    pub number: u64,
    /// What kind of document.
    pub kind: String,
    /// What it is about. A later document of the same kind about the same replaces it.
    pub subject: String,
    /// Wall time in nanoseconds since 1970-01-01T00:00:00Z.
    pub made_ns: i64,
    /// What it is found by, in small letters.
    pub words: String,
}

/// One of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ListedFound {
    /// Number of the document.
    pub number: u64,
    /// When the first document about the same subject was made: the day that it belongs to.
    pub day_ns: i64,
    /// Number of the document that replaced it.
    pub replaced_by: Option<u64>,
}

/// Which of the list.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ListedWanted {
    /// Only this kind.
    pub kind: Option<String>,
    /// Only those in which each of these stands; small letters.
    pub words: Vec<String>,
    /// Only those of this instant or later, nanoseconds.
    pub from_ns: Option<i64>,
    /// Only those before this instant, nanoseconds.
    pub before_ns: Option<i64>,
    /// Only those that no later one has replaced.
    pub newest: bool,
    /// Only numbers below this one.
    pub below: Option<u64>,
    /// Only numbers above this one.
    pub above: Option<u64>,
    /// Ascending instead of newest first.
    pub ascending: bool,
}

/// Takes documents into the list, ascending, and notes how far it goes now.
pub(super) fn put(conn: &Connection, rows: &[ListedRow], through: u64) -> rusqlite::Result<()> {
    let mut first = conn.prepare_cached(
        "SELECT day_ns FROM listed WHERE subject = ?1 AND kind = ?2 ORDER BY number LIMIT 1",
    )?;
    let mut replace = conn.prepare_cached(
        "UPDATE listed SET replaced_by = ?3 WHERE subject = ?1 AND kind = ?2 AND replaced_by IS NULL",
    )?;
    let mut insert = conn.prepare_cached(
        "INSERT OR REPLACE INTO listed (number, kind, subject, day_ns, words) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?;
    for row in rows {
        let name = (&row.subject, &row.kind);
        let day: Option<i64> = first.query_row(name, |r| r.get(0)).optional()?;
        replace.execute((name.0, name.1, signed(row.number)))?;
        let day = day.unwrap_or(row.made_ns);
        insert.execute((signed(row.number), &row.kind, &row.subject, day, &row.words))?;
    }
    conn.prepare_cached("INSERT OR REPLACE INTO meta (key, value) VALUES (?1, ?2)")?
        .execute((LISTED_THROUGH, through.to_string()))
        .map(drop)
}

/// How far the list goes, and the number of the newest document.
pub(super) fn reach(conn: &Connection) -> rusqlite::Result<(u64, u64)> {
    let through: Option<String> = conn
        .prepare_cached("SELECT value FROM meta WHERE key = ?1")?
        .query_row([LISTED_THROUGH], |row| row.get(0))
        .optional()?;
    let newest = conn
        .prepare_cached("SELECT number FROM outbox ORDER BY number DESC LIMIT 1")?
        .query_row([], |row| unsigned(row, 0))
        .optional()?;
    Ok((through.and_then(|text| text.parse().ok()).unwrap_or(0), newest.unwrap_or(0)))
}

/// Up to `limit` documents of two kinds after a number, ascending.
pub(super) fn unlisted(
    conn: &Connection,
    after: u64,
    kinds: [&str; 2],
    limit: u32,
) -> rusqlite::Result<Vec<OutboxRow>> {
    // By number and not by the index of kinds: the kind stands in front of the payload, so that what
    // is left out costs no more than its first page.
    let sql = format!(
        "SELECT {} FROM outbox WHERE number > ?1 AND +kind IN (?2, ?3) ORDER BY number LIMIT ?4",
        sql::DOCUMENT
    );
    conn.prepare_cached(&sql)?
        .query_map((signed(after), kinds[0], kinds[1], limit.min(MOST)), sql::document)?
        .collect()
}

/// A page.
pub(super) fn page(
    conn: &Connection,
    wanted: &ListedWanted,
    limit: u32,
) -> rusqlite::Result<Vec<ListedFound>> {
    let mut sql = "SELECT number, day_ns, replaced_by FROM listed WHERE 1".to_owned();
    let mut values: Vec<Value> = Vec::new();
    let mut only = |clause: &str, value: Value| {
        sql.push_str(clause);
        values.push(value);
    };
    if let Some(kind) = &wanted.kind {
        only(" AND kind = ?", kind.clone().into());
    }
    for (clause, at) in [(" AND day_ns >= ?", wanted.from_ns), (" AND day_ns < ?", wanted.before_ns)] {
        if let Some(at) = at {
            only(clause, at.into());
        }
    }
    for (clause, number) in [(" AND number < ?", wanted.below), (" AND number > ?", wanted.above)] {
        if let Some(number) = number {
            only(clause, signed(number).into());
        }
    }
    for word in &wanted.words {
        only(" AND instr(words, ?) > 0", word.clone().into());
    }
    if wanted.newest {
        sql.push_str(" AND replaced_by IS NULL");
    }
    sql.push_str(if wanted.ascending { " ORDER BY number LIMIT ?" } else { " ORDER BY number DESC LIMIT ?" });
    values.push(i64::from(limit.min(MOST)).into());
    conn.prepare_cached(&sql)?
        .query_map(params_from_iter(values), |row| {
            let replaced: Option<i64> = row.get(2)?;
            Ok(ListedFound {
                number: unsigned(row, 0)?,
                day_ns: row.get(1)?,
                replaced_by: replaced.and_then(|n| u64::try_from(n).ok()),
            })
        })?
        .collect()
}

/// A list of the reader's own, in a temporary table of the same name that hides the file's: what the
/// file has, to be brought up to date without writing to it. `has` says whether the file has one.
pub(super) fn shadow(conn: &Connection, has: bool) -> rusqlite::Result<()> {
    conn.execute_batch(
        "CREATE TEMP TABLE listed (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, subject TEXT NOT NULL, \
             day_ns INTEGER NOT NULL, replaced_by INTEGER, words TEXT NOT NULL) STRICT; \
         CREATE INDEX temp.own_subject ON listed (subject, number); \
         CREATE INDEX temp.own_day ON listed (day_ns, number); \
         CREATE TEMP TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;",
    )?;
    if has {
        conn.execute_batch(
            "INSERT INTO temp.listed SELECT number, kind, subject, day_ns, replaced_by, words FROM main.listed; \
             INSERT INTO temp.meta SELECT key, value FROM main.meta;",
        )?;
    }
    Ok(())
}
