//! Acknowledgements of the network that wait for a commit to ride on.
//!
//! They come one by one and much more often than anything is committed, so they are put down here
//! without waking the journal's thread: it is told of the first one, and when many wait.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Acknowledgements that wait for company are committed alone when this many wait.
pub(super) const ACKS_AT_ONCE: usize = 64;

/// The waiting ones: number of the document, and wall time in nanoseconds. Cheap to clone; all
/// clones are one.
#[derive(Debug, Clone, Default)]
pub(super) struct Acks(Arc<Mutex<BTreeMap<u64, i64>>>);

impl Acks {
    fn waiting(&self) -> MutexGuard<'_, BTreeMap<u64, i64>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts one down; of two for one document the first stays. True when the thread has to know.
    pub(super) fn note(&self, number: u64, at_ns: i64) -> bool {
        let mut waiting = self.waiting();
        let before = waiting.len();
        waiting.entry(number).or_insert(at_ns);
        waiting.len() != before && matches!(waiting.len(), 1 | ACKS_AT_ONCE)
    }

    /// Those that wait now.
    pub(super) fn all(&self) -> BTreeMap<u64, i64> {
        self.waiting().clone()
    }

    /// Forgets those that were stored. Others may have come in the meantime.
    pub(super) fn stored(&self, stored: &BTreeMap<u64, i64>) {
        self.waiting().retain(|number, _| !stored.contains_key(number));
    }

    pub(super) fn count(&self) -> usize {
        self.waiting().len()
    }
}
