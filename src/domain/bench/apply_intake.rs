//! The fold of what becomes of a sample's particulars: what stood there before stays beside it.

use super::Bench;
use crate::domain::intake::{Correction, Happened};

impl Bench {
    pub(super) fn apply_intake(&mut self, happened: &Happened) {
        match happened {
            Happened::ParticularsCorrected { sample, correction, particulars, reason, marked } => {
                let Some(sample) = self.find_sample_mut(*sample) else { return };
                let before = std::mem::replace(&mut sample.intake.particulars, particulars.as_ref().clone());
                sample.intake.corrections.push(Correction {
                    id: *correction,
                    before,
                    reason: reason.clone(),
                    marked: marked.clone(),
                });
                let (label, method, planned) = (sample.label.clone(), sample.method.clone(), sample.planned);
                self.intake.note(&label, &method, planned, particulars);
            }
        }
    }
}
