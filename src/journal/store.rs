//! The one connection that writes, and what it knows. Lives in the journal's thread.

use super::acks::{ACKS_AT_ONCE, Ack, Acks};
use super::chain::Chain;
use super::closed;
use super::error::{JournalError, Trouble};
use super::faults::{FaultPoint, Faults};
use super::fresh::Fresh;
use super::lock::Lock;
use super::log;
use super::removal;
use super::restore::{self, RestoreError};
use super::rows::{Batch, Continued, OutboxRow, Restored};
use super::schema::{self, Found};
use super::sql;
use super::taken;
use super::times::CommitTimes;
use super::torn;
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use uuid::Uuid;

/// Pages of the write-ahead log after which a commit folds it into the file at once. It is there for
/// a flood; normally the log is folded before, while nobody waits. They fit the room that is laid
/// out for the log, so that it never has to grow.
const CHECKPOINT_PAGES: u32 = 1900;
/// Commits after which the log is folded into the file in the next quiet moment. A commit that meets
/// a folding waits for the disk several times as long: fewer than one in a hundred shall.
const FOLD_AFTER: u32 = 160;
/// Commits after which it is folded also where no quiet moment comes.
const FOLD_AT_LAST: u32 = 224;

/// What an opening needs from outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenWith {
    /// Identity for a new journal, or for a backup that is opened as one.
    pub fresh_id: Uuid,
    /// Wall time in nanoseconds since 1970-01-01T00:00:00Z.
    pub now_wall_ns: i64,
}

/// The writer. Fields drop in this order: the database closes before the lock is given up.
pub(super) struct Store {
    path: PathBuf,
    conn: Connection,
    chain: Chain,
    /// Acknowledgements that ride on the next commit.
    acks: Acks,
    /// Documents that were just stored, for whoever sends them.
    fresh: Fresh,
    newest: watch::Sender<u64>,
    /// Every document up to this one has its mark in the file.
    taken: u64,
    times: Arc<CommitTimes>,
    faults: Box<dyn Faults>,
    /// The log's room on the disk was laid out, or cannot be.
    laid_out: bool,
    /// Commits since a folding of the log was last ordered.
    unfolded: u32,
    folding: log::Folding,
    _lock: Lock,
}

impl Store {
    /// Opens or makes the journal.
    pub(super) fn open(
        path: &Path,
        with: &OpenWith,
        faults: Box<dyn Faults>,
    ) -> Result<(Self, Restored), JournalError> {
        let path = real_path(path)?;
        let lock = Lock::take(&path)?;
        torn::look(&path)?;
        let (mut conn, found) = connect(&path)?;
        let failed = |e: rusqlite::Error| JournalError::database(&path, "brought up to date", &e);
        schema::migrate(&mut conn, found, with.fresh_id, with.now_wall_ns).map_err(failed)?;
        let restored_from =
            restore::adopt_if_backup(&mut conn, with.fresh_id, with.now_wall_ns).map_err(failed)?;
        let mut restored = read_back(&conn, &path, None)?;
        restored.restored_from = restored_from;
        if found == Found::Empty {
            keep_name(&path)?;
        }
        let taken = taken_in(&conn, &path)?;
        let newest = watch::Sender::new(restored.chain.newest_document());
        let chain = restored.chain.clone();
        let store = Self {
            path,
            conn,
            chain,
            acks: Acks::default(),
            fresh: Fresh::default(),
            newest,
            taken,
            times: Arc::default(),
            faults,
            laid_out: false,
            unfolded: 0,
            folding: log::Folding::default(),
            _lock: lock,
        };
        Ok((store, restored))
    }

    /// Where the file really is.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// How long commits take.
    pub(super) fn times(&self) -> Arc<CommitTimes> {
        self.times.clone()
    }

    /// Tells of the newest document's number.
    pub(super) fn newest(&self) -> watch::Receiver<u64> {
        self.newest.subscribe()
    }

