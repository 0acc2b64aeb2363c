//! Holds on samples, and the account of what was removed.

use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::keeping::{Act, HOLDS_MOST, Happened, Hold, Removal};
use crate::domain::moment::Stamp;
use crate::domain::specimen::Marked;
use uuid::Uuid;

/// Longest reason, in characters.
const REASON_MAX: usize = 200;

impl Deciding<'_> {
    pub(super) fn keeping(&mut self, act: &Act, marked: Marked) -> Decided {
        if marked.by.person.is_none() {
            let why = "who holds or releases a sample answers for it: write your name".to_owned();
            return Err(Refusal::Field { field: "who", why });
        }
        if marked.moment.stamp == Stamp::Entered {
            let why = "is for what happened at the bench; this is done now".to_owned();
            return Err(Refusal::StatedTime { why });
        }
        match act {
            Act::Hold { sample, reason } => self.hold_sample(*sample, reason, marked),
            Act::Release { sample, reason } => self.release_sample(*sample, reason, marked),
        }
    }

    fn hold_sample(&mut self, id: Uuid, reason: &str, marked: Marked) -> Decided {
        let reason = why(reason)?;
        let known = || self.bench.samples.values().map(|s| s.label.clone());
        let sample = self.bench.find_sample(id).ok_or_else(|| unknown("sample", id, known()))?;
        let (label, from) = (sample.label.clone(), sample.registered.moment);
        if self.bench.keeping.holds.contains_key(&id) {
            return Err(Refusal::Already { what: format!("sample {label} is held already") });
        }
        if self.bench.keeping.holds.len() >= HOLDS_MOST {
            let what = format!("{HOLDS_MOST} samples are held; release one that need not be");
            return Err(Refusal::Already { what });
        }
        let specimens = self.bench.specimens_of(id).iter().map(|s| s.id).collect();
        let until = self.bench.closed.iter().rev().find(|c| c.sample.id == id).map(|c| c.closed);
        let hold = Hold { label: label.clone(), specimens, from, until, reason, marked };
        self.emit(Event::Keeping(Happened::SampleHeld { sample: id, hold }));
        Ok(Outcome::done(format!("sample {label} is held: nothing of it is removed")))
    }

    fn release_sample(&mut self, id: Uuid, reason: &str, marked: Marked) -> Decided {
        let reason = why(reason)?;
        let known = || self.bench.keeping.holds.values().map(|hold| hold.label.clone());
        let hold = self.bench.keeping.holds.get(&id).ok_or_else(|| unknown("held sample", id, known()))?;
        let note = format!("sample {} is held no more; the rules decide what becomes of it", hold.label);
        self.emit(Event::Keeping(Happened::HoldReleased { sample: id, reason, marked }));
        Ok(Outcome::done(note))
    }

    /// A removal is told; who does it was asked before.
    pub(super) fn removed(&mut self, removal: &Removal) -> Outcome {
        self.emit(Event::Keeping(Happened::PayloadsRemoved(removal.clone())));
        Outcome::done("the removal is told")
    }
}

fn why(reason: &str) -> Result<String, Refusal> {
    let reason = reason.trim();
    if reason.is_empty() || reason.chars().count() > REASON_MAX || reason.chars().any(char::is_control) {
        let why = format!("say in 1 to {REASON_MAX} characters why");
        return Err(Refusal::Field { field: "reason", why });
    }
    Ok(reason.to_owned())
}
