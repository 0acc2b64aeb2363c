//! Walks a journal from its first event and finds the first that was altered. Reads only, in
//! bounded memory, also while the station runs.

use super::chain::{Altered, Chain, Digest};
use super::error::JournalError;
use super::read::Reader;
use super::removal::{self, Blanked, Through};
use super::rows::EventRow;
use super::sql::{self, Identity};
use super::torn;
use rusqlite::{Connection, OptionalExtension, Rows};
use std::collections::VecDeque;
use std::path::Path;
use uuid::Uuid;

/// What a sound journal was found to hold.
///
/// A tail that was cut off cannot be seen from inside. Compare `head_seq` and `head_link` with
/// those in the last record that was published.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verified {
    /// Identity of the journal as it is now.
    pub journal_id: Uuid,
    /// Format of the file.
    pub format: u32,
    /// All events, samples among them.
    pub events: u64,
    /// Events without a link of their own.
    pub samples: u64,
    /// Events whose payload was removed by a removal that the journal tells of; their hashes hold.
    pub removed: u64,
    /// Documents in the outbox, acknowledged or not.
    pub documents: u64,
    /// Documents that were removed in the same way.
    pub removed_documents: u64,
    /// The removals, oldest first.
    pub removals: Vec<Blanked>,
    /// Samples after the last chained event: only the next one will anchor them.
    pub loose_samples: u64,
    /// Documents after the last chained event: only the next one will anchor them.
    pub loose_documents: u64,
    /// Number of the newest event.
    pub head_seq: u64,
    /// Link of the newest chained event.
    pub head_link: Digest,
}

/// Why a journal does not verify.
#[derive(Debug, thiserror::Error)]
pub enum VerifyFault {
    /// The first event that does not follow from what stands before it.
    #[error("event {seq} ({kind}) at {moment}: {what}")]
    Altered {
        /// Its number.
        seq: u64,
        /// Its kind, as it now stands there.
        kind: String,
        /// Its moment, as it now stands there.
        moment: String,
        /// What is wrong with it.
        what: Altered,
    },
    /// The outbox after the last chained event does not fit together.
    #[error("after the last event, {seq}: {what}")]
    Outbox {
        /// Number of the newest event.
        seq: u64,
        /// What is wrong.
        what: Altered,
    },
    /// A row that is not what the format says.
    #[error("the row after event {after} cannot be read: {detail}")]
    Unreadable {
        /// The last event that was sound.
        after: u64,
        /// What the database says.
        detail: String,
    },
    /// The chain is whole, and another part of the file is damaged.
    #[error(
        "events and documents are sound to the last, event {seq}; what stands beside them is damaged: {detail}. \
         Keep the file and make a backup, which is written anew and verified; where that fails too, go on \
         from the last one"
    )]
    Beside {
        /// Number of the newest event.
        seq: u64,
        /// What the database says.
        detail: String,
    },
    /// The journal has no identity, so that no link can be checked.
    #[error("the journal has no identity, so that no link can be checked")]
    Nameless,
    /// The file cannot be read at all.
    #[error(transparent)]
    File(#[from] JournalError),
}

/// Verifies the journal at `path`.
pub fn verify(path: &Path) -> Result<Verified, VerifyFault> {
    torn::look(path)?;
    let reader = Reader::open(path)?;
    let failed = |e: rusqlite::Error| VerifyFault::File(JournalError::database(path, "read", &e));
    // One transaction: one instant of a journal that is being written to.
    let tx = reader.connection().unchecked_transaction().map_err(failed)?;
    let identities = sql::identities(&tx).map_err(failed)?;
    let journal_id = identities.last().ok_or(VerifyFault::Nameless)?.id;
    // What they say of themselves is believed here and checked on the walk: they are events of the
    // chain like any other, and come after all that they name.
    let removals = reader.removals()?;
    let event_sql = format!("SELECT {} FROM event ORDER BY seq", sql::EVENT);
    let outbox_sql = format!("SELECT {} FROM outbox ORDER BY number", sql::DOCUMENT);
    let mut events = tx.prepare(&event_sql).map_err(failed)?;
    let mut outbox = tx.prepare(&outbox_sql).map_err(failed)?;
    let mut walk = Walk {
        conn: &tx,
        chain: Chain::unseeded(),
        identities: identities.into(),
        documents: outbox.query([]).map_err(failed)?,
        kept: reader.format() >= super::read::REMOVED_SINCE,
        told: removals.iter().map(|removal| removal.through).fold(Through::default(), Through::max),
        samples: 0,
        removed: 0,
        removed_documents: 0,
    };
    let mut rows = events.query([]).map_err(failed)?;
    while let Some(row) = rows.next().map_err(|e| walk.unreadable(&e))? {
        let event = sql::event(row).map_err(|e| walk.unreadable(&e))?;
        walk.step(&event)?;
    }
    let loose_documents = walk.finish()?;
    beside(&tx, walk.chain.seq())?;
    Ok(Verified {
        journal_id,
        format: reader.format(),
        events: walk.chain.seq(),
        samples: walk.samples,
        removed: walk.removed,
        documents: walk.chain.newest_document(),
        removed_documents: walk.removed_documents,
        removals,
        loose_samples: walk.chain.loose_samples(),
        loose_documents,
        head_seq: walk.chain.seq(),
        head_link: walk.chain.link(),
    })
}

