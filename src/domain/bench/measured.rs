//! The fold of counts and of what was stated of a material.

use super::Bench;
use crate::domain::measure::{CountTaken, Happened, Stated};
use crate::domain::specimen::history::Happened as Noted;

impl Bench {
    pub(super) fn apply_measured(&mut self, happened: &Happened) {
        match happened {
            Happened::CountEntered { specimen, step, number, marked, .. } => {
                if let Some(specimen) = self.specimens.get_mut(specimen) {
                    let taken = CountTaken { number: *number, marked: marked.clone() };
                    specimen.counts.insert(*step, taken);
                    specimen.note(Noted::Counted, marked);
                }
            }
            Happened::MaterialStated { sample, of, percent, marked } => {
                let stated = Stated { percent: *percent, marked: marked.clone() };
                let Some(known) = self.samples.get_mut(sample) else { return };
                known.material.state(*of, stated.clone());
                // A specimen that has its number keeps what it was judged by.
                for specimen in self.specimens.values_mut().filter(|s| s.sample == *sample && !s.is_over()) {
                    specimen.material.state(*of, stated.clone());
                    specimen.note(Noted::MaterialStated, marked);
                }
            }
        }
    }
}
