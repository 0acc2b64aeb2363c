//! What the rest of the station holds of the journal.

use super::acks::Acks;
use super::backup::{self, BackupFault};
use super::closed;
use super::error::JournalError;
use super::faults::{Faults, NoFaults};
use super::fresh::Fresh;
use super::listed::{self, ListedRow};
use super::removal::{self, Blank, Blanked};
use super::rows::{Batch, ClosedFound, ClosedWanted, InputRow, OutboxRow, Restored};
use super::size;
use super::sql;
use super::store::{OpenWith, Store};
use super::taken;
use super::thread::{self, Request};
use super::times::CommitTimes;
use super::verify::Verified;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{self, Sender};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::{oneshot, watch};
use uuid::Uuid;

/// A handle on the journal's thread; cheap to clone. When the last one is dropped the thread
/// stores what waits, closes the file and gives up the lock.
#[derive(Debug, Clone)]
pub struct Journal {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    path: PathBuf,
    requests: Option<Sender<Request>>,
    newest: watch::Receiver<u64>,
    acks: Acks,
    fresh: Fresh,
    times: Arc<CommitTimes>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Inner {
    fn drop(&mut self) {
        self.requests = None;
        if let Some(thread) = self.thread.take() {
            // A panic of the thread was reported where it happened; there is nothing to add.
            let _ = thread.join();
        }
    }
}

impl Journal {
    /// Opens the journal at `path`, or makes it; its folder must be there. Blocks while it reads
    /// what came after the last snapshot.
    pub fn open(path: &Path, with: &OpenWith) -> Result<(Self, Restored), JournalError> {
        Self::open_with_faults(path, with, Box::new(NoFaults))
    }

    /// As [`Journal::open`], on a disk that fails when it is told to.
    #[doc(hidden)]
    pub fn open_with_faults(
        path: &Path,
        with: &OpenWith,
        faults: Box<dyn Faults>,
    ) -> Result<(Self, Restored), JournalError> {
        let (store, restored) = Store::open(path, with, faults)?;
        let (path, newest) = (store.path().to_path_buf(), store.newest());
        let (acks, fresh, times) = (store.acks(), store.fresh(), store.times());
        let (sender, requests) = mpsc::channel();
        let thread = std::thread::Builder::new()
            .name("journal".to_owned())
            .spawn(move || thread::run(store, &requests))
            .map_err(|e| JournalError::file(&path, "given a thread", &e))?;
        let inner = Inner { path, requests: Some(sender), newest, acks, fresh, times, thread: Some(thread) };
        Ok((Self { inner: Arc::new(inner) }, restored))
    }

    /// Stores a batch in one transaction. `Ok`: it is on the disk. An error of the disk: it does
    /// not count as stored, but may be (the disk failed while saying so): [`Journal::reload`]
    /// tells. Dropping the future does not take the batch back.
    pub async fn commit(&self, batch: impl Into<Arc<Batch>>) -> Result<(), JournalError> {
        let batch = batch.into();
        self.ask(move |store| store.commit(batch)).await
    }

    /// Remembers that the network acknowledged every document up to this one. Stored with the next
    /// commit, or alone within a second, or at 64 of them, or at the close. Lost in a power cut before
    /// that: the documents are then sent again, which their numbers and ids let the receiver see.
    pub fn note_acked(&self, number: u64, at_ns: i64) {
        if self.inner.acks.note(number, at_ns) {
            // A closed journal: the document is sent again after the next start.
            let _ = self.send(Request::Acked);
        }
    }

    /// What the file holds now; the way back to a sound state after a failed commit.
    pub async fn reload(&self) -> Result<Restored, JournalError> {
        self.ask(|store| store.reload(None)).await
    }

    /// As [`Journal::reload`], from a snapshot older than event `seq`: the way round a snapshot
    /// whose state cannot be read.
    pub async fn reload_before(&self, seq: u64) -> Result<Restored, JournalError> {
        self.ask(move |store| store.reload(Some(seq))).await
    }

    /// Up to `limit` documents from `number` on, acknowledged or not, ascending: for a replay.
    pub async fn outbox_from(&self, number: u64, limit: u32) -> Result<Vec<OutboxRow>, JournalError> {
        let after = number.saturating_sub(1);
        self.ask(move |store| store.documents(|conn| sql::documents_after(conn, after, limit))).await
    }

    /// Keeps documents that were just stored, so that [`Journal::fresh_after`] has them.
    pub fn keep_fresh(&self) {
        self.inner.fresh.want();
    }

    /// Up to `limit` documents after `number`, if they were stored just now and were not given
    /// before; nothing otherwise. Asks neither the thread nor the file.
    pub fn fresh_after(&self, number: u64, limit: usize) -> Vec<OutboxRow> {
        self.inner.fresh.take(number, limit)
    }

    /// Where sending goes on: every document up to the first number is acknowledged, and every one
    /// up to the second was acknowledged `again` or longer before the newest acknowledgement, by the
    /// wall clock of each.
    pub async fn resume_sending(&self, again: Duration) -> Result<(u64, u64), JournalError> {
        self.ask(move |store| store.read(|conn| taken::resume(conn, again))).await
    }

    /// How many documents the network has not acknowledged.
    pub async fn unacked_count(&self) -> Result<u64, JournalError> {
        self.ask(|store| Ok(store.unacked())).await
    }

