//! Samples that have left the bench. The state keeps the last few whole, so that it does not grow
//! with history; every one is also a row of the journal, and comes back as an input when an act
//! names it.

use super::Bench;
use crate::domain::moment::Moment;
use crate::domain::shared::Shared;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::sample::Sample;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// Samples that are kept in sight after they left the bench: about a day's. More would be copied
/// into every stored state; older ones are found in the journal.
pub const CLOSED_KEPT: usize = 12;

/// A sample that has its result and whose cylinders are clean, with all its specimens.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClosedSample {
    /// The sample.
    pub sample: Shared<Sample>,
    /// Its specimens, void ones too, in the order of their identities.
    pub specimens: Vec<Shared<Specimen>>,
    /// When it left the bench.
    pub closed: Moment,
}

impl ClosedSample {
    /// A specimen of it.
    pub fn specimen(&self, id: Uuid) -> Option<&Specimen> {
        self.specimens.iter().map(|s| &**s).find(|s| s.id == id)
    }
}

impl Bench {
    /// A specimen, on the bench or gone from it lately.
    pub fn find(&self, id: Uuid) -> Option<&Specimen> {
        self.specimens
            .get(&id)
            .or_else(|| self.cleared.get(&id))
            .map(|specimen| &**specimen)
            .or_else(|| self.closed.iter().rev().find_map(|closed| closed.specimen(id)))
    }

    /// A sample, on the bench or gone from it lately.
    pub fn find_sample(&self, id: Uuid) -> Option<&Sample> {
        self.samples
            .get(&id)
            .or_else(|| self.closed.iter().rev().map(|closed| &closed.sample).find(|sample| sample.id == id))
            .map(|sample| &**sample)
    }

    /// Every specimen of a sample that is in sight, in the order of their identities.
    pub fn specimens_of(&self, sample: Uuid) -> Vec<&Specimen> {
        let closed = self.closed.iter().filter(|c| c.sample.id == sample).flat_map(|c| &c.specimens);
        let mut found: Vec<&Specimen> =
            self.specimens.values().chain(self.cleared.values()).chain(closed).map(|s| &**s).collect();
        found.retain(|s| s.sample == sample);
        found.sort_by_key(|s| s.id);
        found
    }

    pub(super) fn find_mut(&mut self, id: Uuid) -> Option<&mut Specimen> {
        if self.specimens.contains_key(&id) {
            return self.specimens.get_mut(&id).map(|specimen| &mut **specimen);
        }
        // Looked for first: a change of the lists copies them.
        if self.cleared.contains_key(&id) {
            return self.cleared.get_mut(&id).map(|specimen| &mut **specimen);
        }
        let index = self.closed.iter().rposition(|closed| closed.specimen(id).is_some())?;
        let closed = self.closed.get_mut(index)?;
        closed.specimens.iter_mut().find(|s| s.id == id).map(|specimen| &mut **specimen)
    }

    pub(super) fn find_sample_mut(&mut self, id: Uuid) -> Option<&mut Sample> {
        if self.samples.contains_key(&id) {
            return self.samples.get_mut(&id).map(|sample| &mut **sample);
        }
        let index = self.closed.iter().rposition(|closed| closed.sample.id == id)?;
        self.closed.get_mut(index).map(|closed| &mut *closed.sample)
    }

    /// The cylinder of a specimen is clean: it leaves its place.
    pub(super) fn clear_place(&mut self, id: Uuid) {
        if let Some(mut specimen) = self.specimens.remove(&id) {
            specimen.going_on = None;
            // Of a sample that was withdrawn nothing is looked up any more.
            if self.samples.contains_key(&specimen.sample) {
                self.cleared.insert(id, specimen);
            }
        }
    }

    /// A sample that has its result and no cylinder on the bench leaves it for the drawer.
    pub(super) fn finished_samples_leave(&mut self, at: &Moment) {
        let gone: Vec<Uuid> = self
            .samples
            .values()
            .filter(|sample| sample.reported.is_some())
            .filter(|sample| !self.specimens.values().any(|s| s.sample == sample.id))
            .map(|sample| sample.id)
            .collect();
        for id in gone {
            self.close_sample(id, at);
        }
    }

    fn close_sample(&mut self, id: Uuid, at: &Moment) {
        let Some(sample) = self.samples.remove(&id) else { return };
        let specimens = self.take_cleared(id);
        self.put_away(ClosedSample { sample, specimens, closed: *at }.into());
    }

    /// The specimens of a sample that have left their places, taken out of sight.
    pub(super) fn take_cleared(&mut self, sample: Uuid) -> Vec<Shared<Specimen>> {
        let taken: Vec<_> = self.cleared.values().filter(|s| s.sample == sample).cloned().collect();
        if !taken.is_empty() {
            self.cleared.retain(|_, specimen| specimen.sample != sample);
        }
        taken
    }

    /// Puts a sample into the drawer, unless it is in sight.
    pub(super) fn put_away(&mut self, closed: Shared<ClosedSample>) {
        if self.find_sample(closed.sample.id).is_some() {
            return;
        }
        self.closed.push_back(closed);
        while self.closed.len() > CLOSED_KEPT {
            let Some(gone) = self.closed.pop_front().map(|gone| gone.closed) else { return };
            self.left_unseen = self.left_unseen.filter(|last| last.wall_ns > gone.wall_ns).or(Some(gone));
        }
    }

    /// A document has its number: whoever it tells of knows it too.
    pub(super) fn numbered(&mut self, document: Uuid, number: u64) {
        let of_record = |s: &&Shared<Specimen>| s.record.is_some_and(|r| r.id == document);
        let of_result = |s: &&Shared<Sample>| s.result.is_some_and(|r| r.id == document);
        let closed = self.closed.iter().rev().flat_map(|c| &c.specimens);
        let specimen = self.specimens.values().chain(self.cleared.values()).chain(closed).find(of_record);
        if let Some(id) = specimen.map(|s| s.id) {
            if let Some(issued) = self.find_mut(id).and_then(|s| s.record.as_mut()) {
                issued.number = number;
            }
            return;
        }
        let closed = self.closed.iter().rev().map(|c| &c.sample);
        let sample = self.samples.values().chain(closed).find(of_result).map(|s| s.id);
        if let Some(issued) = sample.and_then(|id| self.find_sample_mut(id)?.result.as_mut()) {
            issued.number = number;
        }
    }
}
