//! Pulses of the shaker's switch, gathered into one count for each run.

use crate::domain::bench::{SwitchReport, What};
use crate::domain::moment::Moment;
use std::collections::BTreeMap;

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
    /// Pulses were lost: the count would be too small, and the rate another's.
    broken: bool,
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

    /// A run is being counted.
    pub(super) fn is_counting(&self) -> bool {
        !self.runs.is_empty()
    }

    /// One pulse more.
    pub(super) fn add(&mut self, switch: String, moment: Moment) {
        let each = self.per_cycle.get(&switch).copied().unwrap_or(1).max(1);
        let new = Run { pulses: 0, first: moment, ended: moment, broken: false };
        let run = self.runs.entry(switch).or_insert(new);
        if run.pulses.is_multiple_of(each) {
            run.ended = moment;
        }
        run.pulses += 1;
    }

    /// Pulses of a switch were lost: the run that it counts has no count.
    pub(super) fn lost(&mut self, switch: &str) {
        if let Some(run) = self.runs.get_mut(switch) {
            run.broken = true;
        }
    }

    /// What was counted, each with the moment of its last complete cycle; from now on anew.
    pub(super) fn take(&mut self) -> Vec<(What, Moment)> {
        let whole = std::mem::take(&mut self.runs).into_iter().filter(|(_, run)| !run.broken);
        let told = whole.map(|(name, run)| {
            let each = self.per_cycle.get(&name).copied().unwrap_or(1).max(1);
            let pulses = (run.pulses - 1) / each + 1;
            let (first, last) = (run.first, run.ended);
            (What::Switch(SwitchReport::Counted { name, pulses, first, last }), last)
        });
        told.collect()
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::{SECOND, test::at};

    fn counter(per_cycle: u32) -> Pulses {
        Pulses::new(BTreeMap::from([("cycles".to_owned(), per_cycle)]))
    }

    #[test]
    fn a_run_is_one_count_from_its_first_pulse_to_its_last_and_the_next_begins_anew() {
        let mut pulses = counter(1);
        for n in 0..132 {
            pulses.add("cycles".to_owned(), at(n * 60 * SECOND / 175));
        }
        let last = at(131 * 60 * SECOND / 175);
        let counted = SwitchReport::Counted { name: "cycles".to_owned(), pulses: 132, first: at(0), last };
        assert_eq!(pulses.take(), [(What::Switch(counted), last)]);
        assert!(!pulses.is_counting() && pulses.take().is_empty());
    }

    #[test]
    fn a_switch_that_both_ends_of_the_stroke_pass_counts_whole_cycles_only() {
        let mut pulses = counter(2);
        // Pulses at 0, 1, 2 … 6 s and one at 7 s: three cycles from 0 s to 6 s, and half of a fourth.
        for s in 0..8 {
            pulses.add("cycles".to_owned(), at(s * SECOND));
        }
        let last = at(6 * SECOND);
        let counted = SwitchReport::Counted { name: "cycles".to_owned(), pulses: 4, first: at(0), last };
        assert_eq!(pulses.take(), [(What::Switch(counted), last)]);
    }

    #[test]
    fn a_run_of_which_pulses_were_lost_has_no_count() {
        let mut pulses = counter(1);
        pulses.add("cycles".to_owned(), at(0));
        pulses.lost("cycles");
        pulses.add("cycles".to_owned(), at(SECOND));
        assert!(pulses.take().is_empty());
        pulses.add("cycles".to_owned(), at(5 * SECOND));
        assert_eq!(pulses.take().len(), 1, "the next run is whole");
    }
}
