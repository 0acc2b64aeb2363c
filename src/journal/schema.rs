//! The tables, and how an older file becomes a newer one.
//!
//! The database itself refuses to change or delete what was written, so that a slip with a
//! general tool does not pass unnoticed. That is a guard rail; the proof is the chain.

use super::error::JournalError;
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;
use uuid::Uuid;

/// Says in the file's header whose it is: 'stjl' as four bytes.
pub(super) const APPLICATION: i32 = 0x7374_6a6c;

/// One script for each format, in order; a file's `user_version` counts those it has seen.
const MIGRATIONS: &[&str] = &[FORMAT_1, FORMAT_2, FORMAT_3, FORMAT_4, FORMAT_5];

/// Holds the number up to which documents are in `listed`.
pub(super) const LISTED_THROUGH: &str = "listed-through";

/// Set in a backup, so that it is recognised when somebody opens it as a journal.
pub(super) const BACKUP_MARK: &str = "backup-of";

const FORMAT_1: &str = "
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE identity (
    number     INTEGER PRIMARY KEY,
    after_seq  INTEGER NOT NULL,
    id         BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    since_ns   INTEGER NOT NULL
) STRICT;

CREATE TABLE input (
    number  INTEGER PRIMARY KEY,
    id      BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    at      TEXT NOT NULL,
    payload TEXT NOT NULL,
    outcome TEXT NOT NULL
) STRICT;

CREATE TABLE event (
    seq              INTEGER PRIMARY KEY CHECK (seq > 0),
    input            BLOB NOT NULL REFERENCES input (id) DEFERRABLE INITIALLY DEFERRED,
    kind             TEXT NOT NULL,
    version          INTEGER NOT NULL,
    chained          INTEGER NOT NULL CHECK (chained IN (0, 1)),
    moment           TEXT NOT NULL,
    payload          TEXT,
    payload_hash     BLOB NOT NULL CHECK (length(payload_hash) = 32),
    samples          INTEGER NOT NULL,
    samples_digest   BLOB CHECK (length(samples_digest) = 32),
    documents        INTEGER NOT NULL,
    documents_digest BLOB CHECK (length(documents_digest) = 32),
    link             BLOB CHECK (length(link) = 32),
    CHECK ((link IS NOT NULL) = chained)
) STRICT;

CREATE TABLE outbox (
    number      INTEGER PRIMARY KEY CHECK (number > 0),
    id          TEXT NOT NULL UNIQUE,
    kind        TEXT NOT NULL,
    topic       TEXT NOT NULL,
    subject     TEXT NOT NULL,
    payload     TEXT NOT NULL,
    made_at_ns  INTEGER NOT NULL,
    acked_at_ns INTEGER
) STRICT;
CREATE INDEX outbox_unacked ON outbox (number) WHERE acked_at_ns IS NULL;
CREATE INDEX outbox_kind ON outbox (kind, number);

CREATE TABLE snapshot (
    seq   INTEGER PRIMARY KEY,
    state TEXT NOT NULL
) STRICT;

CREATE TRIGGER event_stays BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never deleted'); END;
CREATE TRIGGER event_fixed BEFORE UPDATE OF seq, input, kind, version, chained, moment, payload_hash,
    samples, samples_digest, documents, documents_digest, link ON event
BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END;
CREATE TRIGGER event_payload BEFORE UPDATE OF payload ON event WHEN new.payload IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a payload may be blanked, never changed'); END;
CREATE TRIGGER outbox_stays BEFORE DELETE ON outbox
BEGIN SELECT RAISE(ABORT, 'a document is never deleted'); END;
CREATE TRIGGER outbox_fixed BEFORE UPDATE OF number, id, kind, topic, subject, payload, made_at_ns ON outbox
BEGIN SELECT RAISE(ABORT, 'a document is never changed'); END;
CREATE TRIGGER identity_stays BEFORE DELETE ON identity
BEGIN SELECT RAISE(ABORT, 'an identity is never deleted'); END;
CREATE TRIGGER identity_fixed BEFORE UPDATE ON identity
BEGIN SELECT RAISE(ABORT, 'an identity is never changed'); END;
";

/// What has left the state, whole, so that the state does not grow with history. A row is a short
/// cut and no evidence: it follows from the events, as a snapshot does, and is written in the same
/// transaction.
const FORMAT_2: &str = "
CREATE TABLE closed (
    number    INTEGER PRIMARY KEY,
    id        BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
    label     TEXT NOT NULL,
    closed_ns INTEGER NOT NULL,
    seq       INTEGER NOT NULL,
    state     TEXT NOT NULL
) STRICT;
CREATE INDEX closed_label ON closed (label, number);
CREATE INDEX closed_time ON closed (closed_ns, number);

