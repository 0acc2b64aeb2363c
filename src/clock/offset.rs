//! How far `CLOCK_BOOTTIME` runs ahead of `CLOCK_MONOTONIC`: the time that the machine was suspended.
//!
//! The kernel stamps edges on `CLOCK_MONOTONIC`, which stands still in suspend. The difference is
//! constant while the machine is awake and grows in one step with each suspend, so an edge maps
//! exactly unless a step lies around it; then the step is the doubt.

use std::collections::VecDeque;

/// A step smaller than this is noise of reading two clocks one after the other, nanoseconds.
/// No suspend is that short.
const NOISE_NS: i64 = 1_000_000;
/// Steps that are remembered: edges are minutes old at most, not weeks.
const REMEMBERED: usize = 16;

/// Boot clock minus `CLOCK_MONOTONIC`, once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(clippy::struct_field_names, reason = "the unit belongs to the name")]
pub(super) struct Sample {
    /// When, on `CLOCK_MONOTONIC`, nanoseconds.
    pub(super) monotonic_ns: i64,
    /// The difference, nanoseconds.
    pub(super) offset_ns: i64,
    /// Half-width of what reading the clocks leaves open, nanoseconds.
    pub(super) doubt_ns: i64,
}

/// A stretch of monotonic time, both ends seen with one offset.
#[derive(Debug, Clone, Copy)]
#[expect(clippy::struct_field_names, reason = "the unit belongs to the name")]
struct Awake {
    from_ns: i64,
    to_ns: i64,
    offset_ns: i64,
    doubt_ns: i64,
}

/// The stretches between suspends, oldest first.
#[derive(Debug)]
pub(super) struct Offsets {
    past: VecDeque<Awake>,
    current: Awake,
}

impl Offsets {
    pub(super) fn new(first: Sample) -> Self {
        Self { past: VecDeque::new(), current: Awake::new(first) }
    }

    /// When the last sample was taken.
    pub(super) fn sampled_ns(&self) -> i64 {
        self.current.to_ns
    }

    /// The difference now.
    pub(super) fn newest_ns(&self) -> i64 {
        self.current.offset_ns
    }

    /// A difference that was seen carelessly: the machine was suspended since, or may have been.
    pub(super) fn is_another(&self, offset_ns: i64) -> bool {
        offset_ns.saturating_sub(self.current.offset_ns).saturating_abs()
            > NOISE_NS.saturating_add(self.current.doubt_ns)
    }

    /// Takes a sample, later than every one before.
    pub(super) fn sample(&mut self, s: Sample) {
        let step = s.offset_ns.saturating_sub(self.current.offset_ns).saturating_abs();
        if step > NOISE_NS.saturating_add(s.doubt_ns).saturating_add(self.current.doubt_ns) {
            if self.past.len() == REMEMBERED {
                self.past.pop_front();
            }
            self.past.push_back(self.current);
            self.current = Awake::new(s);
            return;
        }
        self.current.to_ns = self.current.to_ns.max(s.monotonic_ns);
        // The same difference, seen more sharply.
        if s.doubt_ns < self.current.doubt_ns {
            self.current.offset_ns = s.offset_ns;
            self.current.doubt_ns = s.doubt_ns;
        }
    }

    /// `(boot_ns, doubt_ns)` of an instant on `CLOCK_MONOTONIC`.
    pub(super) fn map(&self, monotonic_ns: i64) -> (i64, i64) {
        let mut after = &self.current;
        for before in self.past.iter().rev() {
            if monotonic_ns >= after.from_ns {
                break;
            }
            if monotonic_ns > before.to_ns {
                // In the gap: suspended somewhere between. An edge wakes the machine more often
                // than it is the last thing before it sleeps.
                let step = after.offset_ns.saturating_sub(before.offset_ns).saturating_abs();
                return (monotonic_ns.saturating_add(after.offset_ns), step.saturating_add(after.doubt_ns));
            }
            after = before;
        }
        (monotonic_ns.saturating_add(after.offset_ns), after.doubt_ns)
    }
}

impl Awake {
    fn new(s: Sample) -> Self {
        Self { from_ns: s.monotonic_ns, to_ns: s.monotonic_ns, offset_ns: s.offset_ns, doubt_ns: s.doubt_ns }
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::SECOND;

    fn sample(monotonic_s: i64, offset_ns: i64, doubt_ns: i64) -> Sample {
        Sample { monotonic_ns: monotonic_s * SECOND, offset_ns, doubt_ns }
    }

    #[test]
    fn awake_every_edge_maps_exactly_and_the_sharpest_sample_counts() {
        let mut offsets = Offsets::new(sample(10, 5_000, 900));
        offsets.sample(sample(11, 5_400, 50));
        offsets.sample(sample(12, 4_000, 2_000));
        assert_eq!(offsets.map(11 * SECOND + 7), (11 * SECOND + 7 + 5_400, 50));
        assert_eq!((offsets.sampled_ns(), offsets.newest_ns()), (12 * SECOND, 5_400));
        assert!(!offsets.is_another(900_000), "the clocks were read one after the other");
        assert!(offsets.is_another(2_000_000), "no suspend is that short");
        // Before the first sample the machine was awake too, for all that is known.
        assert_eq!(offsets.map(9 * SECOND).1, 50);
    }

    #[test]
    fn a_suspend_puts_only_the_edges_around_it_in_doubt() {
        let slept = 3600 * SECOND;
        let mut offsets = Offsets::new(sample(10, 0, 20));
        offsets.sample(sample(20, 0, 20));
        offsets.sample(sample(21, slept, 30));
        offsets.sample(sample(30, slept, 30));
        assert_eq!(offsets.map(15 * SECOND), (15 * SECOND, 20), "before it");
        assert_eq!(offsets.map(25 * SECOND), (25 * SECOND + slept, 30), "after it");
        let (boot_ns, doubt_ns) = offsets.map(20 * SECOND + SECOND / 2);
        assert_eq!(doubt_ns, slept + 30, "around it");
        // Wherever the edge lay, the truth is within the doubt.
        for truth in [20 * SECOND + SECOND / 2, 20 * SECOND + SECOND / 2 + slept] {
            assert!((truth - boot_ns).abs() <= doubt_ns);
        }
    }

    #[test]
    fn many_suspends_do_not_grow_without_bound_and_old_edges_keep_their_stretch() {
        let mut offsets = Offsets::new(sample(0, 0, 10));
        for n in 1..100 {
            offsets.sample(sample(10 * n, n * SECOND, 10));
            offsets.sample(sample(10 * n + 5, n * SECOND, 10));
        }
        assert_eq!(offsets.past.len(), REMEMBERED);
        assert_eq!(offsets.map(972 * SECOND), (972 * SECOND + 97 * SECOND, 10));
    }
}
