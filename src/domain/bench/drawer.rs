//! Samples that have left the bench. The state keeps the last few whole, so that it does not grow
//! with history; every one is also a row of the journal, and comes back as an input when an act
//! names it.

use super::Bench;
use crate::domain::moment::Moment;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::sample::Sample;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use uuid::Uuid;

/// Samples that are kept in sight after they left the bench: about a day's. More would be copied
/// into every stored state; older ones are found in the journal.
pub const CLOSED_KEPT: usize = 12;

/// A sample that has its result and whose cylinders are clean, with all its specimens.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClosedSample {
    /// The sample.
    pub sample: Sample,
    /// Its specimens, void ones too, in the order of their identities.
    pub specimens: Vec<Specimen>,
    /// When it left the bench.
    pub closed: Moment,
}

impl ClosedSample {
    /// A specimen of it.
    pub fn specimen(&self, id: Uuid) -> Option<&Specimen> {
        self.specimens.iter().find(|s| s.id == id)
    }
}

impl Bench {
    /// A specimen, on the bench or gone from it lately.
    pub fn find(&self, id: Uuid) -> Option<&Specimen> {
        self.specimens
            .get(&id)
            .or_else(|| self.cleared.get(&id).map(AsRef::as_ref))
            .or_else(|| self.closed.iter().rev().find_map(|closed| closed.specimen(id)))
    }

    /// A sample, on the bench or gone from it lately.
    pub fn find_sample(&self, id: Uuid) -> Option<&Sample> {
        self.samples
            .get(&id)
            .or_else(|| self.closed.iter().rev().map(|closed| &closed.sample).find(|sample| sample.id == id))
    }

    /// Every specimen of a sample that is in sight, in the order of their identities.
    pub fn specimens_of(&self, sample: Uuid) -> Vec<&Specimen> {
        let cleared = self.cleared.values().map(AsRef::as_ref);
        let closed = self.closed.iter().filter(|c| c.sample.id == sample).flat_map(|c| &c.specimens);
        let mut found: Vec<&Specimen> =
            self.specimens.values().chain(cleared).chain(closed).filter(|s| s.sample == sample).collect();
        found.sort_by_key(|s| s.id);
        found
    }

    pub(super) fn find_mut(&mut self, id: Uuid) -> Option<&mut Specimen> {
        if self.specimens.contains_key(&id) {
            return self.specimens.get_mut(&id);
        }
        if let Some(cleared) = self.cleared.get_mut(&id) {
            return Some(Arc::make_mut(cleared));
        }
        let closed = self.closed.iter_mut().rev().find(|closed| closed.specimen(id).is_some())?;
        Arc::make_mut(closed).specimens.iter_mut().find(|s| s.id == id)
    }

    pub(super) fn find_sample_mut(&mut self, id: Uuid) -> Option<&mut Sample> {
        if self.samples.contains_key(&id) {
            return self.samples.get_mut(&id);
        }
        let closed = self.closed.iter_mut().rev().find(|closed| closed.sample.id == id)?;
        Some(&mut Arc::make_mut(closed).sample)
    }

    /// The cylinder of a specimen is clean: it leaves its place, and its sample the bench if it was
    /// the last and the result is made.
    pub(super) fn clear_place(&mut self, id: Uuid, at: &Moment) {
        if let Some(mut specimen) = self.specimens.remove(&id) {
            specimen.going_on = None;
            self.cleared.insert(id, Arc::new(specimen));
        }
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
        let mut specimens = Vec::new();
        self.cleared.retain(|_, specimen| {
            let belongs = specimen.sample == id;
            if belongs {
                specimens.push(Specimen::clone(specimen));
            }
            !belongs
        });
        self.put_away(Arc::new(ClosedSample { sample, specimens, closed: *at }));
    }

    /// Puts a sample into the drawer, unless it is in sight.
    pub(super) fn put_away(&mut self, closed: Arc<ClosedSample>) {
        if self.find_sample(closed.sample.id).is_some() {
            return;
        }
        self.closed.push_back(closed);
        while self.closed.len() > CLOSED_KEPT {
            self.closed.pop_front();
        }
    }

    /// A document has its number: whoever it tells of knows it too.
    pub(super) fn numbered(&mut self, document: Uuid, number: u64) {
        let of_record = |s: &Specimen| s.record.is_some_and(|r| r.id == document);
        let of_result = |s: &Sample| s.result.is_some_and(|r| r.id == document);
        let closed = || self.closed.iter().rev();
        let specimen = (self.specimens.values().find(|s| of_record(s)))
            .or_else(|| self.cleared.values().map(AsRef::as_ref).find(|s| of_record(s)))
            .or_else(|| closed().flat_map(|c| &c.specimens).find(|s| of_record(s)))
            .map(|s| s.id);
        if let Some(issued) = specimen.and_then(|id| self.find_mut(id)?.record.as_mut()) {
            issued.number = number;
            return;
        }
        let sample = (self.samples.values().find(|s| of_result(s)))
            .or_else(|| self.closed.iter().rev().map(|c| &c.sample).find(|s| of_result(s)))
            .map(|s| s.id);
        if let Some(issued) = sample.and_then(|id| self.find_sample_mut(id)?.result.as_mut()) {
            issued.number = number;
        }
    }
}