CREATE TABLE closed_part (
    part   BLOB PRIMARY KEY CHECK (length(part) = 16),
    number INTEGER NOT NULL REFERENCES closed (number)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER closed_stays BEFORE DELETE ON closed
BEGIN SELECT RAISE(ABORT, 'what has left is never deleted'); END;
CREATE TRIGGER closed_named BEFORE UPDATE OF number, id, label, closed_ns ON closed
BEGIN SELECT RAISE(ABORT, 'what has left keeps its name'); END;
";

/// Acknowledgements as marks for all documents up to a number, where each row of the outbox had its
/// own and was written a second time for it. What the rows say goes over: of the newest thousand
/// each by itself (they may have to go out again), of all before them the last one's. A row that was
/// acknowledged behind one that was not goes out again.
const FORMAT_3: &str = "
CREATE TABLE taken (
    through INTEGER PRIMARY KEY CHECK (through > 0),
    at_ns   INTEGER NOT NULL
) STRICT;

INSERT INTO taken (through, at_ns)
WITH acked (through) AS (
    SELECT coalesce(
        (SELECT number - 1 FROM outbox WHERE acked_at_ns IS NULL ORDER BY number LIMIT 1),
        (SELECT max(number) FROM outbox))
)
SELECT number, acked_at_ns FROM outbox, acked
WHERE number BETWEEN through - 1000 AND through AND acked_at_ns IS NOT NULL;

DROP INDEX outbox_unacked;

CREATE TRIGGER taken_stays BEFORE DELETE ON taken
BEGIN SELECT RAISE(ABORT, 'an acknowledgement is never deleted'); END;
CREATE TRIGGER taken_fixed BEFORE UPDATE ON taken
BEGIN SELECT RAISE(ABORT, 'an acknowledgement is never changed'); END;
";

/// What is kept beside the chain for years: a list of documents to search in, which removals there
/// were, and how the file has grown; and a document may be blanked once the network has it. The list
/// and the growth are short cuts like `closed`. No check on the added column: it would read every
/// document of the file.
const FORMAT_4: &str = "
ALTER TABLE outbox ADD COLUMN payload_hash BLOB;
DROP TRIGGER outbox_fixed;
CREATE TRIGGER outbox_fixed BEFORE UPDATE OF number, id, kind, topic, subject, made_at_ns ON outbox
BEGIN SELECT RAISE(ABORT, 'a document is never changed'); END;
CREATE TRIGGER outbox_payload BEFORE UPDATE OF payload, payload_hash ON outbox
WHEN new.payload <> '' OR old.number > (SELECT coalesce(max(through), 0) FROM taken) OR old.payload_hash IS NOT NULL
    OR coalesce(length(new.payload_hash), 0) <> 32
BEGIN SELECT RAISE(ABORT, 'a document that the network has may be blanked, never changed'); END;

CREATE TABLE listed (
    number      INTEGER PRIMARY KEY,
    kind        TEXT NOT NULL,
    subject     TEXT NOT NULL,
    day_ns      INTEGER NOT NULL,
    replaced_by INTEGER,
    words       TEXT NOT NULL
) STRICT;
CREATE INDEX listed_subject ON listed (subject, number);
CREATE INDEX listed_day ON listed (day_ns, number);

CREATE TABLE removal (
    seq  INTEGER PRIMARY KEY REFERENCES event (seq) DEFERRABLE INITIALLY DEFERRED,
    done INTEGER NOT NULL CHECK (done IN (0, 1))
) STRICT;

CREATE TABLE grown (
    day   INTEGER PRIMARY KEY,
    bytes INTEGER NOT NULL
) STRICT;
";

/// The list of documents with short rows, and what they are found by in an index of its own. What the
/// list had goes: it is made anew from the documents, in pieces, as it once was. (An index is no table
/// with types, so the rule that all tables are strict leaves it out.)
const FORMAT_5: &str = "
DROP TABLE listed;
DELETE FROM meta WHERE key = 'listed-through';

CREATE TABLE listed (
    number      INTEGER PRIMARY KEY,
    kind        TEXT NOT NULL,
    subject     TEXT NOT NULL,
    label       TEXT NOT NULL,
    day_ns      INTEGER NOT NULL,
    replaced_by INTEGER
) STRICT;
CREATE INDEX listed_subject ON listed (subject, number);
CREATE INDEX listed_label ON listed (label, number);
CREATE INDEX listed_day ON listed (day_ns, number);

CREATE VIRTUAL TABLE found USING fts5 (
    words, content = '', contentless_delete = 1, tokenize = 'trigram case_sensitive 1'
);
";

/// The newest format that this program writes.
pub(super) fn newest() -> u32 {
    u32::try_from(MIGRATIONS.len()).unwrap_or(u32::MAX)
}

/// What a file turned out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Found {
    /// Nothing yet.
    Empty,
    /// A journal of this format.
    Journal(u32),
}

/// Looks at a file without changing it.
pub(super) fn look(conn: &Connection, path: &Path) -> Result<Found, JournalError> {
    let read = || -> rusqlite::Result<(i32, u32, i64)> {
        Ok((
            conn.pragma_query_value(None, "application_id", |r| r.get(0))?,
            conn.pragma_query_value(None, "user_version", |r| r.get(0))?,
            conn.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))?,
        ))
    };
    match read().map_err(|e| JournalError::database(path, "read", &e))? {
        (0, 0, 0) => Ok(Found::Empty),
        (APPLICATION, format, _) => Ok(Found::Journal(format)),
        _ => Err(JournalError::Foreign {
            path: path.to_path_buf(),
            why: "it is a database of another program".to_owned(),
        }),
    }
}

/// Brings the file to the newest format; a new one gets its identity in the same transaction.
pub(super) fn migrate(
    conn: &mut Connection,
    found: Found,
    fresh_id: Uuid,
    now_wall_ns: i64,
) -> rusqlite::Result<()> {
    let seen = match found {
        Found::Empty => 0,
        Found::Journal(format) => format,
    };
    if seen == newest() {
        return Ok(());
    }
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for script in MIGRATIONS.iter().skip(seen as usize) {
        tx.execute_batch(script)?;
    }
    if found == Found::Empty {
        tx.pragma_update(None, "application_id", APPLICATION)?;
        tx.execute(
            "INSERT INTO identity (after_seq, id, since_ns) VALUES (0, ?1, ?2)",
            (fresh_id.as_bytes(), now_wall_ns),
        )?;
    }
    tx.pragma_update(None, "user_version", newest())?;
    tx.commit()
}
