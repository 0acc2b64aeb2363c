//! What people note at a touch, and what they say of a run that was interrupted.

use super::mark::out_of_order;
use super::{Decided, Deciding};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::method::ResumedRule;
use crate::domain::moment::Stamp;
use crate::domain::specimen::note::{Note, NoteKind};
use crate::domain::specimen::runs::Interruption;
use crate::domain::specimen::{Marked, judge, runs};
use uuid::Uuid;

/// Longest words of a note, in characters: a sentence or two.
const WORDS_MAX: usize = 200;

impl Deciding<'_> {
    /// A note is taken at any time of the specimen; only words that say nothing are refused.
    pub(super) fn note(&mut self, id: Uuid, kind: NoteKind, text: Option<&str>, marked: Marked) -> Decided {
        let (specimen, method, points) = self.specimen(id)?;
        let text = words("text", text)?;
        if kind == NoteKind::Words && text.is_none() {
            let why = format!("say in 1 to {WORDS_MAX} characters what happened");
            return Err(Refusal::Field { field: "text", why });
        }
        let before = specimen.registered.moment;
        if marked.moment.stamp == Stamp::Entered && marked.moment.since(&before).ns < 0 {
            let why = format!("lies before {} was registered", specimen.label);
            return Err(Refusal::StatedTime { why });
        }
        let known = judge::deviations(&specimen, &method, &points).len();
        let said = text.clone().unwrap_or_else(|| kind.said().to_owned());
        self.emit(Event::SpecimenNoted { specimen: id, note: Note { kind, text, marked } });
        let after = self.bench.specimens.get(&id).map_or(0, |s| judge::deviations(s, &method, &points).len());
        let deviation = if after > known { "; a deviation" } else { "" };
        let late = if specimen.is_complete() {
            "; its record had gone out already and does not hold it"
        } else {
            ""
        };
        Ok(Outcome::done(format!("{}: {said}{deviation}{late}", specimen.label)))
    }

    /// What the further runs of the machine count for: the run was interrupted and went on.
    pub(super) fn interrupted_run(
        &mut self,
        id: Uuid,
        counts: bool,
        reason: Option<&str>,
        marked: Marked,
    ) -> Decided {
        let (specimen, method, points) = self.specimen(id)?;
        if specimen.is_over() {
            let what = format!("{} is complete or void: what was said of its runs stands", specimen.label);
            return Err(Refusal::Already { what });
        }
        let step = points.iter().find(|p| p.machine.is_some()).map(|p| p.step);
        let Some(step) = step.filter(|_| !specimen.further_runs.is_empty()) else {
            return Err(out_of_order(self.bench, &specimen, "a run that went on, without a further run"));
        };
        if counts && method.resumed(step) == ResumedRule::Apart {
            let why = "the method does not count a resumed run; say `false`, and the first run stands alone";
            return Err(Refusal::Field { field: "counts", why: why.to_owned() });
        }
        let reason = words("reason", reason)?;
        let interruption = Interruption { counts, reason, marked };
        self.emit(Event::RunInterrupted { specimen: id, interruption });
        let whole = self.bench.specimens.get(&id).and_then(|s| runs::interrupted(s, &method, &points));
        let sum = whole.and_then(|whole| whole.total).map_or_else(String::new, |total| {
            format!(", {} s in all", judge::seconds(total.ns, judge::resolution_ns(&method)))
        });
        let counted = if counts { "the resumed part counts" } else { "the first run alone counts" };
        Ok(Outcome::done(format!("{}: interrupted{sum}; {counted}", specimen.label)))
    }
}

/// Words that may be left out.
fn words(field: &'static str, text: Option<&str>) -> Result<Option<String>, Refusal> {
    let Some(text) = text.map(str::trim).filter(|text| !text.is_empty()) else { return Ok(None) };
    if text.chars().count() > WORDS_MAX || text.chars().any(char::is_control) {
        return Err(Refusal::Field { field, why: format!("give at most {WORDS_MAX} characters") });
    }
    Ok(Some(text.to_owned()))
}

/// Words that must be there.
pub(super) fn reason(text: &str) -> Result<String, Refusal> {
    words("reason", Some(text))?.ok_or_else(|| Refusal::Field {
        field: "reason",
        why: format!("say in 1 to {WORDS_MAX} characters why"),
    })
}

/// Refuses an act that the trade asks a name for.
pub(super) fn named(marked: &Marked, why: &str) -> Result<(), Refusal> {
    match marked.by.person {
        Some(_) => Ok(()),
        None => Err(Refusal::Field { field: "who", why: why.to_owned() }),
    }
}
