//! What came with a bag: the particulars of a sample as it was registered, how they are corrected,
//! and the code on its label that the scanner at the bench reads back.
//!
//! Everything here is optional. A laboratory that writes only a label on its bags sees no further
//! question; a particular that was never given is absent from the documents.

pub mod check;
pub mod code;
pub mod sheet;

pub use check::{Fault, checked};
pub use sheet::LabelSheet;

use super::specimen::Marked;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use uuid::Uuid;

/// Projects whose last particulars are kept at hand for the next sample.
const PROJECTS_KEPT: usize = 20;

/// Corrections of one sample's particulars: more than anybody makes by mistake.
pub const MOST_CORRECTIONS: usize = 50;

/// What may be said of a sample beside its label.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Particulars {
    /// What the laboratory's other systems know the sample by, typed or scanned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identifier: Option<String>,
    /// The project or contract.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub project: Option<String>,
    /// The lot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
    /// How much material the sample stands for, with its unit, as it was said: `500 t`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quantity: Option<String>,
    /// The material.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub material: Option<String>,
    /// Where the material comes from: pit, quarry, plant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Who took the sample.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sampled_by: Option<String>,
    /// Where it was taken: belt, stockpile, station of the road.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sampled_where: Option<String>,
    /// When it was taken: a date, or a date and a time of day at the laboratory (`2026-11-24` or
    /// `2026-11-24T07:30`).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sampled_at: Option<String>,
    /// What the material is to be used for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub intended_use: Option<String>,
    /// What the specification in use asks for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<Limit>,
    /// Who brought the bag.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub brought_by: Option<String>,
    /// When it was brought; written as `sampled-at` is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub brought_at: Option<String>,
}

/// The acceptance limit, and whose it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Limit {
    /// The result is to be this or more.
    pub at_least: Decimal,
    /// Name of the specification.
    pub specification: String,
}

impl Particulars {
    /// Nothing was said.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Everything that was said as words, with its name in documents and acts.
    pub fn words(&self) -> Vec<(&'static str, &str)> {
        let fields = [
            ("identifier", &self.identifier),
            ("project", &self.project),
            ("lot", &self.lot),
            ("quantity", &self.quantity),
            ("material", &self.material),
            ("source", &self.source),
            ("sampled-by", &self.sampled_by),
            ("sampled-where", &self.sampled_where),
            ("sampled-at", &self.sampled_at),
            ("intended-use", &self.intended_use),
            ("brought-by", &self.brought_by),
            ("brought-at", &self.brought_at),
        ];
        fields.into_iter().filter_map(|(name, value)| Some((name, value.as_deref()?))).collect()
    }

    /// Names of what is not the same in both.
    pub fn differing(&self, other: &Self) -> Vec<&'static str> {
        let (mine, theirs) = (self.words(), other.words());
        let has = |words: &[(&'static str, &str)], one: &(&'static str, &str)| words.contains(one);
        let mut names: Vec<_> = mine.iter().filter(|one| !has(&theirs, one)).map(|(name, _)| *name).collect();
        names.extend(theirs.iter().filter(|one| !has(&mine, one)).map(|(name, _)| *name));
        if self.limit != other.limit {
            names.push("limit");
        }
        names.sort_unstable();
        names.dedup();
        names
    }

    /// What the next sample of the same project most likely has in common with this one: all but
    /// what belongs to one bag.
    #[must_use]
    pub fn for_the_next(&self) -> Self {
        Self { identifier: None, sampled_at: None, brought_at: None, ..self.clone() }
    }
}

/// The particulars of a sample, and what stood there before each correction.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Intake {
    /// As they stand.
    pub particulars: Particulars,
    /// What was corrected, oldest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<Correction>,
}

impl Intake {
    /// Nothing was ever said.
    pub fn is_silent(&self) -> bool {
        self.particulars.is_empty() && self.corrections.is_empty()
    }

