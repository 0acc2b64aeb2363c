//! When a mass is stable whose line does not say so. Our own rule, in whole divisions:
//!
//! - at least 5 readings over at least 2 s, none more than one division from another,
//! - and their trend, by least squares, is at most half a division in 5 s.
//!
//! (Common practice of indicators that call a mass stable; the figures are this project's own.)

use crate::domain::moment::{Moment, SECOND};
use std::collections::VecDeque;

/// Least readings.
const READINGS: usize = 5;
/// Least time that they span, nanoseconds.
const SPAN_NS: i64 = 2 * SECOND;
/// The trend is judged over this time, nanoseconds: half a division in it is the most.
const TREND_NS: i128 = 5 * SECOND as i128;
/// A reading older than this is no evidence, nanoseconds.
const OLD_NS: i64 = 15 * SECOND;
/// Of a stream that is faster than this one line in this time is kept, nanoseconds. The others must
/// lie within the division as well.
const APART_NS: i64 = 40_000_000;

/// One reading, and how far the lines went that came too soon after it to be kept.
#[derive(Debug, Clone)]
struct Kept {
    at: Moment,
    steps: i64,
    lowest: i64,
    highest: i64,
    raw: String,
}

/// The last readings that lie within one division of each other. What breaks that pushes out what
/// came before it. It holds at most some fifty, however fast and however long they come.
#[derive(Debug, Clone, Default)]
pub(super) struct Settling(VecDeque<Kept>);

impl Settling {
    /// One more reading; `raw` as it is kept.
    pub(super) fn take(&mut self, steps: i64, at: Moment, raw: &str) {
        let since = |kept: &Kept| at.since(&kept.at).ns;
        while self.0.front().is_some_and(|kept| !(0..=OLD_NS).contains(&since(kept))) {
            self.0.pop_front();
        }
        while self.spread_with(steps) > 1 {
            self.0.pop_front();
        }
        if let Some(last) = self.0.back_mut().filter(|kept| at.since(&kept.at).ns < APART_NS) {
            last.lowest = last.lowest.min(steps);
            last.highest = last.highest.max(steps);
        } else {
            let raw = raw.to_owned();
            self.0.push_back(Kept { at, steps, lowest: steps, highest: steps, raw });
        }
        // No more than the rule asks for: what is older only delays it.
        while self.0.len() > READINGS && self.0.get(1).is_some_and(|second| since(second) >= SPAN_NS) {
            self.0.pop_front();
        }
    }

    /// Nothing is known any more.
    pub(super) fn clear(&mut self) {
        self.0.clear();
    }

    /// The readings are stable.
    pub(super) fn is_stable(&self) -> bool {
        let (Some(first), Some(last)) = (self.0.front(), self.0.back()) else { return false };
        self.0.len() >= READINGS && last.at.since(&first.at).ns >= SPAN_NS && self.is_level(first)
    }

    /// The lines that a stable mass stands on, oldest first.
    pub(super) fn lines(&self) -> Vec<String> {
        self.0.iter().map(|kept| kept.raw.clone()).collect()
    }

    fn spread_with(&self, steps: i64) -> i64 {
        if self.0.is_empty() {
            return 0;
        }
        let lowest = self.0.iter().map(|kept| kept.lowest).fold(steps, i64::min);
        let highest = self.0.iter().map(|kept| kept.highest).fold(steps, i64::max);
        highest.saturating_sub(lowest)
    }

    /// The slope of the least-squares line, times 5 s, is at most half a division: compared as
    /// whole numbers, so nothing is rounded.
    fn is_level(&self, first: &Kept) -> bool {
        let points = self.0.iter().map(|kept| {
            (i128::from(kept.at.since(&first.at).ns), i128::from(kept.steps.saturating_sub(first.steps)))
        });
        let (n, t, v, tv, tt) = points.fold((0_i128, 0, 0, 0, 0), |(n, st, sv, stv, stt), (t, v)| {
            (n + 1, st + t, sv + v, stv + t * v, stt + t * t)
        });
        let rise: i128 = n * tv - t * v;
        let run: i128 = n * tt - t * t;
        rise.abs() * TREND_NS * 2 <= run
    }
}
