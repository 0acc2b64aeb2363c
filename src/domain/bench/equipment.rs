//! The list of equipment in the fold of the bench: what a specimen uses, and what is counted.

use super::Bench;
use crate::domain::equipment::{Doing, Happened, Item, Judged, Moves, PastDue, Standing};
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::specimen::sample::Preparation;
use crate::domain::specimen::{Marked, Target, Weighing};
use uuid::Uuid;

/// For whom something was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Whose {
    Sample(Uuid),
    Specimen(Uuid),
}

impl Bench {
    /// How an item stands at `now` by the methods in use: in order where it is so by at least one of
    /// those that require something.
    pub fn standing(&self, item: &Item, now: &Moment) -> Standing {
        let methods: Vec<&Method> = self.methods_in_use().collect();
        self.equipment.standing_by(item, Judged { methods: &methods, at: now, looking_back: false })
    }

    /// The methods by which samples can be registered.
    pub fn methods_in_use(&self) -> impl Iterator<Item = &Method> {
        self.current.values().filter_map(|digest| self.methods.get(digest)).map(|method| &**method)
    }

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
        let past_due = self.equipment.note_use(specimen, sample, method, moves);
        self.note_past_due(past_due);
    }

    fn note_past_due(&mut self, past_due: Vec<PastDue>) {
        for (item, check) in past_due {
            self.equipment.used_past_due(&item, &check);
        }
    }

    /// Notes the balance of a mass that came for a sample or a specimen.
    pub(super) fn note_weighing(&mut self, weighing: &Weighing) {
        if let Some(whose) = whose(weighing.target.as_ref()) {
            // One that is placed afterwards was weighed before what was found since.
            let looking_back = weighing.placed.is_some();
            self.note_doing(
                Doing::Weighing(&weighing.wire.instrument),
                whose,
                &weighing.moment,
                looking_back,
            );
        }
    }

    /// The mass was another's.
    pub(super) fn forget_weighing(&mut self, from: Option<&Target>, weighing: &Weighing) {
        if let Some(whose) = whose(from) {
            self.forget_doing(Doing::Weighing(&weighing.wire.instrument), whose, &weighing.moment);
        }
    }

    /// Notes sieve and oven of a sample.
    pub(super) fn note_prepared(&mut self, sample: Uuid, what: &Preparation, moment: &Moment) {
        if let Some(doing) = Doing::of(what) {
            self.note_doing(doing, Whose::Sample(sample), moment, false);
        }
    }

    /// The entry was none.
    pub(super) fn forget_prepared(&mut self, sample: Uuid, what: &Preparation, moment: &Moment) {
        if let Some(doing) = Doing::of(what) {
            self.forget_doing(doing, Whose::Sample(sample), moment);
        }
    }

    fn note_doing(&mut self, doing: Doing<'_>, whose: Whose, at: &Moment, looking_back: bool) {
        if !self.equipment.is_kept() {
            return;
        }
        let digest = match whose {
            Whose::Sample(id) => self.find_sample(id).map(|sample| &sample.method),
            Whose::Specimen(id) => self.specimens.get(&id).map(|specimen| &specimen.method),
        };
        let Some(method) = digest.and_then(|digest| self.methods.get(digest)) else { return };
        let by = Judged { methods: &[&**method], at, looking_back };
        let (found, past_due) = self.equipment.used_for(doing, by);
        if found.is_empty() {
            return;
        }
        self.note_past_due(past_due);
        let specimens = match whose {
            Whose::Specimen(id) => vec![id],
            Whose::Sample(id) => {
                if let Some(sample) = self.find_sample_mut(id) {
                    sample.equipment.extend(found.iter().cloned());
                }
                self.begun_of(id)
            }
        };
        for id in specimens {
            if let Some(specimen) = self.specimens.get_mut(&id) {
                for used in &found {
                    self.equipment.keep(&mut specimen.equipment, used.clone());
                }
            }
        }
    }

    fn forget_doing(&mut self, doing: Doing<'_>, whose: Whose, at: &Moment) {
        if !self.equipment.is_kept() {
            return;
        }
        let (sample, specimens) = match whose {
            Whose::Specimen(id) => (self.specimens.get(&id).map(|specimen| specimen.sample), vec![id]),
            Whose::Sample(id) => {
                if let Some(sample) = self.find_sample_mut(id) {
                    sample.equipment.retain(|used| used.step != doing.word() || used.moment != *at);
                }
                (Some(id), self.begun_of(id))
            }
        };
        // What the forgotten use stood for is noted again.
        let rest = sample.and_then(|id| self.find_sample(id)).map(|sample| sample.equipment.clone());
        for id in specimens {
            let Some(specimen) = self.specimens.get_mut(&id) else { continue };
            specimen.equipment.retain(|used| used.step != doing.word() || used.moment != *at);
            let is_begun = specimen.last_marked().is_some();
            for used in rest.iter().flatten().filter(|_| is_begun) {
                self.equipment.keep(&mut specimen.equipment, used.clone());
            }
        }
    }

    /// Specimens of a sample that are at work: what is done with the sample now concerns them too.
    fn begun_of(&self, sample: Uuid) -> Vec<Uuid> {
        let specimens = self.specimens.values().filter(|specimen| specimen.sample == sample);
        let begun = specimens.filter(|specimen| specimen.last_marked().is_some() && !specimen.is_over());
        begun.map(|specimen| specimen.id).collect()
    }
}

/// A component of a solution is nobody's.
const fn whose(target: Option<&Target>) -> Option<Whose> {
    match target {
        Some(Target::Sample { sample, .. } | Target::Preparation { sample, .. }) => {
            Some(Whose::Sample(*sample))
        }
        Some(Target::Specimen { specimen } | Target::CorrectiveSand { specimen }) => {
            Some(Whose::Specimen(*specimen))
        }
        Some(Target::Component { .. }) | None => None,
    }
}
