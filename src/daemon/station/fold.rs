//! State from the journal: the newest snapshot, and every event after it.

use crate::domain::bench::{Bench, Event};
use crate::domain::moment::Moment;
use crate::journal::stored::{Stored, StoredError, upcast};
use crate::journal::{EventRow, Journal, JournalError, Restored};

/// The journal holds what this program cannot read.
#[derive(Debug, thiserror::Error)]
pub enum FoldError {
    /// A snapshot of another shape.
    #[error("the stored state after event {seq} cannot be read: {source}")]
    Snapshot {
        /// The event that it includes last.
        seq: u64,
        /// What the reader said.
        source: serde_json::Error,
    },
    /// An event of another shape.
    #[error("event {seq} ({kind}) cannot be read: {why}")]
    Event {
        /// Its number.
        seq: u64,
        /// Its kind.
        kind: String,
        /// What the reader said.
        why: String,
    },
    /// The file could not be asked again.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// Told to stop while the disk failed.
    #[error("{text}; {inputs} inputs were neither stored nor answered")]
    Undecided {
        /// How many.
        inputs: usize,
        /// What the disk said.
        text: String,
    },
    /// A newer program wrote it.
    #[error("event {seq}: {source}")]
    Stored {
        /// Its number.
        seq: u64,
        /// What the reader said.
        source: StoredError,
    },
}

/// Folds the state that a journal holds.
///
/// # Errors
/// See [`FoldError`]; the journal is left as it is.
pub fn fold(restored: &Restored) -> Result<Bench, FoldError> {
    let mut bench = match &restored.snapshot {
        Some((seq, state)) => {
            serde_json::from_str(state).map_err(|source| FoldError::Snapshot { seq: *seq, source })?
        }
        None => Bench::default(),
    };
    for row in &restored.events_after {
        // A sample whose payload retention has blanked is older than any snapshot that counts.
        let Some(payload) = &row.payload else { continue };
        let event = stored_event(row, payload)?;
        let moment: Moment = serde_json::from_str(&row.moment).map_err(|e| unreadable(row, &e))?;
        bench.apply(&event, &moment);
    }
    Ok(bench)
}

/// Reads a stored event, whatever program version wrote it.
///
/// # Errors
/// [`FoldError::Event`] where the payload is not of its kind's shape, [`FoldError::Stored`] where a
/// newer program wrote it.
pub fn stored_event(row: &EventRow, payload: &str) -> Result<Event, FoldError> {
    if Stored::newest(&row.kind).version == row.version {
        return serde_json::from_str(payload).map_err(|e| unreadable(row, &e));
    }
    let value = serde_json::from_str(payload).map_err(|e| unreadable(row, &e))?;
    let (_, value) =
        upcast(&row.kind, row.version, value).map_err(|source| FoldError::Stored { seq: row.seq, source })?;
    // By way of its text: a second reader of every kind of event would cost the memory of a quarter
    // of a megabyte of code.
    serde_json::from_str(&value.to_string()).map_err(|e| unreadable(row, &e))
}

fn unreadable(row: &EventRow, error: &serde_json::Error) -> FoldError {
    FoldError::Event { seq: row.seq, kind: row.kind.clone(), why: error.to_string() }
}

/// Folds the state, with what it was folded from. A stored state of another program version may
/// not be readable; the events are, so an older state or the first event serves as well.
///
/// # Errors
/// See [`FoldError`]; never for a stored state alone.
pub async fn fold_readable(
    journal: &Journal,
    mut restored: Restored,
) -> Result<(Bench, Restored), FoldError> {
    loop {
        match fold(&restored) {
            Ok(bench) => return Ok((bench, restored)),
            Err(FoldError::Snapshot { seq, source }) => {
                tracing::warn!(
                    "the stored state after event {seq} cannot be read ({source}); folding from before it"
                );
                restored = journal.reload_before(seq).await?;
            }
            Err(error) => return Err(error),
        }
    }
}
