//! Whether the other threads of the program still turn: the service manager's watchdog is fed by the
//! station's loop alone, and would not notice that pages hang.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// How often a thread shows that it turns.
pub const BEAT: Duration = Duration::from_secs(3);
/// One that has not for so long hangs. Hundreds of pages that take nothing keep theirs busy for a second.
const HANGS: Duration = Duration::from_secs(20);

/// What a thread shows, and the station looks at. Cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct Alive(Arc<Mutex<Option<Instant>>>);

impl Alive {
    /// The thread turns.
    pub fn beat(&self) {
        self.set(Some(Instant::now()));
    }

    /// The thread has ended in good order, and will not beat any more.
    pub fn ends(&self) {
        self.set(None);
    }

    /// It has begun, and has not shown itself for long.
    pub fn hangs(&self) -> bool {
        self.hangs_at(Instant::now())
    }

    fn hangs_at(&self, now: Instant) -> bool {
        let last = *self.0.lock().unwrap_or_else(PoisonError::into_inner);
        last.is_some_and(|last| now.saturating_duration_since(last) >= HANGS)
    }

    fn set(&self, last: Option<Instant>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = last;
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn a_thread_hangs_that_began_and_has_not_shown_itself_for_long() {
        let alive = Alive::default();
        let now = Instant::now();
        assert!(!alive.hangs_at(now + HANGS), "it has not begun");
        alive.beat();
        assert!(!alive.hangs_at(now), "it turns");
        assert!(alive.hangs_at(Instant::now() + HANGS), "it has not shown itself since");
        alive.clone().ends();
        assert!(!alive.hangs_at(Instant::now() + HANGS), "it has ended");
    }
}
