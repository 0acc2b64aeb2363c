//! The review of records and results. A decision is told by a new version of the document that was
//! looked at; what went out stays as it was.

use super::equipment::{field, text};
use super::people::done_now;
use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Event, Outcome, Refusal, Told};
use crate::domain::quality;
use crate::domain::review::{
    Act, Decision, Happened, MOST_REVIEWS, OwnWork, Reviewed, Reviews, State, Subject, named_on, worked_on,
};
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Issued, Marked, Specimen};
use std::collections::BTreeSet;
use uuid::Uuid;

/// What happened lately, for somebody who looked at an older version.
const TOLD: u32 = 3;

/// A decision that is being made.
struct Made<'a> {
    decision: Decision,
    documents: &'a [Uuid],
    reason: String,
    marked: Marked,
}

impl Deciding<'_> {
    pub(super) fn review(&mut self, act: &Act, marked: Marked) -> Decided {
        done_now(&marked)?;
        let (of, documents, decision, reason) = match act {
            Act::SignOn { code, badge } => {
                return self.sign_on(code.as_ref(), badge.as_ref(), &marked.by.via);
            }
            Act::SignOff { person } => return self.sign_off(*person, marked),
            Act::Approve { of, documents, reason } => (*of, documents, Decision::Approved, reason),
            Act::Return { of, documents, reason } => (*of, documents, Decision::Returned, reason),
            Act::Void { of, documents, reason } => (*of, documents, Decision::Voided, reason),
            Act::Answer { of, documents, reason } => (*of, documents, Decision::Answered, reason),
            register => return self.register_of_people(register, marked),
        };
        if self.bench.settings.review == Reviews::Off {
            let what = "nothing is reviewed here: set `review` of [bench] to \"on\"".to_owned();
            return Err(Refusal::Already { what });
        }
        if marked.by.person.is_none() {
            return field("who", "a review names a person: write your name");
        }
        let reason = text("reason", reason, usize::from(decision != Decision::Approved))?;
        let made = Made { decision, documents, reason, marked };
        match of {
            Subject::Specimen(id) => self.review_record(id, &made),
            Subject::Sample(id) => self.review_result(id, &made),
        }
    }

    fn review_record(&mut self, id: Uuid, made: &Made<'_>) -> Decided {
        let (specimen, _, _) = self.anywhere(id)?;
        let label = specimen.label.clone();
        let Some(issued) = specimen.record.filter(|_| specimen.is_complete()) else {
            return Err(Refusal::Already { what: format!("{label} has no record yet: it is at work") });
        };
        if specimen.voided.is_some() {
            return Err(Refusal::Already { what: format!("{label} is void: there is nothing to review") });
        }
        looked_at(made.documents, &label, &issued, || self.told_of(&specimen))?;
        fits(made.decision, &label, specimen.standing(), &specimen.reviews)?;
        if made.decision == Decision::Approved {
            no_reason_pending(&specimen)?;
            self.not_own(&self.worked_on_record(&specimen), &label, &made.marked)?;
        }
        if made.decision == Decision::Voided {
            self.emit_reviewed(Subject::Specimen(id), &issued, made);
            return self.void_record(id, &made.reason, &made.marked);
        }
        self.emit_reviewed(Subject::Specimen(id), &issued, made);
        self.reissue(id)?;
        let mut note = format!("{label}: {}; a new version of its record follows", made.decision.word());
        if made.decision != Decision::Approved && self.reopen_result(specimen.sample) {
            note.push_str(", and of its sample's result, which is preliminary again");
        }
        Ok(Outcome::done(note))
    }

    /// Whose work a record stands on: the specimen's, and the preparation that it was made of.
    fn worked_on_record<'a>(&'a self, specimen: &'a Specimen) -> BTreeSet<&'a str> {
        match self.bench.find_sample(specimen.sample) {
            Some(sample) => worked_on(sample, &[specimen]),
            None => named_on(specimen),
        }
    }

    fn review_result(&mut self, id: Uuid, made: &Made<'_>) -> Decided {
        let known = || self.bench.samples.values().map(|s| s.label.clone());
        let sample = self.bench.find_sample(id).ok_or_else(|| unknown("sample", id, known()))?.clone();
        let label = format!("sample {}", sample.label);
        let Some(issued) = sample.result.filter(|_| sample.reported.is_some() && quality::is_ready(&sample))
        else {
            let what = format!("{label} has no result that stands: there is nothing to review");
            return Err(Refusal::Already { what });
        };
        let specimens: Vec<Specimen> = self.bench.reviewable(id).into_iter().cloned().collect();
        for specimen in &specimens {
            let Some(issued) = &specimen.record else { continue };
            looked_at(made.documents, &specimen.label, issued, || self.told_of(specimen))?;
        }
        looked_at(made.documents, &label, &issued, || told_of_sample(&sample))?;
        fits(made.decision, &label, sample.standing_result(), &sample.reviews)?;
        let mut records = 0;
        match made.decision {
            Decision::Approved => records = self.approve_records(&sample, &specimens, made)?,
            Decision::Voided => {
                self.emit_reviewed(Subject::Sample(id), &issued, made);
                for specimen in &specimens {
                    let Some(issued) = &specimen.record else { continue };
                    self.emit_reviewed(Subject::Specimen(specimen.id), issued, made);
                    self.void_record(specimen.id, &made.reason, &made.marked)?;
                }
                let count = specimens.len();
                return Ok(Outcome::done(format!("{label} is void with {count} specimens: none counts")));
            }
            Decision::Returned | Decision::Answered => {}
        }
        self.emit_reviewed(Subject::Sample(id), &issued, made);
        self.amend_result(id);
        let with = if records > 0 { format!(", and of {records} records") } else { String::new() };
        Ok(Outcome::done(format!(
            "{label}: {}; a new version of its result follows{with}",
            made.decision.word()
        )))
    }

    /// Approves the records that a result stands on, those that do not count too.
    fn approve_records(
        &mut self,
        sample: &Sample,
        specimens: &[Specimen],
        made: &Made<'_>,
    ) -> Result<usize, Refusal> {
        for specimen in specimens {
            if specimen.standing() == State::Returned {
                let label = &specimen.label;
                let what = format!("{label} was returned: it is corrected or answered first");
                return Err(Refusal::Already { what });
            }
            no_reason_pending(specimen)?;
        }
        let all: Vec<&Specimen> = specimens.iter().collect();
        self.not_own(&worked_on(sample, &all), &format!("sample {}", sample.label), &made.marked)?;
        let mut approved = 0;
        for specimen in specimens.iter().filter(|specimen| specimen.standing() == State::Preliminary) {
            let Some(issued) = &specimen.record else { continue };
            self.emit_reviewed(Subject::Specimen(specimen.id), issued, made);
            self.reissue(specimen.id)?;
            approved += 1;
        }
        Ok(approved)
    }

    /// A result that was decided of, and of which something has changed since, is preliminary again.
    pub(super) fn reopen_result(&mut self, sample: Uuid) -> bool {
        let decided = self.bench.find_sample(sample).is_some_and(|sample| {
            sample.reported.is_some() && sample.standing_result() != State::Preliminary
        });
        decided && self.amend_result(sample)
    }

    fn emit_reviewed(&mut self, of: Subject, issued: &Issued, made: &Made<'_>) {
        let person = made.marked.by.person.as_deref().and_then(|name| self.bench.people.named(name));
        let person = person.map(|person| person.id);
        let review = Box::new(Reviewed {
            id: self.fresh(),
            decision: made.decision,
            document: issued.id,
            number: issued.number,
            version: issued.version,
            person,
            marked: made.marked.clone(),
            reason: made.reason.clone(),
        });
        self.emit(Event::Review(Happened::Reviewed { of, review }));
    }

    fn told_of(&self, specimen: &Specimen) -> Vec<Told> {
        self.bench.told_since(specimen, specimen.version.saturating_sub(TOLD))
    }

    /// Whoever worked on it does not approve it, where the settings say so and the register tells.
    fn not_own(&self, names: &BTreeSet<&str>, label: &str, marked: &Marked) -> Result<(), Refusal> {
        let people = &self.bench.people;
        let reviewer = marked.by.person.as_deref().and_then(|name| people.named(name));
        let (Some(reviewer), OwnWork::MayNot) = (reviewer, self.bench.settings.own_work) else {
            return Ok(());
        };
        let own = |name: &&str| people.named(name).is_some_and(|person| person.id == reviewer.id);
        if names.iter().any(own) {
            let why = format!(
                "{} worked on {label}: somebody else approves it (`own-work` of [bench])",
                reviewer.name
            );
            return Err(Refusal::NotAllowed { why });
        }
        Ok(())
    }
}

