//! Pulses of the shaker's switch, gathered into one count for each run.

use crate::domain::bench::{SwitchReport, What};
use crate::domain::moment::Moment;
use std::collections::BTreeMap;

/// Runs that are being counted, by switch.
#[derive(Debug, Default)]
pub(super) struct Pulses(BTreeMap<String, (u32, Moment, Moment)>);

impl Pulses {
    /// A run is being counted.
    pub(super) fn is_counting(&self) -> bool {
        !self.0.is_empty()
    }

    /// One pulse more.
    pub(super) fn add(&mut self, switch: String, moment: Moment) {
        let (count, _, last) = self.0.entry(switch).or_insert((0, moment, moment));
        *count += 1;
        *last = moment;
    }

    /// What was counted, each with the moment of its last pulse; from now on anew.
    pub(super) fn take(&mut self) -> Vec<(What, Moment)> {
        let told = |(name, (pulses, first, last))| {
            (What::Switch(SwitchReport::Counted { name, pulses, first, last }), last)
        };
        std::mem::take(&mut self.0).into_iter().map(told).collect()
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::{SECOND, test::at};

    #[test]
    fn a_run_is_one_count_from_its_first_pulse_to_its_last_and_the_next_begins_anew() {
        let mut pulses = Pulses::default();
        for n in 0..132 {
            pulses.add("cycles".to_owned(), at(n * 60 * SECOND / 175));
        }
        let last = at(131 * 60 * SECOND / 175);
        let counted = SwitchReport::Counted { name: "cycles".to_owned(), pulses: 132, first: at(0), last };
        assert_eq!(pulses.take(), [(What::Switch(counted), last)]);
        assert!(!pulses.is_counting() && pulses.take().is_empty());
    }
}
