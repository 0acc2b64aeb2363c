//! The material as received, its prepared portion, and the result of its specimens.

use super::judge::{Code, Deviation, mass_outside, resolution_ns, seconds, window_text};
use super::late::{Repeat, Settled};
use super::{By, Marked, Specimen, Weighing};
use crate::domain::intake::Intake;
use crate::domain::measure::Material;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::preparation::{self, Course, OnCourse};
use crate::domain::quality::{Cold, OfSample, counting};
use crate::domain::quantity::Side;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use uuid::Uuid;

/// What a person did to the material before a tin was filled.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "done", rename_all = "kebab-case")]
pub enum Preparation {
    /// Passed over the method's sieve, fines brushed off and kept.
    Sieved,
    /// Reduced by splitting or quartering.
    Reduced,
    /// The moisture was changed (water added, or dried back): tempering begins anew.
    MoistureChanged,
    /// The moisture is right: the cast holds, or the method takes the material air-dry.
    MoistureRight,
    /// Dried in the oven and cooled, where the method or the agency asks for it.
    OvenDried,
}

/// The result of one complete specimen, as the sample keeps it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counted {
    /// The specimen.
    pub specimen: Uuid,
    /// Its label.
    pub label: String,
    /// Identity of its published record.
    pub record: Uuid,
    /// Its calculation.
    pub calculation: crate::domain::calculation::Calculation,
    /// How many deviations its record shows.
    pub deviations: u32,
    /// What they say of a solution that was colder than allowed.
    #[serde(default, skip_serializing_if = "Cold::is_no")]
    pub cold: Cold,
    /// How long its sedimentation took; `None`: it is not known.
    #[serde(default)]
    pub settled: Option<Settled>,
}

/// The material as received.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sample {
    /// Its identity.
    pub id: Uuid,
    /// Name for people, as it stands on the bag.
    pub label: String,
    /// Digest of its method.
    pub method: String,
    /// Specimens planned.
    pub planned: u32,
    /// Specimens registered so far (their running number).
    pub registered_specimens: u32,
    /// Of those, given up: they do not count.
    #[serde(default)]
    pub voided_specimens: u32,
    /// When and by whom it was registered.
    pub registered: Marked,
    /// What came with the bag, and its corrections.
    #[serde(default)]
    pub intake: Intake,
    /// What was done to it, in order.
    pub preparation: Vec<(Preparation, Marked)>,
    /// The course of preparation that it follows; `None`: it follows none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub course: Option<Box<Course>>,
    /// Equipment that was used for it, as that stood then; each specimen takes it over at its first
    /// instant.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub equipment: Vec<crate::domain::equipment::Used>,
    /// Masses of the preparation, by the name that the method gives them; the last one counts.
    pub masses: BTreeMap<String, Weighing>,
    /// Masses that a later weighing of the same name replaced, oldest first.
    #[serde(default)]
    pub earlier_masses: Vec<(String, Weighing)>,
    /// What was stated of the material: its moisture, its fines.
    #[serde(default)]
    pub material: Material,
    /// Complete specimens.
    pub counted: Vec<Counted>,
    /// It is run again, because a specimen had no line in time.
    #[serde(default)]
    pub repeat: Option<Repeat>,
    /// Reported value of the sample, once all planned specimens are complete.
    pub reported: Option<String>,
    /// Its published result. It may be there while `reported` is not: what counted was given up.
    #[serde(default)]
    pub result: Option<super::Issued>,
    /// Which rules hold for it, and what was decided of its specimens.
    #[serde(default, skip_serializing_if = "OfSample::is_silent")]
    pub quality: OfSample,
    /// What reviewers decided of its result, oldest first.
    #[serde(default)]
    pub reviews: Vec<crate::domain::review::Reviewed>,
}

impl Sample {
    /// Tempering so far: since the moisture was last changed, if it was. On a course the casts say it.
    pub fn tempering_since(&self) -> Option<&Marked> {
        self.moisture_changes().next().filter(|_| self.course.is_none())
    }

    /// Changes of the moisture, the last one first.
    fn moisture_changes(&self) -> impl Iterator<Item = &Marked> {
        self.preparation.iter().rev().filter(|(p, _)| *p == Preparation::MoistureChanged).map(|(_, m)| m)
    }

