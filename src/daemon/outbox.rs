//! The journal's outbox as the relay sees it.

use crate::clock::Clock;
use crate::journal::Journal;
use crate::network::{Outbox, OutboxError, OutboxRow, Resume};
use std::sync::Arc;
use tokio::sync::watch;

/// The journal, for the relay.
pub(super) struct JournalOutbox {
    pub(super) journal: Journal,
    pub(super) clock: Arc<dyn Clock>,
}

impl Outbox for JournalOutbox {
    async fn resume(&self, acked_since_ns: i64) -> Result<Resume, OutboxError> {
        let unreadable = |e: crate::journal::JournalError| OutboxError(e.to_string());
        let (acked, send_after) = self.journal.resume_sending(acked_since_ns).await.map_err(unreadable)?;
        Ok(Resume { acked, send_after })
    }

    async fn after(&self, number: u64, limit: usize) -> Result<Vec<OutboxRow>, OutboxError> {
        let limit = u32::try_from(limit).unwrap_or(u32::MAX);
        self.journal
            .outbox_from(number.saturating_add(1), limit)
            .await
            .map_err(|e| OutboxError(e.to_string()))
    }

    fn acked(&self, number: u64) {
        self.journal.note_acked(number, self.clock.now().wall_ns);
    }

    fn changed(&self) -> watch::Receiver<u64> {
        self.journal.newest_document()
    }
}