    /// Stores a batch: all of it, or none. Waiting acknowledgements ride along.
    pub(super) fn commit(&mut self, batch: impl Into<Arc<Batch>>) -> Result<(), JournalError> {
        let batch: Arc<Batch> = batch.into();
        self.store(&batch)?;
        let documents = match Arc::try_unwrap(batch) {
            Ok(batch) => batch.outbox,
            Err(batch) => batch.outbox.clone(),
        };
        self.fresh.put(documents);
        let number = self.chain.newest_document();
        self.newest.send_if_modified(|newest| std::mem::replace(newest, number) != number);
        if self.faults.fails(FaultPoint::AfterCommit) {
            return Err(self.made_to_fail());
        }
        Ok(())
    }

    fn store(&mut self, batch: &Batch) -> Result<(), JournalError> {
        let chain = follow(&self.chain, batch).map_err(|why| JournalError::Refused { why })?;
        let ack = self.acks.newest().max(batch.acked);
        self.times.begun();
        let written = self.write(batch, ack);
        self.times.ended();
        self.taken = written?;
        self.chain = chain;
        self.acks.stored(ack.map_or(0, |(number, _)| number), self.taken);
        self.unfolded = self.unfolded.saturating_add(1);
        if self.unfolded >= FOLD_AT_LAST {
            self.fold();
        }
        Ok(())
    }

