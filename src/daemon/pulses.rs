//! Pulses of the shaker's switch, gathered into one count for each run.
//!
//! A run is over when no pulse has come for a while, by the pulses' own stamps. One of which pulses may
//! be missing has no count: its line was not watched for a moment, or the kernel's queue ran over.

use crate::domain::bench::{SwitchReport, What};
use crate::domain::moment::{Moment, SECOND};
use std::collections::BTreeMap;

/// Without a pulse for this long, a run of the shaker is over: at half its rate the next one would
/// have come. Nanoseconds.
const QUIET_NS: i64 = 3 * SECOND / 2;

/// A count for the station, with the moment of its last complete cycle.
pub(super) type Counted = (What, Moment);

/// Runs that are being counted, by switch.
#[derive(Debug, Default)]
pub(super) struct Pulses {
    /// Pulses of one complete cycle, by switch.
    per_cycle: BTreeMap<String, u32>,
    runs: BTreeMap<String, Run>,
}

/// A run that is being counted.
#[derive(Debug)]
struct Run {
    pulses: u32,
    first: Moment,
    /// The first pulse, or the last that ended a complete cycle.
    ended: Moment,
    /// The last pulse, or the instant at which some may have been lost.
    last: Moment,
    /// Pulses were lost: the count would be too small, and the rate another's.
    broken: bool,
}

impl Run {
    /// It is over if nothing else was there up to an instant of the boot clock.
    fn is_over_at(&self, boot_ns: i64) -> bool {
        self.over_at() <= boot_ns
    }

    fn over_at(&self) -> i64 {
        self.last.boot_ns.saturating_add(QUIET_NS)
    }
}

impl Pulses {
    /// Switches with the pulses of one complete cycle.
    pub(super) fn new(per_cycle: BTreeMap<String, u32>) -> Self {
        Self { per_cycle, runs: BTreeMap::new() }
    }

    /// The switch counts; its edges mark nothing.
    pub(super) fn counts(&self, switch: &str) -> bool {
        self.per_cycle.contains_key(switch)
    }

    /// When the first of the runs that are being counted is over if no pulse comes, on the boot clock.
    pub(super) fn over_at(&self) -> Option<i64> {
        self.runs.values().map(Run::over_at).min()
    }

    /// One pulse more; gives the run before it, if it begins another.
    pub(super) fn add(&mut self, switch: &str, moment: Moment) -> Option<Counted> {
        let before = self.close(switch, moment);
        let each = self.per_cycle.get(switch).copied().unwrap_or(1).max(1);
        let run = self.run(switch, moment);
        if run.pulses.is_multiple_of(each) {
            run.ended = moment;
        }
        run.pulses += 1;
        run.last = moment;
        before
    }

    /// Pulses of a switch may have been lost up to this moment: the run that was under way then has no
    /// count, whether some of it was seen by now or not. Gives the run before it.
    pub(super) fn lost(&mut self, switch: &str, moment: Moment) -> Option<Counted> {
        if !self.counts(switch) {
            return None;
        }
        let before = self.close(switch, moment);
        let run = self.run(switch, moment);
        run.broken = true;
        run.last = moment;
        before
    }

    /// The run of a switch, a new one if there is none.
    fn run(&mut self, switch: &str, moment: Moment) -> &mut Run {
        let new = || Run { pulses: 0, first: moment, ended: moment, last: moment, broken: false };
        self.runs.entry(switch.to_owned()).or_insert_with(new)
    }

    /// Takes away the run of a switch if it was over at that moment.
    fn close(&mut self, switch: &str, at: Moment) -> Option<Counted> {
        if !self.runs.get(switch)?.is_over_at(at.boot_ns) {
            return None;
        }
        let run = self.runs.remove(switch)?;
        self.told(switch, &run)
    }

    /// What was counted of the runs that are over by now.
    pub(super) fn over(&mut self, now: &Moment) -> Vec<Counted> {
        let over: Vec<String> =
            self.runs.iter().filter(|(_, run)| run.is_over_at(now.boot_ns)).map(|(n, _)| n.clone()).collect();
        over.iter().filter_map(|switch| self.close(switch, *now)).collect()
    }

