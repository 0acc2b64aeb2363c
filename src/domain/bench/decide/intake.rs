//! What came with a bag, its corrections, and which sample a scanned code belongs to.

use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Bench, Event, Outcome, Refusal};
use crate::domain::intake::{Act, Fault, Happened, MOST_CORRECTIONS, Particulars, check, checked, code};
use crate::domain::moment::Stamp;
use crate::domain::specimen::Marked;
use crate::domain::specimen::sample::Sample;
use uuid::Uuid;

/// Longest reason, in characters.
const REASON_MAX: usize = 200;

/// What a scan belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ScanFound {
    /// The sample.
    pub sample: Uuid,
    /// The specimen, where the code was that of a tin.
    pub specimen: Option<Uuid>,
}

impl Bench {
    /// What a scanned code, an identifier or a label belongs to among what is in sight: by identity
    /// first, then by identifier, then by label.
    pub fn scanned(&self, scan: &str) -> Option<ScanFound> {
        let scan = scan.trim();
        if let Some(id) = code::id_of(scan) {
            let of_sample = |id| Some(ScanFound { sample: id, specimen: None });
            let of_specimen = |s: Uuid, id| Some(ScanFound { sample: s, specimen: Some(id) });
            return match self.specimens.get(&id) {
                Some(specimen) => of_specimen(specimen.sample, id),
                None => self.samples.get(&id).and_then(|s| of_sample(s.id)),
            };
        }
        let in_sight = || self.samples.values();
        let has = |s: &&crate::domain::shared::Shared<Sample>| {
            s.intake.particulars.identifier.as_deref() == Some(scan)
        };
        let found = in_sight().find(has).or_else(|| in_sight().find(|s| s.label == scan))?;
        Some(ScanFound { sample: found.id, specimen: None })
    }
}

impl Deciding<'_> {
    /// The particulars that stand on a bag, checked; `of`: the sample that they are of already.
    pub(super) fn particulars(
        &self,
        given: Option<&Particulars>,
        of: Option<Uuid>,
    ) -> Result<Option<Box<Particulars>>, Refusal> {
        let Some(given) = given else { return Ok(None) };
        let particulars = checked(given, self.now()).map_err(|Fault { field, why }| {
            // The field's own name stands in the act; a refusal says the same.
            Refusal::Field { field, why }
        })?;
        if let Some(identifier) = &particulars.identifier {
            let same = |s: &Sample| s.intake.particulars.identifier.as_ref() == Some(identifier);
            if let Some(other) = self.bench.samples.values().find(|s| Some(s.id) != of && same(s)) {
                let what = format!("identifier `{identifier}` belongs to sample {}, at work", other.label);
                return Err(Refusal::Already { what });
            }
        }
        Ok((!particulars.is_empty()).then(|| Box::new(particulars)))
    }

    pub(super) fn intake(&mut self, act: &Act, marked: Marked) -> Decided {
        match act {
            Act::CorrectParticulars { sample, particulars, reason, version } => {
                self.correct_particulars(*sample, particulars, reason, *version, marked)
            }
            Act::Find { scan } => self.find_scanned(scan),
        }
    }

    fn correct_particulars(
        &mut self,
        id: Uuid,
        given: &Particulars,
        reason: &str,
        version: Option<u32>,
        marked: Marked,
    ) -> Decided {
        let label = self.sample_label(id)?;
        if marked.by.person.is_none() {
            let why = "a correction names a person".to_owned();
            return Err(Refusal::Field { field: "who", why });
        }
        if marked.moment.stamp == Stamp::Entered {
            let why = "is for what happened at the bench; this is done now".to_owned();
            return Err(Refusal::StatedTime { why });
        }
        let reason = reason.trim();
        if reason.is_empty() || reason.chars().count() > REASON_MAX || reason.chars().any(char::is_control) {
            let why = format!("say in 1 to {REASON_MAX} characters why");
            return Err(Refusal::Field { field: "reason", why });
        }
        let particulars = self.particulars(Some(given), Some(id))?.unwrap_or_default();
        let Some(sample) = self.bench.samples.get(&id) else { return Err(unknown("sample", id, [])) };
        let now = sample.intake.version();
        if version.is_some_and(|seen| seen != now) {
            let last = sample.intake.corrections.last();
            let who = last.and_then(|c| c.marked.by.person.clone()).unwrap_or_default();
            return Err(Refusal::Changed {
                label: format!("sample {label}"),
                now: format!("its particulars were corrected by {who}; look at them first"),
                version: now,
            });
        }
        if *particulars == sample.intake.particulars {
            return Err(Refusal::Already { what: format!("the particulars of sample {label} are so already") });
        }
        if sample.intake.corrections.len() >= MOST_CORRECTIONS {
            let what = format!("the particulars of sample {label} were corrected {MOST_CORRECTIONS} times");
            return Err(Refusal::Already { what });
        }
        let reason = reason.to_owned();
        self.emit(Event::Intake(Happened::ParticularsCorrected { sample: id, particulars, reason, marked }));
        Ok(Outcome::done(format!("sample {label}: particulars corrected; what stood there is kept")))
    }

    /// Says where a scanned code leads. It is asked, so it changes nothing.
    fn find_scanned(&self, scan: &str) -> Decided {
        let scan = scan.trim();
        let longest = check::WORDS_MAX;
        if scan.is_empty() || scan.chars().count() > longest || scan.chars().any(char::is_control) {
            let why = format!("give the 1 to {longest} characters that the reader typed");
            return Err(Refusal::Field { field: "scan", why });
        }
        let known = || self.bench.samples.values().map(|s| s.label.clone());
        let found = self.bench.scanned(scan).ok_or_else(|| unknown("sample or tin with the code", scan, known()))?;
        let Some(sample) = self.bench.samples.get(&found.sample) else {
            return Err(unknown("sample or tin with the code", scan, known()));
        };
        let tin = found.specimen.and_then(|id| self.bench.specimens.get(&id));
        let tin = tin.map_or_else(String::new, |s| format!("{} at place {}, of ", s.label, s.place));
        let stands = match &sample.reported {
            Some(reported) => format!("result {reported}"),
            None => format!("{} of {} specimens complete", sample.complete(), sample.wanted()),
        };
        Ok(Outcome::made(format!("{tin}sample {}: {stands}", sample.label), sample.id))
    }
}
