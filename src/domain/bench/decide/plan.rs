//! A sample's number of specimens is planned anew, or the sample is withdrawn.

use super::note::{named, reason};
use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::quality::counting;
use crate::domain::shared::Shared;
use crate::domain::specimen::Marked;
use crate::domain::specimen::sample::Sample;
use uuid::Uuid;

impl Deciding<'_> {
    /// Lowering it may complete the sample; raising it lets further tins wait for places.
    pub(super) fn plan_specimens(&mut self, id: Uuid, planned: u32, marked: Marked) -> Decided {
        let sample = self.sample(id)?;
        if sample.reported.is_some() {
            let what =
                format!("sample {} has its result: register what is to come as a new one", sample.label);
            return Err(Refusal::Already { what });
        }
        let least = sample.standing().saturating_sub(counting::replaced(&sample)).max(1);
        if !(least..=20).contains(&planned) {
            let why = format!("give {least} to 20: {least} of {} are at work or complete", sample.label);
            return Err(Refusal::Field { field: "specimens", why });
        }
        if planned == sample.planned {
            let what = format!("{planned} specimens of {} are planned already", sample.label);
            return Err(Refusal::Already { what });
        }
        let repeat = sample.repeat.as_ref().map_or_else(String::new, |_| {
            format!("; it is run again, and its result waits for {} new ones all the same", sample.wanted())
        });
        self.emit(Event::SpecimensPlanned { sample: id, planned, marked });
        self.complete_sample(id);
        let reported = self.bench.samples.get(&id).and_then(|s| s.reported.as_ref());
        let result = reported.map_or_else(String::new, |value| format!("; its result is {value}"));
        let note = format!(
            "{}: {planned} specimens planned, {} before{repeat}{result}",
            sample.label, sample.planned
        );
        Ok(Outcome::done(note))
    }

    /// Registered by mistake. Not when it has anything to show.
    pub(super) fn withdraw_sample(&mut self, id: Uuid, why: &str, marked: Marked) -> Decided {
        let sample = self.sample(id)?;
        named(&marked, "withdrawing a sample names a person")?;
        let reason = reason(why)?;
        if !sample.counted.is_empty() {
            let what =
                format!("{} specimens of {} are complete: it stays", sample.counted.len(), sample.label);
            return Err(Refusal::Already { what });
        }
        if self.bench.specimens_of(id).iter().any(|s| s.is_complete()) {
            let what = format!("a record of {} has gone out: it stays", sample.label);
            return Err(Refusal::Already { what });
        }
        let at_work: Vec<Uuid> =
            self.bench.specimens.values().filter(|s| s.sample == id && !s.is_over()).map(|s| s.id).collect();
        if !at_work.is_empty() {
            let names = self.bench.names(&at_work);
            let what = format!(
                "{} is at work: {names}; give up what is not its own, then withdraw it",
                sample.label
            );
            return Err(Refusal::Already { what });
        }
        self.emit(Event::SampleWithdrawn { sample: id, reason, marked });
        let masses = sample.masses.len() + sample.earlier_masses.len();
        let kept = if masses > 0 { "; its weighings are kept and can be given to another" } else { "" };
        Ok(Outcome::done(format!("sample {} is withdrawn{kept}", sample.label)))
    }

    fn sample(&self, id: Uuid) -> Result<Shared<Sample>, Refusal> {
        let known = || self.bench.samples.values().map(|s| s.label.clone());
        self.bench.samples.get(&id).cloned().ok_or_else(|| unknown("sample", id, known()))
    }
}
