//! The list of equipment in the fold of the bench: what a specimen uses, and what is counted.

use super::Bench;
use crate::domain::equipment::{Happened, Moves};
use crate::domain::method::Method;
use crate::domain::specimen::Marked;
use uuid::Uuid;

impl Bench {
    /// Applies what has happened to the list; cycles belong to the specimens in the shaker.
    pub(super) fn apply_equipment(&mut self, happened: &Happened) {
        if let Happened::CyclesCounted { specimens, cycles } = happened {
            for id in specimens {
                if let Some(specimen) = self.specimens.get_mut(id) {
                    specimen.cycles.push(cycles.clone());
                }
            }
        }
        self.equipment.apply(happened);
    }

    /// Notes what of the kit a specimen uses at a step that is marked now.
    pub(super) fn note_use(&mut self, id: Uuid, method: &Method, step: usize, marked: &Marked) {
        if !self.equipment.is_kept() {
            return;
        }
        let (Some(specimen), Some(step)) = (self.specimens.get_mut(&id), method.steps.get(step)) else {
            return;
        };
        let is_first = specimen.points.iter().flatten().next().is_none();
        let moves = Moves { step: &step.name, moment: &marked.moment, is_first };
        let sample = self.samples.get(&specimen.sample).map(|sample| &**sample);
        self.equipment.note_use(specimen, sample, method, moves);
    }
}