    /// Grows with each correction: what a person saw who corrects.
    pub fn version(&self) -> u32 {
        u32::try_from(self.corrections.len()).map_or(u32::MAX, |n| n.saturating_add(1))
    }
}

/// One correction: what stood there before it, why, and by whom.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Correction {
    /// Its identity.
    pub id: Uuid,
    /// The particulars before it.
    pub before: Particulars,
    /// Why.
    pub reason: String,
    /// When and by whom.
    pub marked: Marked,
}

/// The last particulars of each project, for the next sample of it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Register {
    /// Newest last.
    pub last: VecDeque<Last>,
}

/// What was registered last of a project.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Last {
    /// The project.
    pub project: String,
    /// Label of the sample.
    pub label: String,
    /// Digest of its method.
    pub method: String,
    /// Specimens planned.
    pub planned: u32,
    /// What the next one has in common with it.
    pub particulars: Particulars,
}

impl Register {
    /// Remembers a sample as the last of its project; one without a project is not remembered.
    pub fn note(&mut self, label: &str, method: &str, planned: u32, particulars: &Particulars) {
        let Some(project) = &particulars.project else { return };
        self.last.retain(|last| last.project != *project);
        self.last.push_back(Last {
            project: project.clone(),
            label: label.to_owned(),
            method: method.to_owned(),
            planned,
            particulars: particulars.for_the_next(),
        });
        while self.last.len() > PROJECTS_KEPT {
            self.last.pop_front();
        }
    }
}

/// What has happened to particulars. (They are first said where the sample is registered.)
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// They were corrected.
    ParticularsCorrected {
        /// The sample.
        sample: Uuid,
        /// Identity of the correction.
        correction: Uuid,
        /// As they stand from now on.
        particulars: Box<Particulars>,
        /// Why.
        reason: String,
        /// When and by whom.
        marked: Marked,
    },
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::ParticularsCorrected { .. } => "intake-particulars-corrected",
        }
    }
}

/// What a person can do about the particulars of a sample.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// The particulars are not right: these stand in their place.
    CorrectParticulars {
        /// The sample.
        sample: Uuid,
        /// All of them, as they should be.
        particulars: Box<Particulars>,
        /// Why.
        reason: String,
        /// The version of the particulars that the person saw.
        #[serde(default)]
        version: Option<u32>,
    },
    /// Which sample a scanned code, an identifier or a label belongs to. Changes nothing.
    Find {
        /// What the reader typed.
        scan: String,
    },
}

#[cfg(test)]
mod test {
    use super::*;

    fn of(project: &str, lot: &str) -> Particulars {
        Particulars {
            identifier: Some(format!("ID-{lot}")),
            project: Some(project.to_owned()),
            lot: Some(lot.to_owned()),
            brought_at: Some("2026-11-24T07:30".to_owned()),
            ..Particulars::default()
        }
    }

    #[test]
    fn the_last_sample_of_a_project_is_at_hand_without_what_belongs_to_its_bag() {
        let mut register = Register::default();
        register.note("S-1", "digest", 2, &of("North road", "1"));
        register.note("S-2", "digest", 3, &of("South road", "7"));
        register.note("S-3", "digest", 2, &of("North road", "2"));
        register.note("S-4", "digest", 2, &Particulars::default());
        let last: Vec<_> = register.last.iter().map(|l| (l.project.as_str(), l.label.as_str())).collect();
        assert_eq!(last, [("South road", "S-2"), ("North road", "S-3")]);
        let north = &register.last[1].particulars;
        assert_eq!(north.lot.as_deref(), Some("2"));
        assert_eq!((&north.identifier, &north.brought_at), (&None, &None));
    }

    #[test]
    fn the_register_forgets_the_project_that_rested_longest() {
        let mut register = Register::default();
        for n in 0..=PROJECTS_KEPT {
            register.note("S", "digest", 2, &of(&format!("Project {n}"), "1"));
        }
        assert_eq!(register.last.len(), PROJECTS_KEPT);
        assert_eq!(register.last[0].project, "Project 1");
    }
}
