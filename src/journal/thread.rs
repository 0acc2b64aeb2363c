//! The journal's thread: it owns the connection and does one thing after the other.

use super::error::JournalError;
use super::store::Store;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::time::Instant;

/// Acknowledgements that wait for company are committed alone when many wait, or after this long.
const ACKS_WAIT: Duration = Duration::from_secs(1);

/// Quiet for so long before the log is looked after, so that nobody waits for it.
const REST: Duration = Duration::from_millis(20);

/// Work on the store; it sends its own answer.
pub(super) type Work = Box<dyn FnOnce(&mut Store) + Send>;

/// What the thread is asked for.
pub(super) enum Request {
    /// Do this.
    Work(Work),
    /// Acknowledgements wait: a first one, or many.
    Acked,
    /// Store what waits, close the file, end.
    Close(oneshot::Sender<Result<(), JournalError>>),
}

/// Runs until it is closed or every handle is gone.
pub(super) fn run(mut store: Store, requests: &Receiver<Request>) {
    let mut flush_at: Option<Instant> = None;
    loop {
        let rest_at = store.log_wants_care().then(|| Instant::now() + REST);
        let request = match flush_at.into_iter().chain(rest_at).min() {
            None => requests.recv().map_err(|_| RecvTimeoutError::Disconnected),
            Some(at) => requests.recv_timeout(at.saturating_duration_since(Instant::now())),
        };
        match request {
            Ok(Request::Work(work)) => work(&mut store),
            Ok(Request::Acked) => {
                if store.has_many_acks() {
                    flush_at = Some(Instant::now());
                }
            }
            Ok(Request::Close(answer)) => {
                let _ = answer.send(store.close());
                return;
            }
            Err(RecvTimeoutError::Timeout) => {
                if rest_at.is_some_and(|at| at <= Instant::now()) {
                    store.care_for_log();
                }
            }
            Err(RecvTimeoutError::Disconnected) => {
                if let Err(error) = store.close() {
                    tracing::error!(%error, "the journal did not close cleanly");
                }
                return;
            }
        }
        flush_at = next_flush(&mut store, flush_at);
    }
}

/// Stores waiting acknowledgements when they are due, and says when to look again.
fn next_flush(store: &mut Store, due: Option<Instant>) -> Option<Instant> {
    if !store.has_acks() {
        return None;
    }
    let now = Instant::now();
    match due {
        Some(at) if at <= now => match store.flush_acks() {
            Ok(()) => None,
            Err(error) => {
                tracing::warn!(%error, "acknowledgements of the network wait for the disk");
                Some(now + ACKS_WAIT)
            }
        },
        Some(at) => Some(at),
        None => Some(now + ACKS_WAIT),
    }
}