    /// Writes a batch, and gives the newest acknowledged document.
    fn write(&mut self, batch: &Batch, ack: Option<Ack>) -> Result<u64, JournalError> {
        let failed = |path: &Path, e: &rusqlite::Error| JournalError::database(path, "written", e);
        writable(&self.path)?;
        if !self.conn.is_autocommit() {
            // The undoing of an earlier batch failed with the disk. Nothing of it may stay open.
            self.reconnect()?;
        }
        let tx = self
            .conn
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|e| failed(&self.path, &e))?;
        put(&tx, batch).map_err(|e| failed(&self.path, &e))?;
        let taken = match ack {
            Some(ack) => taken::put(&tx, ack).map_err(|e| failed(&self.path, &e))?,
            None => self.taken,
        };
        if self.faults.fails(FaultPoint::BeforeCommit) {
            drop(tx);
            return Err(self.made_to_fail());
        }
        tx.commit().map_err(|e| failed(&self.path, &e))?;
        Ok(taken)
    }

    fn made_to_fail(&self) -> JournalError {
        JournalError::Disk {
            path: self.path.clone(),
            doing: "written",
            trouble: self.faults.trouble(),
            detail: "made to fail by a test".to_owned(),
        }
    }

    /// Reads again what the file holds. Where the connection does not answer any more, a new one
    /// is tried: a disk that was away may be back.
    pub(super) fn reload(&mut self, before: Option<u64>) -> Result<Restored, JournalError> {
        let restored = match read_back(&self.conn, &self.path, before) {
            Ok(restored) => restored,
            Err(JournalError::Disk { .. }) => {
                self.reconnect()?;
                read_back(&self.conn, &self.path, before)?
            }
            Err(other) => return Err(other),
        };
        self.chain = restored.chain.clone();
        self.taken = taken_in(&self.conn, &self.path)?;
        self.fresh.forget();
        self.newest.send_replace(self.chain.newest_document());
        Ok(restored)
    }

    fn reconnect(&mut self) -> Result<(), JournalError> {
        let (conn, found) = connect(&self.path)?;
        if found != Found::Journal(schema::newest()) {
            return Err(JournalError::Foreign {
                path: self.path.clone(),
                why: "the file was exchanged while it was open".to_owned(),
            });
        }
        self.conn = conn;
        Ok(())
    }

    /// Gives the journal a new identity from here on.
    pub(super) fn adopt(&mut self, id: Uuid, now_wall_ns: i64) -> Result<Restored, JournalError> {
        restore::adopt(&mut self.conn, id, now_wall_ns)
            .map_err(|e| JournalError::database(&self.path, "given a new identity", &e))?;
        self.reload(None)
    }

    /// Where acknowledgements are put down.
    pub(super) fn acks(&self) -> Acks {
        self.acks.clone()
    }

    /// Where documents are kept that were just stored.
    pub(super) fn fresh(&self) -> Fresh {
        self.fresh.clone()
    }

    /// Enough acknowledgements wait to be worth a commit of their own.
    pub(super) fn has_many_acks(&self) -> bool {
        self.acks.count() >= ACKS_AT_ONCE
    }

    /// Whether acknowledgements wait.
    pub(super) fn has_acks(&self) -> bool {
        self.acks.count() > 0
    }

    /// Stores the waiting acknowledgements alone. After a failure they go on waiting.
    pub(super) fn flush_acks(&mut self) -> Result<(), JournalError> {
        if self.has_acks() { self.commit(Batch::default()) } else { Ok(()) }
    }

    /// How many documents are unacknowledged.
    pub(super) fn unacked(&self) -> u64 {
        let waiting = self.acks.newest().map_or(0, |(number, _)| number);
        self.chain.newest_document().saturating_sub(waiting.max(self.taken))
    }

    /// Asks the file for documents, with when they were acknowledged.
    pub(super) fn documents(
        &self,
        question: impl FnOnce(&Connection) -> rusqlite::Result<Vec<OutboxRow>>,
    ) -> Result<Vec<OutboxRow>, JournalError> {
        self.read(|conn| {
            let mut rows = question(conn)?;
            taken::mark(conn, &mut rows)?;
            Ok(rows)
        })
    }

    /// Asks the file.
    pub(super) fn read<T>(
        &self,
        question: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, JournalError> {
        question(&self.conn).map_err(|e| JournalError::database(&self.path, "read", &e))
    }

    /// Changes what stands beside the chain, in one transaction of its own.
    pub(super) fn beside<T>(
        &mut self,
        work: impl FnOnce(&Transaction) -> rusqlite::Result<T>,
    ) -> Result<T, JournalError> {
        let failed = |path: &Path, e: &rusqlite::Error| JournalError::database(path, "written", e);
        if !self.conn.is_autocommit() {
            self.reconnect()?;
        }
        let tx = self
            .conn
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|e| failed(&self.path, &e))?;
        let done = work(&tx).map_err(|e| failed(&self.path, &e))?;
        tx.commit().map_err(|e| failed(&self.path, &e))?;
        self.unfolded = self.unfolded.saturating_add(1);
        Ok(done)
    }

    /// Writes the file anew without the room that nothing uses. It needs as much free room as the
    /// file is large, twice.
    pub(super) fn shrink(&mut self) -> Result<(), JournalError> {
        self.folding.end();
        self.conn
            .execute_batch("VACUUM; PRAGMA wal_checkpoint(TRUNCATE);")
            .map_err(|e| JournalError::database(&self.path, "made smaller", &e))
    }

    /// There is work on the write-ahead log that can wait for a quiet moment.
    pub(super) fn log_wants_care(&self) -> bool {
        !self.laid_out && self.unfolded > 0 || self.unfolded >= FOLD_AFTER
    }

    /// Lays out the log's room, a piece of it each time, and has the log folded into the file. Where
    /// either fails, the journal is slower and nothing else: what was committed is in the log.
    pub(super) fn care_for_log(&mut self) {
        if !self.laid_out {
            self.laid_out = log::lay_out(&self.path).unwrap_or_else(|error| {
                tracing::debug!(%error, path = %self.path.display(), "no room was laid out for the log");
                true
            });
        }
        if self.unfolded >= FOLD_AFTER {
            self.fold();
        }
    }

    fn fold(&mut self) {
        self.unfolded = 0;
        self.folding.wanted(&self.path);
    }

    /// Waits until the log is folded as far as that was ordered.
    #[cfg(test)]
    pub(super) fn wait_for_folding(&mut self) {
        self.folding.end();
    }

    /// Stores what waits, folds the write-ahead log into the file and closes it.
    pub(super) fn close(mut self) -> Result<(), JournalError> {
        let stored = self.flush_acks();
        self.folding.end();
        let Self { path, conn, .. } = self;
        // A reader may keep the log from being folded: everything is in it all the same.
        if let Err(error) = conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())) {
            tracing::warn!(%error, path = %path.display(), "the write-ahead log stays beside the journal");
        }
        let closed = conn.close().map_err(|(_, e)| JournalError::database(&path, "closed", &e));
        stored.and(closed)
    }

    #[cfg(test)]
    pub(super) fn connection(&self) -> &Connection {
        &self.conn
    }
}

