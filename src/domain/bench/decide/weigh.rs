//! A weighing is given to what it is of, afterwards: one that nothing waited for, or one that went
//! to the wrong place. The figures are the balance's; a person only says what stood on it.

use super::note::named;
use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Bench, Event, Outcome, Refusal};
use crate::domain::specimen::{Marked, Target, Weighing};
use uuid::Uuid;

impl Bench {
    /// Weighings that were given to something and may be given to another: those that count now
    /// of samples and specimens at work.
    pub fn given_weighings(&self) -> impl Iterator<Item = &Weighing> {
        let samples = self.samples.values().flat_map(|sample| {
            let course = sample.course.iter().flat_map(|course| course.given());
            sample.masses.values().chain(course)
        });
        let specimens = self.specimens.values().flat_map(|s| s.mass.iter().chain(&s.corrective));
        let solutions = self.solutions.weighings();
        samples
            .chain(specimens)
            .chain(solutions)
            .filter(|w| w.target.as_ref().is_some_and(|to| self.may_take_mass(to)))
    }

    /// What a weighing is for, in words.
    pub fn target_text(&self, target: &Target) -> String {
        match target {
            Target::Sample { sample, name } => {
                format!(
                    "{}: `{name}`",
                    self.samples.get(sample).map_or("a sample that is gone", |s| &s.label)
                )
            }
            Target::Specimen { specimen } => {
                let label = self.specimens.get(specimen).map(|s| s.label.as_str());
                label.unwrap_or("a specimen that is gone").to_owned()
            }
            Target::Preparation { sample, of } => {
                let label = self.samples.get(sample).map_or("a sample that is gone", |s| &s.label);
                format!("{label}: {}", of.text())
            }
            Target::CorrectiveSand { specimen } => {
                let label = self.specimens.get(specimen).map(|s| s.label.as_str());
                format!("{}: corrective sand", label.unwrap_or("a specimen that is gone"))
            }
            Target::Component { batch, component, .. } => format!("solution {batch}: {component}"),
        }
    }
}

impl Deciding<'_> {
    /// A weighing that nothing waited for gets its place.
    pub(super) fn place_weighing(&mut self, id: Uuid, to: &Target, marked: Marked) -> Decided {
        if let Some(given) = self.bench.given_weighings().find(|w| w.id == id) {
            let where_to = given.target.as_ref().map(|t| self.bench.target_text(t)).unwrap_or_default();
            let what = format!(
                "this weighing is that of {where_to}; it can be given to another (reassign-weighing)"
            );
            return Err(Refusal::Already { what });
        }
        let kept = self.bench.kept_weighings.iter().find(|w| w.id == id).cloned();
        let kept = kept.ok_or_else(|| {
            let known = self.bench.kept_weighings.iter().rev().map(|w| format!("{} ({})", w.id, w.mass));
            unknown("weighing in sight that nothing waited for", id, known)
        })?;
        self.give(&kept, None, to, marked)
    }

    /// A weighing that went to the wrong place is given to another. What it replaced there counts
    /// again.
    pub(super) fn reassign_weighing(&mut self, id: Uuid, to: &Target, marked: Marked) -> Decided {
        named(&marked, "giving a weighing to another names a person")?;
        if self.bench.kept_weighings.iter().any(|w| w.id == id) {
            let what = "nothing has this weighing yet; it can be given its place (place-weighing)".to_owned();
            return Err(Refusal::Already { what });
        }
        let given = self.bench.given_weighings().find(|w| w.id == id).cloned();
        let given = given.ok_or_else(|| {
            let known = self.bench.given_weighings().map(|w| {
                let of = w.target.as_ref().map(|t| self.bench.target_text(t)).unwrap_or_default();
                format!("{} ({}, {of})", w.id, w.mass)
            });
            unknown("weighing that counts for something at work", id, known)
        })?;
        let from = given.target.clone();
        if from.as_ref() == Some(to) {
            let what = format!("it is that of {} already", self.bench.target_text(to));
            return Err(Refusal::Already { what });
        }
        self.give(&given, from, to, marked)
    }

    fn give(&mut self, weighing: &Weighing, from: Option<Target>, to: &Target, marked: Marked) -> Decided {
        self.takes_mass(to)?;
        if let Some(why) = self.bench.declines(to, &weighing.mass, &weighing.moment) {
            let what = format!("{}: {} is not taken: {why}", self.bench.target_text(to), weighing.mass);
            return Err(Refusal::Level { why: what });
        }
        let was = from.as_ref().map(|from| format!(", no longer that of {}", self.bench.target_text(from)));
        let note = format!("{}: {}{}", self.bench.target_text(to), weighing.mass, was.unwrap_or_default());
        self.emit(Event::WeighingPlaced { weighing: weighing.id, from, to: to.clone(), marked });
        Ok(Outcome::made(note, weighing.id))
    }

    fn takes_mass(&self, to: &Target) -> Result<(), Refusal> {
        match to {
            Target::Sample { sample, name } => {
                self.sample_mass(*sample, name)?;
            }
            Target::Preparation { sample, of } => {
                self.mass_of_course(*sample, *of)?;
            }
            Target::Specimen { specimen } | Target::CorrectiveSand { specimen } => {
                self.specimen(*specimen)?;
            }
            Target::Component { batch, component, .. } => {
                if self.component(batch, component)?.mass.is_none() {
                    let what = format!("`{component}` is taken by volume: it has no mass to be held to");
                    return Err(Refusal::Already { what });
                }
            }
        }
        if self.bench.may_take_mass(to) {
            return Ok(());
        }
        let what = format!("{} is complete or void, or has its result", self.bench.target_text(to));
        Err(Refusal::Already { what })
    }
}