    /// Up to `limit` documents of a kind, newest first, numbered below `before` where given.
    pub async fn documents(
        &self,
        kind: &str,
        before: Option<u64>,
        limit: u32,
    ) -> Result<Vec<OutboxRow>, JournalError> {
        let kind = kind.to_owned();
        self.ask(move |store| store.documents(|conn| sql::documents_of(conn, &kind, before, limit))).await
    }

    /// The document with this id.
    pub async fn document(&self, id: &str) -> Result<Option<OutboxRow>, JournalError> {
        let id = id.to_owned();
        let found = self.ask(move |store| {
            store.documents(|conn| Ok(sql::document_by_id(conn, &id)?.into_iter().collect()))
        });
        Ok(found.await?.pop())
    }

    /// The input with this id: lets an ask that comes twice get its first answer again.
    pub async fn input(&self, id: Uuid) -> Result<Option<InputRow>, JournalError> {
        self.ask(move |store| store.read(|conn| sql::input_by_id(conn, id))).await
    }

    /// How long the longest commit took since this was asked last; one that is on its way counts
    /// as long as it has taken.
    pub fn slowest_commit(&self) -> std::time::Duration {
        self.inner.times.longest()
    }

    /// What has left the state, by its identity or by that of one of its parts.
    pub async fn closed(&self, id: Uuid) -> Result<Option<ClosedFound>, JournalError> {
        self.ask(move |store| store.read(|conn| closed::by_id(conn, id))).await
    }

    /// Up to `limit` of what has left the state, the last one first; the `number` of the last row
    /// is the `before` of the next page.
    pub async fn closed_page(
        &self,
        wanted: ClosedWanted,
        limit: u32,
    ) -> Result<Vec<ClosedFound>, JournalError> {
        self.ask(move |store| store.read(|conn| closed::page(conn, &wanted, limit))).await
    }

    /// The journal's file, for a [`Reader`](super::Reader) of its own: a long look keeps no commit
    /// waiting.
    pub fn path(&self) -> &Path {
        &self.inner.path
    }

    /// Takes documents into the list of those that people look for, which then goes up to `through`.
    pub async fn list(&self, rows: Vec<ListedRow>, through: u64) -> Result<(), JournalError> {
        self.ask(move |store| store.beside(|tx| listed::put(tx, &rows, through, true))).await
    }

    /// Notes the size of the file for a day (days since 1970-01-01, UTC), once.
    pub async fn note_size(&self, day: i64) -> Result<(), JournalError> {
        self.ask(move |store| store.beside(|tx| size::note(tx, day))).await
    }

    /// The removals that the journal tells of, oldest first.
    pub async fn removals(&self) -> Result<Vec<Blanked>, JournalError> {
        self.ask(|store| store.read(removal::all)).await
    }

    /// Blanks payloads that a removal names, in one transaction. Their hashes stay.
    pub async fn blank(&self, step: Blank) -> Result<(), JournalError> {
        self.ask(move |store| store.beside(|tx| removal::blank(tx, &step))).await
    }

    /// Everything that a removal names is gone.
    pub async fn removal_done(&self, seq: u64) -> Result<(), JournalError> {
        self.ask(move |store| store.beside(|tx| removal::done(tx, seq))).await
    }

    /// Writes the file anew, without the room that nothing uses any more.
    pub async fn shrink(&self) -> Result<(), JournalError> {
        self.ask(Store::shrink).await
    }

    /// Changes whenever newer documents were committed; holds the newest one's number.
    pub fn newest_document(&self) -> watch::Receiver<u64> {
        self.inner.newest.clone()
    }

    /// Copies the journal, as it stands at one instant, to a new file while the station runs, and
    /// gives what the copy holds. Opened as a journal, the copy goes on under a new identity.
    pub async fn backup(&self, to: &Path) -> Result<Verified, BackupFault> {
        let (from, to) = (self.inner.path.clone(), to.to_path_buf());
        tokio::task::spawn_blocking(move || backup::backup(&from, &to))
            .await
            .map_err(|_| JournalError::Closed)?
    }

    /// Gives the journal a new identity from here on: for a copy that was made by other means
    /// than [`Journal::backup`]. Numbers of events and documents go on.
    pub async fn adopt_new_id(&self, id: Uuid, now_wall_ns: i64) -> Result<Restored, JournalError> {
        self.ask(move |store| store.adopt(id, now_wall_ns)).await
    }

    /// Stores what waits, closes the file and gives up the lock. Every clone of this handle gets
    /// [`JournalError::Closed`] from then on.
    pub async fn close(self) -> Result<(), JournalError> {
        let (answer, closed) = oneshot::channel();
        self.send(Request::Close(answer))?;
        closed.await.map_err(|_| JournalError::Closed)?
    }

    async fn ask<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Store) -> Result<T, JournalError> + Send + 'static,
    ) -> Result<T, JournalError> {
        let (answer, answered) = oneshot::channel();
        self.send(Request::Work(Box::new(move |store| {
            // Nobody waits any more: the work is done all the same.
            let _ = answer.send(work(store));
        })))?;
        answered.await.map_err(|_| JournalError::Closed)?
    }

    fn send(&self, request: Request) -> Result<(), JournalError> {
        let requests = self.inner.requests.as_ref().ok_or(JournalError::Closed)?;
        requests.send(request).map_err(|_| JournalError::Closed)
    }
}