/// Checks that a batch continues the chain as whoever made it believed, and gives the head after
/// it. A batch made on a head that never came to be is thus refused whole, instead of breaking the
/// chain.
/// Whether the file system still takes writes. A file that is open does after the kernel's emergency
/// remount, and ext4 then confirms flushes that it does not make (Linux 6.1): only the mount says so.
fn writable(path: &Path) -> Result<(), JournalError> {
    match rustix::fs::statvfs(path) {
        Ok(told) if told.f_flag.contains(rustix::fs::StatVfsMountFlags::RDONLY) => Err(JournalError::Disk {
            path: path.to_path_buf(),
            doing: "written",
            trouble: Trouble::ReadOnly,
            detail: "its file system is mounted read-only".to_owned(),
        }),
        // Whoever cannot be asked will say it when it is written to.
        Ok(_) | Err(_) => Ok(()),
    }
}

fn follow(head: &Chain, batch: &Batch) -> Result<Chain, String> {
    let chain = match &batch.continued {
        Some(continued) => step_over(head, continued, batch)?,
        None => step_along(head, batch)?,
    };
    if let Some(row) = batch.closed.iter().find(|row| row.seq > chain.seq()) {
        return Err(format!("what left includes event {}, but the newest is {}", row.seq, chain.seq()));
    }
    match &batch.snapshot {
        Some((seq, _)) if *seq > chain.seq() => {
            Err(format!("the snapshot includes event {seq}, but the newest is {}", chain.seq()))
        }
        _ => Ok(chain),
    }
}

/// The rows were made on this very head, without a gap.
fn step_over(head: &Chain, continued: &Continued, batch: &Batch) -> Result<Chain, String> {
    let Continued { from, to } = continued;
    if head != from {
        return Err(format!(
            "it was made on event {} and document {}, but the newest are {} and {}",
            from.seq(),
            from.newest_document(),
            head.seq(),
            head.newest_document()
        ));
    }
    let events = (from.seq() + 1..=to.seq()).eq(batch.events.iter().map(|row| row.seq));
    let documents =
        (from.newest_document() + 1..=to.newest_document()).eq(batch.outbox.iter().map(|row| row.number));
    if events && documents { Ok(to.clone()) } else { Err("rows of it are missing".to_owned()) }
}

/// Every row follows from what stands before it.
fn step_along(head: &Chain, batch: &Batch) -> Result<Chain, String> {
    let mut chain = head.clone();
    let mut documents = batch.outbox.iter().peekable();
    for event in &batch.events {
        let broken = |what| format!("event {} ({}): {what}", event.seq, event.kind);
        chain.examine(event).map_err(broken)?;
        while event.chained
            && let Some(row) = documents.next_if(|row| row.number <= event.documents)
        {
            chain.follow_document(row).map_err(broken)?;
        }
        chain.enter(event).map_err(broken)?;
    }
    for row in documents {
        chain
            .follow_document(row)
            .map_err(|what| format!("document {} ({}): {what}", row.number, row.kind))?;
    }
    Ok(chain)
}

