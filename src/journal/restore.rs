//! From the file back to what a station needs to go on. The cost depends on what came after the
//! last snapshot, not on the length of the history.

use super::chain::Chain;
use super::rows::{EventRow, Restored};
use super::sql::{self, Identity};
use super::{chain, schema};
use rusqlite::{Connection, OptionalExtension};
use uuid::Uuid;

/// Why a file's head could not be rebuilt.
#[derive(Debug, thiserror::Error)]
pub(super) enum RestoreError {
    /// The database says so.
    #[error(transparent)]
    Database(#[from] rusqlite::Error),
    /// The last rows do not fit together.
    #[error("event {seq} does not follow from what stands before it: {what}")]
    Altered {
        /// Which event.
        seq: u64,
        /// What is wrong.
        what: chain::Altered,
    },
    /// A document near the end does not fit.
    #[error("the outbox does not fit together: {0}")]
    Outbox(chain::Altered),
    /// No identity.
    #[error("it has no identity")]
    Nameless,
    /// A payload that is still needed was blanked.
    #[error("the payload of event {0}, which came after the last snapshot, is gone")]
    Blanked(u64),
}

/// Everything, read within one transaction of the caller's. `before` takes the newest snapshot
/// older than that event instead of the newest.
pub(super) fn restore(conn: &Connection, before: Option<u64>) -> Result<Restored, RestoreError> {
    let identities = sql::identities(conn)?;
    let journal_id = identities.last().ok_or(RestoreError::Nameless)?.id;
    let chain = head(conn, &identities)?;
    let snapshot = conn
        .query_row(
            "SELECT seq, state FROM snapshot WHERE seq < ?1 ORDER BY seq DESC LIMIT 1",
            [before.map_or(i64::MAX, sql::signed)],
            |row| Ok((sql::unsigned(row, 0)?, row.get(1)?)),
        )
        .optional()?;
    let after = snapshot.as_ref().map_or(0, |(seq, _): &(u64, String)| *seq);
    let events_after = sql::events_after(conn, after, u32::MAX)?;
    whole(after, chain.seq(), &events_after)?;
    Ok(Restored {
        journal_id,
        restored_from: None,
        format: schema::newest(),
        outbox_next: chain.newest_document() + 1,
        chain,
        snapshot,
        events_after,
    })
}

/// State is a fold over these events: none may be missing, none may be blank.
fn whole(after: u64, head: u64, events: &[EventRow]) -> Result<(), RestoreError> {
    let mut seq = after;
    for event in events {
        seq += 1;
        if event.seq != seq {
            return Err(RestoreError::Altered {
                seq: event.seq,
                what: chain::Altered::Missing { expected: seq },
            });
        }
        if event.payload.is_none() {
            return Err(RestoreError::Blanked(seq));
        }
    }
    if seq == head {
        Ok(())
    } else {
        Err(RestoreError::Altered { seq, what: chain::Altered::Missing { expected: head } })
    }
}

/// The head: from the last chained event, with the samples and documents after it.
fn head(conn: &Connection, identities: &[Identity]) -> Result<Chain, RestoreError> {
    let mut chain = match sql::last_link(conn)? {
        Some((seq, link, documents)) => Chain::resume(seq, link, documents),
        None => Chain::unseeded(),
    };
    let linked = chain.seq();
    for identity in identities.iter().filter(|i| i.after_seq >= linked) {
        chain.adopt(identity.id);
    }
    let mut documents =
        conn.prepare(&format!("SELECT {} FROM outbox WHERE number > ?1 ORDER BY number", sql::DOCUMENT))?;
    for row in documents.query_map([sql::signed(chain.newest_document())], sql::document)? {
        chain.follow_document(&row?).map_err(RestoreError::Outbox)?;
    }
    let mut samples =
        conn.prepare(&format!("SELECT {} FROM event WHERE seq > ?1 ORDER BY seq", sql::EVENT))?;
    for row in samples.query_map([sql::signed(chain.seq())], sql::event)? {
        let row = row?;
        let altered = |what| RestoreError::Altered { seq: row.seq, what };
        chain.examine(&row).map_err(altered)?;
        chain.enter(&row).map_err(altered)?;
    }
    Ok(chain)
}

/// A backup that is opened as a journal goes on under a new identity, so that the network does
/// not take two histories with the same numbers for one. Gives the identity that it had.
pub(super) fn adopt_if_backup(
    conn: &mut Connection,
    fresh_id: Uuid,
    now_wall_ns: i64,
) -> rusqlite::Result<Option<Uuid>> {
    let marked: i64 =
        conn.query_row("SELECT count(*) FROM meta WHERE key = ?1", [schema::BACKUP_MARK], |row| row.get(0))?;
    if marked == 0 {
        return Ok(None);
    }
    let before = sql::identities(conn)?.last().map(|identity| identity.id);
    adopt(conn, fresh_id, now_wall_ns)?;
    Ok(before)
}

/// Gives the journal a new identity from here on.
pub(super) fn adopt(conn: &mut Connection, id: Uuid, now_wall_ns: i64) -> rusqlite::Result<()> {
    let tx = conn.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    tx.execute(
        "INSERT INTO identity (after_seq, id, since_ns) \
         VALUES ((SELECT coalesce(max(seq), 0) FROM event), ?1, ?2)",
        (id.as_bytes(), now_wall_ns),
    )?;
    tx.execute("DELETE FROM meta WHERE key = ?1", [schema::BACKUP_MARK])?;
    tx.commit()
}
