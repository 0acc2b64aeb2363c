//! A list of the documents that people look for, and an index of the words that each is found by, so
//! that a hundred thousand are searched in a moment. Short cut and no evidence: what is shown is read
//! from the document itself.
//!
//! The rows are short, so that going through all of them costs little; the words stand in the index
//! `found` alone (FTS5 of SQLite, by every three characters in a row), where any part of a word is
//! found without going through the others. The index holds no text to read back.
//!
//! It is brought up to date afterwards and in pieces, never in the transaction of a batch: nothing at
//! the bench waits for it. The number up to which it goes is kept with it.

use super::rows::OutboxRow;
use super::schema::LISTED_THROUGH;
use super::sql::{self, signed, unsigned};
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Row, params_from_iter};

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
    /// The name of what it belongs to, by which all of that are found at once; in small letters.
    pub label: String,
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
    /// Only those of what has this name; small letters.
    pub label: Option<String>,
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

/// Takes documents into the list, ascending, and notes how far it goes now. Into a reader's own list
/// (`indexed` is false) they come without their words.
pub(super) fn put(
    conn: &Connection,
    rows: &[ListedRow],
    through: u64,
    indexed: bool,
) -> rusqlite::Result<()> {
    let mut first = conn.prepare_cached(
        "SELECT day_ns FROM listed WHERE subject = ?1 AND kind = ?2 ORDER BY number LIMIT 1",
    )?;
    let mut replace = conn.prepare_cached(
        "UPDATE listed SET replaced_by = ?3 WHERE subject = ?1 AND kind = ?2 AND replaced_by IS NULL",
    )?;
    let mut insert = conn.prepare_cached(
        "INSERT OR REPLACE INTO listed (number, kind, subject, label, day_ns) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?;
    for row in rows {
        let name = (&row.subject, &row.kind);
        let day: Option<i64> = first.query_row(name, |r| r.get(0)).optional()?;
        replace.execute((name.0, name.1, signed(row.number)))?;
        let day = day.unwrap_or(row.made_ns);
        insert.execute((signed(row.number), &row.kind, &row.subject, &row.label, day))?;
        if indexed {
            conn.prepare_cached("INSERT OR REPLACE INTO main.found (rowid, words) VALUES (?1, ?2)")?
                .execute((signed(row.number), &row.words))?;
        }
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

/// What is asked of the rows, as SQL.
#[derive(Debug, Default)]
struct Clauses {
    sql: String,
    values: Vec<Value>,
}

impl Clauses {
    fn add(&mut self, clause: &str, value: impl Into<Value>) {
        self.sql.push_str(clause);
        self.values.push(value.into());
    }

    /// What bounds the rows that are gone through: days and names.
    fn of_days(wanted: &ListedWanted) -> Self {
        let mut clauses = Self::default();
        for (clause, at) in [(" AND day_ns >= ?", wanted.from_ns), (" AND day_ns < ?", wanted.before_ns)] {
            if let Some(at) = at {
                clauses.add(clause, at);
            }
        }
        if let Some(label) = &wanted.label {
            clauses.add(" AND label = ?", label.clone());
        }
        clauses
    }

    fn of(wanted: &ListedWanted) -> Self {
        let mut clauses = Self::of_days(wanted);
        if let Some(kind) = &wanted.kind {
            clauses.add(" AND kind = ?", kind.clone());
        }
        for (clause, number) in [(" AND number < ?", wanted.below), (" AND number > ?", wanted.above)] {
            if let Some(number) = number {
                clauses.add(clause, signed(number));
            }
        }
        if wanted.newest {
            clauses.sql.push_str(" AND replaced_by IS NULL");
        }
        clauses
    }
}

/// A page.
pub(super) fn page(
    conn: &Connection,
    wanted: &ListedWanted,
    limit: u32,
) -> rusqlite::Result<Vec<ListedFound>> {
    // A few days, or one name, are found by their index and put in order; of many days the rows are
    // gone through in their own order until the page is full.
    let bounds = Clauses::of_days(wanted);
    let by_index = !bounds.values.is_empty() && {
        let sql =
            format!("SELECT count(*) FROM (SELECT 1 FROM listed WHERE 1{} LIMIT {})", bounds.sql, FEW + 1);
        let many: u32 =
            conn.prepare_cached(&sql)?.query_row(params_from_iter(bounds.values), |row| row.get(0))?;
        many <= FEW
    };
    let mut clauses = Clauses::of(wanted);
    clauses.sql.push_str(order(wanted));
    clauses.values.push(i64::from(limit.min(MOST)).into());
    let table = if by_index { "listed" } else { "listed NOT INDEXED" };
    let sql = format!("SELECT number, day_ns, replaced_by FROM {table} WHERE 1{}", clauses.sql);
    conn.prepare_cached(&sql)?.query_map(params_from_iter(clauses.values), found)?.collect()
}

/// Rows that are put in order rather than gone through.
const FEW: u32 = 2000;

const fn order(wanted: &ListedWanted) -> &'static str {
    if wanted.ascending { " ORDER BY number LIMIT ?" } else { " ORDER BY number DESC LIMIT ?" }
}

fn found(row: &Row) -> rusqlite::Result<ListedFound> {
    let replaced: Option<i64> = row.get(2)?;
    Ok(ListedFound {
        number: unsigned(row, 0)?,
        day_ns: row.get(1)?,
        replaced_by: replaced.and_then(|n| u64::try_from(n).ok()),
    })
}

/// A page of the file's own list: those in which each of these words stands, wherever in it. A word of
/// fewer than [`SHORTEST`] characters stands nowhere.
pub(super) fn search(
    conn: &Connection,
    words: &[String],
    wanted: &ListedWanted,
    limit: u32,
) -> rusqlite::Result<Vec<ListedFound>> {
    if words.iter().any(|word| word.chars().count() < SHORTEST) {
        return Ok(Vec::new());
    }
    // Each word as a phrase, in which no sign has a meaning of its own.
    let phrases: Vec<String> =
        words.iter().map(|word| format!("\"{}\"", word.replace('\0', "").replace('"', "\"\""))).collect();
    let mut sql = "SELECT l.number, l.day_ns, l.replaced_by FROM main.found f CROSS JOIN main.listed l \
                   ON l.number = f.rowid WHERE f.found MATCH ?"
        .to_owned();
    let mut values: Vec<Value> = vec![phrases.join(" AND ").into()];
    // The index goes through numbers only: days and names say between which.
    let bounds = Clauses::of_days(wanted);
    if !bounds.values.is_empty() {
        let between = format!("SELECT min(number), max(number) FROM main.listed WHERE 1{}", bounds.sql);
        let (first, last): (Option<i64>, Option<i64>) = conn
            .prepare_cached(&between)?
            .query_row(params_from_iter(bounds.values), |row| Ok((row.get(0)?, row.get(1)?)))?;
        let (Some(first), Some(last)) = (first, last) else { return Ok(Vec::new()) };
        sql.push_str(" AND f.rowid >= ? AND f.rowid <= ?");
        values.extend([first.into(), last.into()]);
    }
    for (clause, number) in [(" AND f.rowid < ?", wanted.below), (" AND f.rowid > ?", wanted.above)] {
        if let Some(number) = number {
            sql.push_str(clause);
            values.push(signed(number).into());
        }
    }
    let rest = Clauses::of(&ListedWanted { below: None, above: None, ..wanted.clone() });
    sql.push_str(&rest.sql);
    values.extend(rest.values);
    sql.push_str(if wanted.ascending {
        " ORDER BY f.rowid LIMIT ?"
    } else {
        " ORDER BY f.rowid DESC LIMIT ?"
    });
    values.push(i64::from(limit.min(MOST)).into());
    conn.prepare_cached(&sql)?.query_map(params_from_iter(values), found)?.collect()
}

/// Characters of the shortest word that the index knows.
pub const SHORTEST: usize = 3;

/// Takes what a document is found by out of the index.
pub(super) fn forget(conn: &Connection, number: u64) -> rusqlite::Result<()> {
    conn.prepare_cached("DELETE FROM main.found WHERE rowid = ?1")?.execute([signed(number)])?;
    conn.prepare_cached("UPDATE main.listed SET label = '' WHERE number = ?1")?
        .execute([signed(number)])
        .map(drop)
}

/// Writes the index anew without what was taken out of it: until then its words lie there still.
pub(super) fn compact(conn: &Connection) -> rusqlite::Result<()> {
    conn.execute("INSERT INTO main.found (found) VALUES ('optimize')", []).map(drop)
}

/// The newest document of a kind about something.
pub(super) fn newest_about(conn: &Connection, subject: &str, kind: &str) -> rusqlite::Result<Option<u64>> {
    conn.prepare_cached(
        "SELECT number FROM listed WHERE subject = ?1 AND kind = ?2 AND replaced_by IS NULL \
         ORDER BY number DESC LIMIT 1",
    )?
    .query_row((subject, kind), |row| unsigned(row, 0))
    .optional()
}

/// A list of the reader's own, without words, in a temporary table of the same name that hides the file's: what the
/// file has, to be brought up to date without writing to it. `has` says whether the file has one.
pub(super) fn shadow(conn: &Connection, has: bool) -> rusqlite::Result<()> {
    conn.execute_batch(
        "CREATE TEMP TABLE listed (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, subject TEXT NOT NULL, \
             label TEXT NOT NULL, day_ns INTEGER NOT NULL, replaced_by INTEGER) STRICT; \
         CREATE INDEX temp.own_subject ON listed (subject, number); \
         CREATE INDEX temp.own_label ON listed (label, number); \
         CREATE INDEX temp.own_day ON listed (day_ns, number); \
         CREATE TEMP TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;",
    )?;
    if has {
        conn.execute_batch(
            "INSERT INTO temp.listed SELECT number, kind, subject, label, day_ns, replaced_by FROM main.listed; \
             INSERT INTO temp.meta SELECT key, value FROM main.meta;",
        )?;
    }
    Ok(())
}
