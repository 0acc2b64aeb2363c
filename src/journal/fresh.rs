//! Documents that were just stored, kept for whoever sends them: they need not be read back, and
//! sending need not wait for the thread, which may be writing the next batch.

use super::rows::OutboxRow;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Documents kept at most; earlier ones are read from the file.
const ROWS_MOST: usize = 512;
/// Bytes of theirs kept at most.
const BYTES_MOST: usize = 1024 * 1024;

/// The newest documents, ascending and without a gap. Cheap to clone; all clones are one.
#[derive(Debug, Clone, Default)]
pub(super) struct Fresh(Arc<Mutex<Rows>>);

#[derive(Debug, Default)]
struct Rows {
    /// Somebody takes them.
    wanted: bool,
    kept: VecDeque<OutboxRow>,
    bytes: usize,
}

impl Fresh {
    fn rows(&self) -> MutexGuard<'_, Rows> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins to keep them: where nobody sends anything, nothing is kept.
    pub(super) fn want(&self) {
        self.rows().wanted = true;
    }

    /// Puts down what was stored.
    pub(super) fn put(&self, stored: Vec<OutboxRow>) {
        if stored.is_empty() {
            return;
        }
        let mut fresh = self.rows();
        if fresh.wanted {
            for row in stored {
                fresh.push(row);
            }
        }
    }

    /// Up to `limit` documents from the one after `number` on, if that one is there. What was given,
    /// and what is older, is not kept any longer.
    pub(super) fn take(&self, number: u64, limit: usize) -> Vec<OutboxRow> {
        let mut fresh = self.rows();
        while fresh.kept.front().is_some_and(|row| row.number <= number) {
            fresh.pop();
        }
        if fresh.kept.front().is_none_or(|row| row.number != number.saturating_add(1)) {
            return Vec::new();
        }
        (0..limit).map_while(|_| fresh.pop()).collect()
    }

    /// What is stored is not known any more.
    pub(super) fn forget(&self) {
        let mut fresh = self.rows();
        *fresh = Rows { wanted: fresh.wanted, ..Rows::default() };
    }
}

impl Rows {
    fn push(&mut self, row: OutboxRow) {
        if self.kept.back().is_some_and(|last| last.number.saturating_add(1) != row.number) {
            self.kept.clear();
            self.bytes = 0;
        }
        self.bytes += row.payload.len();
        self.kept.push_back(row);
        while self.kept.len() > ROWS_MOST || self.bytes > BYTES_MOST {
            self.pop();
        }
    }

    fn pop(&mut self) -> Option<OutboxRow> {
        let row = self.kept.pop_front()?;
        self.bytes = self.bytes.saturating_sub(row.payload.len());
        Some(row)
    }
}

#[cfg(test)]
mod test {
    use super::*;

    fn row(number: u64, bytes: usize) -> OutboxRow {
        OutboxRow {
            number,
            id: number.to_string(),
            kind: "weighing".to_owned(),
            topic: "t".to_owned(),
            subject: "s".to_owned(),
            payload: "x".repeat(bytes),
            made_at_ns: 0,
            acked_at_ns: None,
        }
    }

    fn numbers(rows: &[OutboxRow]) -> Vec<u64> {
        rows.iter().map(|row| row.number).collect()
    }

    fn filled(numbers: std::ops::RangeInclusive<u64>, bytes: usize) -> Fresh {
        let fresh = Fresh::default();
        fresh.want();
        numbers.for_each(|number| fresh.put(vec![row(number, bytes)]));
        fresh
    }

    #[test]
    fn they_are_given_once_in_order_and_only_where_none_is_left_out() {
        let fresh = filled(5..=9, 1);
        assert_eq!(numbers(&fresh.take(3, 9)), [0; 0], "4 must be read from the file first");
        assert_eq!(numbers(&fresh.take(4, 2)), [5, 6]);
        assert_eq!(numbers(&fresh.take(4, 2)), [0; 0], "sending turned back: from the file");
        assert_eq!(numbers(&fresh.take(7, 9)), [8, 9]);
        assert_eq!(numbers(&fresh.take(9, 9)), [0; 0]);
    }

    #[test]
    fn nothing_is_kept_unasked_and_never_more_than_the_bound() {
        let fresh = Fresh::default();
        fresh.put(vec![row(1, 1)]);
        assert_eq!(numbers(&fresh.take(0, 9)), [0; 0]);
        let fresh = filled(1..=2000, 1);
        assert_eq!(numbers(&fresh.take(2000 - ROWS_MOST as u64, 1)), [2001 - ROWS_MOST as u64]);
        assert_eq!(fresh.rows().bytes, ROWS_MOST - 1);
        let fresh = filled(1..=5, BYTES_MOST / 3);
        assert_eq!(numbers(&fresh.take(2, 9)), [3, 4, 5]);
        assert_eq!(fresh.rows().bytes, 0);
    }

    #[test]
    fn after_a_gap_only_what_follows_it_is_kept() {
        let fresh = filled(1..=3, 1);
        fresh.put(vec![row(7, 1), row(8, 1)]);
        assert_eq!(numbers(&fresh.take(3, 9)), [0; 0]);
        assert_eq!(numbers(&fresh.take(6, 9)), [7, 8]);
        fresh.put(vec![row(9, 1)]);
        fresh.forget();
        assert_eq!(numbers(&fresh.take(8, 9)), [0; 0]);
    }
}