/// What the chain does not hold: whether the inputs can be read, and whether the pages and indexes of the
/// file fit together. It comes last, so that a fault of the chain is told first.
fn beside(conn: &Connection, seq: u64) -> Result<(), VerifyFault> {
    let damaged = |e: rusqlite::Error| VerifyFault::Beside { seq, detail: e.to_string() };
    let mut inputs =
        conn.prepare("SELECT at, payload, outcome FROM input ORDER BY number").map_err(damaged)?;
    let mut rows = inputs.query([]).map_err(damaged)?;
    while let Some(row) = rows.next().map_err(damaged)? {
        for column in 0..3 {
            row.get::<_, String>(column).map_err(damaged)?;
        }
    }
    let said: String = conn.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0)).map_err(damaged)?;
    if said == "ok" { Ok(()) } else { Err(VerifyFault::Beside { seq, detail: said }) }
}

struct Walk<'a> {
    conn: &'a Connection,
    chain: Chain,
    identities: VecDeque<Identity>,
    documents: Rows<'a>,
    /// The file's format knows of removals.
    kept: bool,
    /// How far all removals together go.
    told: Through,
    samples: u64,
    removed: u64,
    removed_documents: u64,
}

impl Walk<'_> {
    fn step(&mut self, event: &EventRow) -> Result<(), VerifyFault> {
        let altered = |what| VerifyFault::Altered {
            seq: event.seq,
            kind: event.kind.clone(),
            moment: event.moment.clone(),
            what,
        };
        self.adopt_before(event.seq);
        if let Err(what) = self.chain.examine(event) {
            return Err(altered(if what == Altered::Header { self.header_or_link(event) } else { what }));
        }
        if event.payload.is_none() {
            let told = if event.chained { self.told.events } else { self.told.samples };
            if event.seq > told {
                return Err(altered(Altered::Blanked));
            }
            self.removed += 1;
        }
        while event.chained && self.chain.newest_document() < event.documents {
            if !self.next_document(event.seq, altered)? {
                let number = self.chain.newest_document() + 1;
                return Err(altered(Altered::DocumentMissing { number }));
            }
        }
        self.chain.enter(event).map_err(altered)?;
        self.samples += u64::from(!event.chained);
        Ok(())
    }

    /// The documents after the last chained event, and identities after the last event.
    fn finish(&mut self) -> Result<u64, VerifyFault> {
        let seq = self.chain.seq();
        while self.next_document(seq, |what| VerifyFault::Outbox { seq, what })? {}
        self.adopt_before(u64::MAX);
        Ok(self.chain.loose_documents())
    }

    fn adopt_before(&mut self, seq: u64) {
        while let Some(identity) = self.identities.front().filter(|i| i.after_seq < seq) {
            self.chain.adopt(identity.id);
            self.identities.pop_front();
        }
    }

    fn next_document(
        &mut self,
        seq: u64,
        altered: impl FnOnce(Altered) -> VerifyFault,
    ) -> Result<bool, VerifyFault> {
        let unreadable = |e: rusqlite::Error| VerifyFault::Unreadable {
            after: seq,
            detail: format!("a document of the outbox: {e}"),
        };
        let Some(row) = self.documents.next().map_err(unreadable)? else { return Ok(false) };
        let row = sql::document(row).map_err(unreadable)?;
        // Only what was blanked has a hash beside it.
        let blank = if row.payload.is_empty() && self.kept {
            removal::hash_of(self.conn, row.number).map_err(unreadable)?
        } else {
            None
        };
        let Some(hash) = blank else {
            self.chain.follow_document(&row).map_err(altered)?;
            return Ok(true);
        };
        if row.number > self.told.documents {
            return Err(altered(Altered::DocumentBlanked { number: row.number }));
        }
        self.chain.follow_blank(&row, &hash).map_err(altered)?;
        self.removed_documents += 1;
        Ok(true)
    }

    /// When the next chained event continues from the link that this one should have, then only
    /// the stored link was altered.
    fn header_or_link(&self, event: &EventRow) -> Altered {
        if !event.chained {
            return Altered::Header;
        }
        let sql =
            format!("SELECT {} FROM event WHERE seq > ?1 AND chained = 1 ORDER BY seq LIMIT 1", sql::EVENT);
        let next = self.conn.query_row(&sql, [sql::signed(event.seq)], sql::event).optional();
        let onward = Chain::resume(event.seq, self.chain.link_of(event), event.documents);
        match next {
            Ok(Some(next)) if next.link == Some(onward.link_of(&next)) => Altered::Link,
            _ => Altered::Header,
        }
    }

    fn unreadable(&self, error: &rusqlite::Error) -> VerifyFault {
        VerifyFault::Unreadable { after: self.chain.seq(), detail: error.to_string() }
    }
}
