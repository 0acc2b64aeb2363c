//! What came with a bag, its corrections, and which sample a scanned code belongs to.

use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Bench, Event, Outcome, Refusal, Told};
use crate::domain::intake::{
    Act, Correction, Fault, Happened, MOST_CORRECTIONS, Particulars, check, checked, code,
};
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
    /// first, then by identifier, then by label; of several that have left the bench the last one.
    pub fn scanned(&self, scan: &str) -> Option<ScanFound> {
        let scan = scan.trim();
        if let Some(id) = code::id_of(scan) {
            return match self.find(id) {
                Some(specimen) => Some(ScanFound { sample: specimen.sample, specimen: Some(id) }),
                None => self.find_sample(id).map(|s| ScanFound { sample: s.id, specimen: None }),
            };
        }
        let in_sight = || self.samples.values().chain(self.closed.iter().rev().map(|c| &c.sample));
        let identified = in_sight().find(|s| s.intake.particulars.identifier.as_deref() == Some(scan));
        let found = identified.or_else(|| in_sight().find(|s| s.label == scan))?;
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
        let known = || self.bench.samples.values().map(|s| s.label.clone());
        let sample = self.bench.find_sample(id).ok_or_else(|| unknown("sample", id, known()))?;
        let (label, stands) = (sample.label.clone(), sample.intake.particulars.clone());
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
        self.particulars_unchanged(id, version)?;
        if *particulars == stands {
            return Err(Refusal::Already {
                what: format!("the particulars of sample {label} are so already"),
            });
        }
        let (correction, reason) = (self.fresh(), reason.to_owned());
        self.emit(Event::Intake(Happened::ParticularsCorrected {
            sample: id,
            correction,
            particulars,
            reason,
            marked,
        }));
        let note = format!("sample {label}: particulars corrected; what stood there is kept");
        let note = self.tell_corrected(id, note)?;
        Ok(Outcome::made(note, correction))
    }

    /// Somebody who saw an older version of the particulars is told what changed; and there is an end
    /// to corrections.
    pub(super) fn particulars_unchanged(&self, id: Uuid, version: Option<u32>) -> Result<(), Refusal> {
        let Some(sample) = self.bench.find_sample(id) else { return Ok(()) };
        let (label, now) = (&sample.label, sample.intake.version());
        if version.is_some_and(|seen| seen != now) {
            let since = sample.intake.corrections.iter().skip(seen_corrections(version)).map(told).collect();
            return Err(Refusal::Changed {
                label: format!("sample {label}"),
                since,
                now: format!("its particulars are in version {now}"),
                version: now,
            });
        }
        if u32::try_from(MOST_CORRECTIONS).is_ok_and(|most| now > most) {
            let what = format!("the particulars of sample {label} were corrected {MOST_CORRECTIONS} times");
            return Err(Refusal::Already { what });
        }
        Ok(())
    }

    /// New versions of what went out with the particulars as they were.
    pub(super) fn tell_corrected(&mut self, sample: Uuid, mut note: String) -> Result<String, Refusal> {
        let complete: Vec<Uuid> =
            self.bench.specimens_of(sample).iter().filter(|s| s.record.is_some()).map(|s| s.id).collect();
        for id in &complete {
            self.reissue(*id)?;
        }
        if !complete.is_empty() {
            note.push_str("; a new version of each of its records follows");
        }
        let resulted = self.bench.find_sample(sample).is_some_and(|s| s.reported.is_some());
        if resulted && self.amend_result(sample) {
            note.push_str(", and of its result");
        }
        Ok(note)
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
        let found =
            self.bench.scanned(scan).ok_or_else(|| unknown("sample or tin with the code", scan, known()))?;
        let Some(sample) = self.bench.find_sample(found.sample) else {
            return Err(unknown("sample or tin with the code", scan, known()));
        };
        let tin = found.specimen.and_then(|id| self.bench.find(id));
        let tin = tin.map_or_else(String::new, |s| format!("{} at place {}, of ", s.label, s.place));
        let stands = match &sample.reported {
            Some(reported) => format!("result {reported}"),
            None => format!("{} of {} specimens complete", sample.complete(), sample.wanted()),
        };
        Ok(Outcome::made(format!("{tin}sample {}: {stands}", sample.label), sample.id))
    }
}

/// Corrections that somebody who saw this version knew; all of them, if none is named.
fn seen_corrections(version: Option<u32>) -> usize {
    version.and_then(|v| usize::try_from(v.saturating_sub(1)).ok()).unwrap_or(usize::MAX)
}

fn told(correction: &Correction) -> Told {
    Told {
        what: "the particulars were corrected".to_owned(),
        by: correction.marked.by.person.clone().unwrap_or_default(),
        at_ms: correction.marked.moment.wall_ns.div_euclid(1_000_000),
    }
}
