//! Acknowledgements of the network that wait for a commit to ride on.
//!
//! They come one by one and much more often than anything is committed. The network acknowledges in
//! order, so that one number stands for all before it: it is put down here without waking the
//! journal's thread, which is told of the first one, and when many wait.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Acknowledgements that wait for company are committed alone when this many wait.
pub(super) const ACKS_AT_ONCE: u64 = 64;

/// Every document up to this one was acknowledged, the last of them at this wall time in
/// nanoseconds.
pub(super) type Ack = (u64, i64);

/// The waiting ones. Cheap to clone; all clones are one.
#[derive(Debug, Clone, Default)]
pub(super) struct Acks(Arc<Mutex<Waiting>>);

#[derive(Debug, Default)]
struct Waiting {
    /// The newest, and how often one was put down since one was stored.
    newest: Option<Ack>,
    count: u64,
    /// What was stored last.
    stored: u64,
}

impl Acks {
    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts one down; an older one than is known changes nothing. True when the thread has to know.
    pub(super) fn note(&self, number: u64, at_ns: i64) -> bool {
        let mut waiting = self.waiting();
        let known = waiting.newest.map_or(waiting.stored, |(number, _)| number);
        if number <= known {
            return false;
        }
        waiting.newest = Some((number, at_ns));
        waiting.count += 1;
        matches!(waiting.count, 1 | ACKS_AT_ONCE)
    }

    /// The newest that waits now.
    pub(super) fn newest(&self) -> Option<Ack> {
        self.waiting().newest
    }

    /// What stood for `number` was stored, and holds up to `taken`. Others may have come in the
    /// meantime.
    pub(super) fn stored(&self, number: u64, taken: u64) {
        let mut waiting = self.waiting();
        waiting.stored = taken;
        waiting.newest = waiting.newest.filter(|(newest, _)| *newest > number);
        waiting.count = u64::from(waiting.newest.is_some());
    }

    pub(super) fn count(&self) -> u64 {
        self.waiting().count
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn the_thread_is_told_of_the_first_and_of_many_and_never_of_what_is_old() {
        let acks = Acks::default();
        let told: Vec<u64> = (1..=200).filter(|number| acks.note(*number, 0)).collect();
        assert_eq!(told, [1, ACKS_AT_ONCE]);
        assert!(!acks.note(7, 9));
        assert_eq!(acks.newest(), Some((200, 0)));
        acks.stored(150, 150);
        assert_eq!(acks.newest(), Some((200, 0)), "it came while the others were stored");
        acks.stored(200, 200);
        assert_eq!((acks.newest(), acks.count()), (None, 0));
        assert!(!acks.note(200, 1) && acks.note(201, 1));
    }
}
