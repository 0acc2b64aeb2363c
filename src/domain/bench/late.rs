//! When a specimen has had no line in time, by the clock: a function of state and now.

use super::{Bench, Event};
use crate::domain::moment::Moment;
use crate::domain::specimen::{Specimen, late};

impl Bench {
    /// The sample of a specimen and the number of new ones that its method asks for, if it could
    /// still call for a repeat: not one of the new specimens themselves, and not twice.
    pub(super) fn may_call_for_repeat(&self, specimen: &Specimen) -> Option<u32> {
        let sample = self.samples.get(&specimen.sample).filter(|s| s.reported.is_none())?;
        let knows = sample
            .repeat
            .as_ref()
            .is_some_and(|r| r.was_called_by(specimen.id) || r.group.contains(&specimen.id));
        let method = self.methods.get(&specimen.method)?;
        method.late_line.repeat_specimens.value.filter(|_| !knows)
    }

    /// What the clock will call for, with the instant on the boot clock of `now`.
    pub(super) fn late_lines(&self, now: &Moment) -> Vec<(Event, i64)> {
        let call = |specimen: &Specimen| {
            let specimens = self.may_call_for_repeat(specimen)?;
            let (method, points) = self.rule(specimen)?;
            let (begin, after) = late::no_line_after(specimen, method, &points)?;
            now.known_since(&begin.moment)?;
            let at = begin.moment.boot_ns_seen_from(now).saturating_add(after);
            let (sample, specimen) = (specimen.sample, specimen.id);
            Some((Event::RepeatCalledFor { sample, specimen, specimens }, at))
        };
        // Where nobody said 'no line yet' there is nothing to look up; this is asked at every press.
        let told = self.specimens.values().filter(|specimen| !specimen.no_line.is_empty());
        told.filter_map(|specimen| call(specimen)).collect()
    }
}
