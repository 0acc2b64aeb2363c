//! A specimen without a line in time calls for a repeat; one whose line is then stated to have
//! been read in time takes that back.

use super::Deciding;
use crate::domain::bench::Event;
use crate::domain::specimen::late;
use uuid::Uuid;

impl Deciding<'_> {
    /// Brings the call for a repeat in line with what is known of a specimen now. To be called
    /// after everything that changes when its line was read.
    pub(super) fn review_late(&mut self, id: Uuid) {
        let Some(specimen) = self.bench.find(id) else { return };
        let Some((method, points)) = self.bench.rule(specimen) else { return };
        let Some(was_late) = late::was_late(specimen, method, &points, self.now()) else { return };
        let sample = specimen.sample;
        let Some(known) = self.bench.find_sample(sample).filter(|s| s.reported.is_none()) else { return };
        let called = known.repeat.as_ref().is_some_and(|repeat| repeat.was_called_by(id));
        if called && !was_late {
            self.emit(Event::RepeatTakenBack { sample, specimen: id });
        } else if was_late && let Some(specimens) = self.bench.may_call_for_repeat(specimen) {
            self.emit(Event::RepeatCalledFor { sample, specimen: id, specimens });
        }
    }

    /// What a person is told when a repeat is called for by a specimen; empty if it is not.
    pub(super) fn repeat_text(&self, id: Uuid) -> String {
        let specimen = self.bench.find(id);
        let sample = specimen.and_then(|s| self.bench.find_sample(s.sample));
        match sample.and_then(|s| s.repeat.as_ref()) {
            Some(repeat) if repeat.was_called_by(id) => format!(
                "; it had no line in time: {} new specimens of the sample are called for, and this one does not \
                 count",
                repeat.specimens
            ),
            _ => String::new(),
        }
    }
}
