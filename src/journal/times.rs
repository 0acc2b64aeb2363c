//! How long the disk takes to confirm, seen from outside the journal's thread without waking anybody.

use std::sync::Mutex;
use std::time::Duration;
use tokio::time::Instant;

/// The longest commit since somebody asked, the one on its way included.
#[derive(Debug, Default)]
pub(super) struct CommitTimes(Mutex<Times>);

#[derive(Debug, Default)]
struct Times {
    longest: Duration,
    since: Option<Instant>,
}

impl CommitTimes {
    fn with<T>(&self, change: impl FnOnce(&mut Times) -> T) -> T {
        // Whoever panicked while holding it left two plain values behind.
        change(&mut self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner))
    }

    pub(super) fn begun(&self) {
        self.with(|times| times.since = Some(Instant::now()));
    }

    pub(super) fn ended(&self) {
        self.with(|times| {
            let took = times.since.take().map_or(Duration::ZERO, |since| since.elapsed());
            times.longest = times.longest.max(took);
        });
    }

    /// The longest since the last question; one that is on its way counts as long as it has taken.
    pub(super) fn longest(&self) -> Duration {
        self.with(|times| {
            let under_way = times.since.map_or(Duration::ZERO, |since| since.elapsed());
            std::mem::take(&mut times.longest).max(under_way)
        })
    }
}