    /// What its result is: as [`Specimen::quantity`](super::Specimen::quantity).
    pub fn quantity(&self, method: &Method) -> String {
        self.material.quantity(method)
    }

    /// Complete specimens that the result waits for: those planned, or more if more are at work. One
    /// that another stands for is none of them.
    pub fn wanted(&self) -> u32 {
        let replaced = counting::replaced(self);
        match &self.repeat {
            Some(repeat) => repeat.wanted(replaced),
            None => self.planned.max(self.standing().saturating_sub(replaced)),
        }
    }

    /// Specimens that are at work or complete.
    pub fn standing(&self) -> u32 {
        self.registered_specimens.saturating_sub(self.voided_specimens)
    }

    /// Complete specimens that the result waits for: of a repeat, only the new ones.
    pub fn complete(&self) -> u32 {
        let new = |c: &&Counted| self.repeat.as_ref().is_none_or(|r| r.group.contains(&c.specimen));
        let complete = u32::try_from(self.counted.iter().filter(new).count()).unwrap_or(u32::MAX);
        complete.saturating_sub(counting::replaced(self))
    }

    /// Every deviation of the preparation; `filled` is when the specimen's tin was filled or,
    /// failing that, its first fill.
    pub fn deviations(&self, method: &Method, filled: Option<&Marked>) -> Vec<Deviation> {
        let mut found: Vec<Deviation> = method
            .preparation
            .weighings
            .iter()
            .filter_map(|rule| {
                let limits = rule.limits.value?;
                let weighing = self.masses.get(&rule.name)?;
                let outside = limits.side(&weighing.mass) != Some(Side::Within);
                outside.then(|| mass_outside(&rule.title, &limits, weighing))
            })
            .collect();
        // A change after this tin was filled concerns the tins after it. On a course the casts say
        // from when it was tempered.
        let since = filled.filter(|_| self.course.is_none()).and_then(|filled| {
            self.moisture_changes().find(|since| filled.moment.since(&since.moment).ns >= 0)
        });
        if let (Some(since), Some(filled)) = (since, filled) {
            found.extend(tempering_short(method, &since.moment, &filled.moment));
        }
        found
    }

    /// Every deviation of the preparation of one of its specimens.
    pub fn deviations_of(&self, method: &Method, specimen: &Specimen) -> Vec<Deviation> {
        let mut found = self.deviations(method, specimen.points.iter().flatten().next());
        found.extend(preparation::deviations(self, method, specimen));
        found
    }

    /// Where it stands on the course that it follows.
    pub fn on_course<'a>(&'a self, method: &'a Method) -> Option<OnCourse<'a>> {
        OnCourse::of(self, method)
    }

    /// Label of the next specimen.
    pub fn next_label(&self) -> String {
        format!("{}-{}", self.label, self.registered_specimens + 1)
    }
}

/// A portion that was covered and filled into a tin at these instants was tempered too short.
pub fn tempering_short(method: &Method, since: &Moment, filled: &Moment) -> Option<Deviation> {
    let min = method.preparation.tempering_min_ns.value?;
    let lasted = filled.since(since).ns;
    if lasted >= min {
        return None;
    }
    let resolution = resolution_ns(method);
    let required = window_text(Some(min), None);
    let deviation = |what: &str, actual: String, by: Option<String>| Deviation {
        code: Code::TemperingShort,
        step: None,
        what: what.to_owned(),
        required: required.clone(),
        actual,
        by,
        moment: Some(*filled),
    };
    Some(if filled.known_since(since).is_some() {
        deviation(
            "the portion was tempered for less time than required",
            format!("{} s", seconds(lasted, resolution)),
            Some(format!("{} s", seconds(min - lasted, resolution))),
        )
    } else {
        let what = "how long the portion was tempered is not known: the machine was restarted in between, and the \
                    clocks at its two ends disagree";
        deviation(what, "not known".to_owned(), None)
    })
}

impl By {
    /// The bench itself.
    pub fn bench(via: impl Into<String>) -> Self {
        Self { person: None, via: via.into() }
    }
}
