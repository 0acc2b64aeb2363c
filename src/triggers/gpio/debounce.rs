//! Debounce of our own, for a chip on which the kernel does none. PURE.
//!
//! A contact that bounces is one edge: it counts once it has stood still for the set time and shows
//! another level than before. Its instant is that of the first bounce, and what the bounces leave open
//! is its doubt; the kernel's own debounce gives the end of the still time instead.

use super::Level;

/// A line whose bounces are gathered. Times are nanoseconds on the clock of the edges' stamps.
#[derive(Debug, Clone)]
pub(super) struct Debounce {
    still_ns: u64,
    settled: Level,
    bounces: Option<Bounces>,
}

/// Edges that follow each other sooner than the set time.
#[derive(Debug, Clone, Copy)]
struct Bounces {
    first_ns: u64,
    last_ns: u64,
    level: Level,
    gap: bool,
}

/// An edge that counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Settled {
    /// The level that it led to.
    pub(super) level: Level,
    /// The first bounce.
    pub(super) at_ns: u64,
    /// From the first bounce to the last.
    pub(super) bounced_ns: u64,
    /// Edges were lost among its bounces or before them.
    pub(super) after_gap: bool,
}

impl Debounce {
    /// A line that stands at `level`.
    pub(super) fn new(still_ns: u64, level: Level) -> Self {
        Self { still_ns, settled: level, bounces: None }
    }

    /// One edge more; gives the edge before it that turned out to count.
    pub(super) fn edge(&mut self, level: Level, at_ns: u64, after_gap: bool) -> Option<Settled> {
        let before = self.still(at_ns);
        if after_gap && self.bounces.is_none() {
            // What was lost led to the other level: else this edge could not have been one.
            self.settled = level.other();
        }
        let bounces =
            self.bounces.get_or_insert(Bounces { first_ns: at_ns, last_ns: at_ns, level, gap: false });
        bounces.last_ns = bounces.last_ns.max(at_ns);
        bounces.level = level;
        bounces.gap |= after_gap;
        before
    }

    /// When the bounces are over if no other edge comes.
    pub(super) fn over_at(&self) -> Option<u64> {
        self.bounces.map(|bounces| bounces.last_ns.saturating_add(self.still_ns))
    }

    /// No edge came up to `now_ns`: the edge that counts by now, if there is one.
    pub(super) fn still(&mut self, now_ns: u64) -> Option<Settled> {
        let over = self.over_at().is_some_and(|over| now_ns >= over);
        let bounces = self.bounces.take_if(|_| over)?;
        if bounces.level == self.settled {
            // A spark: the line shows what it showed before.
            return None;
        }
        self.settled = bounces.level;
        let bounced_ns = bounces.last_ns.saturating_sub(bounces.first_ns);
        Some(Settled { level: bounces.level, at_ns: bounces.first_ns, bounced_ns, after_gap: bounces.gap })
    }
}

#[cfg(test)]
mod test {
    use super::Level::{Active, Inactive};
    use super::*;

    const MS: u64 = 1_000_000;

    fn line() -> Debounce {
        Debounce::new(10 * MS, Inactive)
    }

    #[test]
    fn a_bouncing_contact_is_one_edge_at_its_first_bounce_with_what_it_bounced_as_doubt() {
        let mut line = line();
        for (at, level) in [(100, Active), (101, Inactive), (103, Active)] {
            assert_eq!(line.edge(level, at * MS, false), None);
        }
        assert_eq!(line.still(112 * MS), None, "not still for long enough");
        assert_eq!(line.over_at(), Some(113 * MS));
        let edge = Settled { level: Active, at_ns: 100 * MS, bounced_ns: 3 * MS, after_gap: false };
        assert_eq!(line.still(113 * MS), Some(edge));
        assert_eq!((line.still(500 * MS), line.over_at()), (None, None), "and only one");
    }

    #[test]
    fn a_spark_is_no_edge() {
        let mut line = line();
        line.edge(Active, 100 * MS, false);
        line.edge(Inactive, 102 * MS, false);
        assert_eq!(line.still(200 * MS), None);
        assert_eq!(line.edge(Active, 300 * MS, false), None);
        assert_eq!(line.still(310 * MS).map(|edge| edge.at_ns), Some(300 * MS), "the next press is whole");
    }

    #[test]
    fn edges_that_were_read_late_count_by_their_own_times() {
        let mut line = line();
        line.edge(Active, 100 * MS, false);
        let press = line.edge(Inactive, 150 * MS, false).map(|edge| (edge.level, edge.at_ns));
        assert_eq!(press, Some((Active, 100 * MS)));
        let release = line.edge(Active, 160 * MS, false).map(|edge| (edge.level, edge.at_ns));
        assert_eq!(release, Some((Inactive, 150 * MS)), "the set time itself is still");
    }

    #[test]
    fn a_gap_among_the_bounces_stays_with_the_edge() {
        let mut line = line();
        line.edge(Active, 100 * MS, false);
        line.edge(Active, 104 * MS, true);
        assert!(line.still(114 * MS).is_some_and(|edge| edge.after_gap));
    }

    #[test]
    fn a_press_whose_release_before_it_was_lost_counts() {
        let mut line = Debounce::new(10 * MS, Active);
        line.edge(Active, 100 * MS, true);
        let press = Settled { level: Active, at_ns: 100 * MS, bounced_ns: 0, after_gap: true };
        assert_eq!(line.still(110 * MS), Some(press));
    }
}