    fn told(&self, switch: &str, run: &Run) -> Option<Counted> {
        let each = self.per_cycle.get(switch).copied().unwrap_or(1).max(1);
        let pulses = run.pulses.checked_sub(1).filter(|_| !run.broken)? / each + 1;
        let (name, first, last) = (switch.to_owned(), run.first, run.ended);
        Some((What::Switch(SwitchReport::Counted { name, pulses, first, last }), last))
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::test::at;

    const CYCLES: &str = "cycles";

    fn counter(per_cycle: u32) -> Pulses {
        Pulses::new(BTreeMap::from([(CYCLES.to_owned(), per_cycle)]))
    }

    /// Three pulses a second between two instants, in milliseconds; gives what was told meanwhile.
    fn run(pulses: &mut Pulses, from_ms: i64, to_ms: i64) -> Vec<Counted> {
        let step = usize::try_from(SECOND / 3).unwrap();
        let instants = (from_ms * SECOND / 1000..=to_ms * SECOND / 1000).step_by(step);
        instants.filter_map(|ns| pulses.add(CYCLES, at(ns))).collect()
    }

    fn counts(told: &[Counted]) -> Vec<u32> {
        let count = |(what, _): &Counted| match what {
            What::Switch(SwitchReport::Counted { pulses, .. }) => *pulses,
            other => panic!("{other:?}"),
        };
        told.iter().map(count).collect()
    }

    #[test]
    fn a_run_is_one_count_from_its_first_pulse_to_its_last_and_the_next_begins_anew() {
        let mut pulses = counter(1);
        for n in 0..132 {
            assert_eq!(pulses.add(CYCLES, at(n * 60 * SECOND / 175)), None);
        }
        let last = at(131 * 60 * SECOND / 175);
        assert_eq!(pulses.over_at(), Some(last.boot_ns + 1_500_000_000));
        assert!(pulses.over(&last.plus(1_499_999_999)).is_empty());
        let counted = SwitchReport::Counted { name: CYCLES.to_owned(), pulses: 132, first: at(0), last };
        assert_eq!(pulses.over(&last.plus(1_500_000_000)), [(What::Switch(counted), last)]);
        assert_eq!(pulses.over_at(), None);
    }

    #[test]
    fn a_switch_that_both_ends_of_the_stroke_pass_counts_whole_cycles_only() {
        let mut pulses = counter(2);
        // Pulses at 0, 1, 2 … 6 s and one at 7 s: three cycles from 0 s to 6 s, and half of a fourth.
        for s in 0..8 {
            pulses.add(CYCLES, at(s * SECOND));
        }
        let last = at(6 * SECOND);
        let counted = SwitchReport::Counted { name: CYCLES.to_owned(), pulses: 4, first: at(0), last };
        assert_eq!(pulses.over(&at(10 * SECOND)), [(What::Switch(counted), last)]);
    }

    #[test]
    fn two_runs_are_two_counts_by_their_own_stamps_however_late_they_are_read() {
        let mut pulses = counter(1);
        let told = [run(&mut pulses, 0, 1000), run(&mut pulses, 3000, 5000)].concat();
        assert_eq!(counts(&told), [4], "told with the first pulse of the next");
        assert_eq!(counts(&pulses.over(&at(60 * SECOND))), [7]);
    }

    #[test]
    fn a_run_of_which_pulses_were_lost_has_no_count() {
        let mut pulses = counter(1);
        run(&mut pulses, 0, 1000);
        pulses.lost(CYCLES, at(SECOND));
        run(&mut pulses, 1200, 4000);
        assert!(pulses.over(&at(6 * SECOND)).is_empty());
        run(&mut pulses, 10_000, 11_000);
        assert_eq!(counts(&pulses.over(&at(20 * SECOND))), [4], "the next run is whole");
    }

    #[test]
    fn a_run_whose_first_pulses_were_lost_has_no_count_either() {
        let mut pulses = counter(1);
        // The loss is told before the edge that showed it.
        pulses.lost(CYCLES, at(0));
        run(&mut pulses, 0, 4000);
        assert!(pulses.over(&at(9 * SECOND)).is_empty());
    }

    #[test]
    fn a_chip_that_was_away_for_a_moment_or_for_long_leaves_no_count_of_a_part() {
        for away_ms in [200, 5000] {
            let mut pulses = counter(1);
            run(&mut pulses, 0, 2000);
            pulses.lost(CYCLES, at(2 * SECOND));
            let back = at((2000 + away_ms) * SECOND / 1000);
            pulses.over(&back);
            pulses.lost(CYCLES, back);
            let told = run(&mut pulses, 2100 + away_ms, 4000 + away_ms);
            assert!(told.is_empty() && pulses.over(&at(60 * SECOND)).is_empty(), "away for {away_ms} ms");
        }
    }

    #[test]
    fn what_was_whole_before_a_loss_is_told() {
        let mut pulses = counter(1);
        run(&mut pulses, 0, 1000);
        let told: Vec<_> = pulses.lost(CYCLES, at(10 * SECOND)).into_iter().collect();
        assert_eq!(counts(&told), [4]);
        assert_eq!(pulses.lost("pedal", at(0)), None);
        assert!(!pulses.runs.contains_key("pedal"), "another switch counts nothing");
    }
}
