//! The fold of people and the review of records.

use super::Bench;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::review::{Happened, MOST_WAITING, Reviewed, Reviews, State, Subject, Waiting, state_of};
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Marked, Specimen, history};
use uuid::Uuid;

impl Bench {
    pub(super) fn apply_review(&mut self, happened: &Happened) {
        match happened {
            Happened::Reviewed { of: Subject::Specimen(id), review } => {
                if let Some(specimen) = self.find_mut(*id) {
                    specimen.note(history::Happened::Reviewed { decision: review.decision }, &review.marked);
                    specimen.reviews.push((**review).clone());
                }
            }
            Happened::Reviewed { of: Subject::Sample(id), review } => {
                if let Some(sample) = self.find_sample_mut(*id) {
                    sample.reviews.push((**review).clone());
                }
            }
            people => self.people.apply(people),
        }
    }

    /// Notes who works on a specimen at a step that is marked now.
    pub(super) fn note_operator(&mut self, id: Uuid, method: &Method, step: usize, marked: &Marked) {
        if !self.people.is_kept() {
            return;
        }
        let (Some(specimen), Some(step)) = (self.specimens.get_mut(&id), method.steps.get(step)) else {
            return;
        };
        self.people.note_operator(specimen, method, &step.name, marked, self.settings.qualification);
    }

    /// After an event that made a document: what of its sample waits for review now.
    pub(super) fn await_review(&mut self, id: Uuid, at: &Moment) {
        if self.settings.review == Reviews::Off {
            return;
        }
        let waiting = self.find_sample(id).and_then(|sample| self.waiting(sample, at));
        match waiting {
            Some(mut waiting) => {
                let before = self.for_review.get(&id).filter(|before| before.state == waiting.state);
                if let Some(before) = before {
                    waiting.since = before.since;
                }
                self.for_review.insert(id, waiting);
                let over = self.for_review.len() > MOST_WAITING;
                let oldest = self.for_review.iter().min_by_key(|(_, waiting)| waiting.since.wall_ns);
                if let Some(oldest) = oldest.map(|(id, _)| *id).filter(|_| over) {
                    self.for_review.remove(&oldest);
                }
            }
            // Looked for first: a change of the list copies it.
            None if self.for_review.contains_key(&id) => drop(self.for_review.remove(&id)),
            None => {}
        }
    }

    fn waiting(&self, sample: &Sample, at: &Moment) -> Option<Waiting> {
        let result = sample.reported.clone()?;
        let records = self.reviewable(sample.id);
        let states = records.iter().map(|s| s.standing()).chain([sample.standing_result()]);
        let states: Vec<State> = states.collect();
        let state = if states.contains(&State::Returned) {
            State::Returned
        } else if states.iter().all(|state| *state == State::Approved) {
            return None;
        } else {
            State::Preliminary
        };
        let said: Vec<&Reviewed> = records.iter().flat_map(|s| &s.reviews).chain(&sample.reviews).collect();
        Some(Waiting {
            label: sample.label.clone(),
            method: sample.method.clone(),
            result,
            records: u32::try_from(records.len()).unwrap_or(u32::MAX),
            deviations: sample.counted.iter().map(|c| c.deviations).sum(),
            state,
            last: said.into_iter().max_by_key(|review| review.marked.moment.wall_ns).cloned(),
            since: *at,
        })
    }

    /// Specimens of a sample whose records can be approved: complete, and not given up.
    pub fn reviewable(&self, sample: Uuid) -> Vec<&Specimen> {
        let mut found = self.specimens_of(sample);
        found.retain(|specimen| specimen.result().is_some());
        found
    }
}

impl Specimen {
    /// How its record stands.
    pub fn standing(&self) -> State {
        state_of(&self.reviews, self.record.as_ref())
    }
}

impl Sample {
    /// How its result stands.
    pub fn standing_result(&self) -> State {
        state_of(&self.reviews, self.result.as_ref())
    }
}
