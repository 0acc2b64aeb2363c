//! The journal's outbox as the relay sees it.

use crate::clock::Clock;
use crate::journal::Journal;
use crate::network::{Outbox, OutboxError, OutboxRow, Resume};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::watch;

/// Documents that are read at once where the relay lags behind: it asks for the next one with each
/// acknowledgement, and a stored document never changes.
const AHEAD: usize = 64;

/// The journal, for the relay.
pub(super) struct JournalOutbox {
    journal: Journal,
    clock: Arc<dyn Clock>,
    /// Read and not asked for yet, ascending without a gap.
    ahead: Mutex<VecDeque<OutboxRow>>,
}

impl JournalOutbox {
    pub(super) fn new(journal: Journal, clock: Arc<dyn Clock>) -> Self {
        journal.keep_fresh();
        Self { journal, clock, ahead: Mutex::default() }
    }

    /// Up to `limit` rows after `number` out of those that were read ahead. Where sending has turned
    /// back or gone elsewhere, there are none.
    fn take(&self, number: u64, limit: usize) -> Vec<OutboxRow> {
        let mut ahead = self.ahead.lock().unwrap_or_else(PoisonError::into_inner);
        if ahead.front().is_none_or(|row| row.number != number.saturating_add(1)) {
            ahead.clear();
        }
        let most = limit.min(ahead.len());
        ahead.drain(..most).collect()
    }

    fn keep(&self, rows: Vec<OutboxRow>) {
        *self.ahead.lock().unwrap_or_else(PoisonError::into_inner) = rows.into();
    }
}

impl Outbox for JournalOutbox {
    async fn resume(&self, again: Duration) -> Result<Resume, OutboxError> {
        let unreadable = |e: crate::journal::JournalError| OutboxError(e.to_string());
        let (acked, send_after) = self.journal.resume_sending(again).await.map_err(unreadable)?;
        Ok(Resume { acked, send_after })
    }

    async fn after(&self, number: u64, limit: usize) -> Result<Vec<OutboxRow>, OutboxError> {
        let rows = self.take(number, limit);
        if !rows.is_empty() {
            return Ok(rows);
        }
        let rows = self.journal.fresh_after(number, limit);
        if !rows.is_empty() {
            return Ok(rows);
        }
        let most = u32::try_from(limit.max(AHEAD)).unwrap_or(u32::MAX);
        let rows = self.journal.outbox_from(number.saturating_add(1), most).await;
        self.keep(rows.map_err(|e| OutboxError(e.to_string()))?);
        Ok(self.take(number, limit))
    }

    fn acked(&self, number: u64) {
        self.journal.note_acked(number, self.clock.now().wall_ns);
    }

    fn changed(&self) -> watch::Receiver<u64> {
        self.journal.newest_document()
    }
}