/// The newest version is among those that were looked at; else what changed is told.
fn looked_at(
    documents: &[Uuid],
    label: &str,
    issued: &Issued,
    since: impl Fn() -> Vec<Told>,
) -> Result<(), Refusal> {
    if documents.is_empty() {
        return field("documents", "name the documents that were looked at");
    }
    if documents.contains(&issued.id) {
        return Ok(());
    }
    let now = format!("look at version {} of it, document {}", issued.version, issued.number);
    Err(Refusal::Changed { label: label.to_owned(), since: since(), now, version: issued.version })
}

/// The decision is one that can be made as it stands.
fn fits(decision: Decision, label: &str, stands: State, reviews: &[Reviewed]) -> Result<(), Refusal> {
    let already = |what: String| Err(Refusal::Already { what });
    match (decision, stands) {
        (Decision::Approved, State::Approved) => already(format!("{label} is approved already")),
        (Decision::Approved, State::Returned) => {
            already(format!("{label} was returned: it is corrected or answered first"))
        }
        (Decision::Returned, State::Returned) => already(format!("{label} is returned already")),
        (Decision::Answered, State::Preliminary | State::Approved) => {
            already(format!("{label} was not returned: there is nothing to answer"))
        }
        _ if reviews.len() >= MOST_REVIEWS && decision != Decision::Voided => {
            already(format!("{label} was decided of {MOST_REVIEWS} times: void it"))
        }
        _ => Ok(()),
    }
}

fn no_reason_pending(specimen: &Specimen) -> Result<(), Refusal> {
    if specimen.corrections.iter().any(|correction| correction.reason.is_none()) {
        let what = format!("the reason of a correction of {} is pending: it is given first", specimen.label);
        return Err(Refusal::Already { what });
    }
    Ok(())
}

fn told_of_sample(sample: &Sample) -> Vec<Told> {
    let told = sample.reviews.iter().rev().take(1).map(|review| Told {
        what: review.decision.word().to_owned(),
        by: review.marked.by.person.clone().unwrap_or_default(),
        at_ms: review.marked.moment.wall_ns.div_euclid(1_000_000),
    });
    told.collect()
}