/// Writes everything but acknowledgements.
fn put(tx: &Transaction, batch: &Batch) -> rusqlite::Result<()> {
    for row in &batch.inputs {
        sql::put_input(tx, row)?;
    }
    for row in &batch.events {
        sql::put_event(tx, row)?;
    }
    for row in &batch.outbox {
        sql::put_document(tx, row)?;
    }
    for row in &batch.closed {
        closed::put(tx, row)?;
    }
    if let Some((seq, state)) = &batch.snapshot {
        sql::put_snapshot(tx, *seq, state)?;
    }
    if let Some(seq) = batch.removal {
        removal::put(tx, seq)?;
    }
    Ok(())
}

fn taken_in(conn: &Connection, path: &Path) -> Result<u64, JournalError> {
    taken::through_of(conn).map_err(|e| JournalError::database(path, "read", &e))
}

/// Bytes of the write-ahead log that stay on the disk once it was folded into the file.
const LOG_KEPT: i64 = 16 * 1024 * 1024;

/// Opens the file for writing, unless it is something else or from a newer program.
fn connect(path: &Path) -> Result<(Connection, Found), JournalError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_EXRESCODE;
    let failed = |e: rusqlite::Error| JournalError::database(path, "opened", &e);
    let conn = Connection::open_with_flags(path, flags).map_err(failed)?;
    conn.busy_timeout(Duration::from_secs(5)).map_err(failed)?;
    conn.set_prepared_statement_cache_capacity(32); // there are fewer different statements than that
    let found = schema::look(&conn, path)?;
    if let Found::Journal(format) = found
        && format > schema::newest()
    {
        let (path, known) = (path.to_path_buf(), schema::newest());
        return Err(JournalError::Newer { path, found: format, known });
    }
    let mode: String =
        conn.pragma_update_and_check(None, "journal_mode", "wal", |row| row.get(0)).map_err(failed)?;
    if mode != "wal" {
        let detail = format!("it refuses a write-ahead log and stays with '{mode}'");
        let (path, trouble) = (path.to_path_buf(), Trouble::Other);
        return Err(JournalError::Disk { path, doing: "opened", trouble, detail });
    }
    conn.pragma_update(None, "synchronous", "FULL").map_err(failed)?;
    conn.pragma_update(None, "foreign_keys", true).map_err(failed)?;
    conn.pragma_update(None, "wal_autocheckpoint", CHECKPOINT_PAGES).map_err(failed)?;
    // A log that grew while a backup or a verification held it back is cut again afterwards.
    conn.pragma_update(None, "journal_size_limit", LOG_KEPT).map_err(failed)?;
    Ok((conn, found))
}

fn read_back(conn: &Connection, path: &Path, before: Option<u64>) -> Result<Restored, JournalError> {
    restore::restore(conn, before).map_err(|error| told(path, error))
}

/// Why a file's head could not be rebuilt, with the file's name.
pub(super) fn told(path: &Path, error: RestoreError) -> JournalError {
    match error {
        RestoreError::Database(e) => JournalError::database(path, "read", &e),
        other => JournalError::Damaged { path: path.to_path_buf(), detail: other.to_string() },
    }
}

/// The file's own path: two names of one file must meet at one lock.
fn real_path(path: &Path) -> Result<PathBuf, JournalError> {
    if let Ok(real) = path.canonicalize() {
        return Ok(real);
    }
    let failed = |e: &std::io::Error| JournalError::file(path, "opened", e);
    let name = path.file_name().ok_or_else(|| failed(&std::io::ErrorKind::NotFound.into()))?;
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    Ok(folder.canonicalize().map_err(|e| failed(&e))?.join(name))
}

/// A new file's name must survive a power cut as its content does.
pub(super) fn keep_name(path: &Path) -> Result<(), JournalError> {
    let folder = path.parent().unwrap_or(Path::new("/"));
    std::fs::File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|e| JournalError::file(path, "made", &e))
}
