//! What a sample keeps of all this: the rules that hold for it, and what people decided.

use super::acceptance::meets;
use super::uncertainty::Stated;
use super::{Compared, Deviations, Why};
use crate::domain::intake::Limit;
use crate::domain::moment::Moment;
use crate::domain::specimen::Marked;
use crate::domain::specimen::sample::Counted;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use uuid::Uuid;

/// The rules that held when the sample was registered.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Rules {
    /// What a deviation does.
    #[serde(skip_serializing_if = "is_default")]
    pub deviations: Deviations,
    /// Whether published precision is compared.
    #[serde(skip_serializing_if = "is_default")]
    pub precision: Compared,
    /// What the laboratory states of its uncertainty; `None`: it is off the sheet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<Stated>,
    /// The method says that a result which meets its limit in too cold a solution stands.
    #[serde(skip_serializing_if = "is_default")]
    pub cold_stands: bool,
}

/// What is as shipped is not written.
fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

/// What a specimen's deviations say of the cold: a colder solution settles slower and gives a lower
/// sand equivalent, so what passes in it would pass in a warmer one.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cold {
    /// The solution was not colder than allowed.
    #[default]
    No,
    /// It was, and there are other deviations beside.
    Among,
    /// It was, and that is the only deviation.
    Only,
}

impl Cold {
    /// Not colder than allowed. (A reference, since serde asks with one.)
    pub const fn is_no(&self) -> bool {
        matches!(self, Self::No)
    }
}

/// Somebody decided whether a specimen with deviations counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Admission {
    /// Its identity.
    pub id: Uuid,
    /// The specimen.
    pub specimen: Uuid,
    /// With so many deviations it counts; `None`: that it counts was taken back.
    pub admitted_with: Option<u32>,
    /// Why.
    pub reason: String,
    /// When and by whom.
    pub marked: Marked,
}

/// A specimen that is run in the place of another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Replacement {
    /// The new one.
    pub specimen: Uuid,
    /// The one that it replaces.
    pub replaces: Uuid,
    /// When and by whom.
    pub marked: Marked,
}

/// Further specimens were called for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Further {
    /// How many.
    pub specimens: u32,
    /// The new ones alone make the result.
    pub alone: bool,
    /// How far the first lay apart.
    pub difference: Decimal,
    /// How far they might.
    pub limit: Decimal,
    /// Complete specimens when they were called for.
    pub before: Vec<Uuid>,
    /// Specimens planned before.
    pub planned: u32,
    /// When.
    pub at: Moment,
}

impl Further {
    /// In a sentence.
    pub fn text(&self) -> String {
        let (difference, limit) = (self.difference.normalize(), self.limit.normalize());
        let which = if self.alone { "these alone make the result" } else { "all together make the result" };
        let new = self.specimens;
        format!(
            "the results lie {difference} apart, and {limit} is allowed: {new} more specimens are asked for, and {which}"
        )
    }
}

/// What a sample keeps.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct OfSample {
    /// The rules that hold for it.
    pub rules: Rules,
    /// What was decided of specimens with deviations, oldest first; the last word counts.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub admissions: Vec<Admission>,
    /// Specimens that are run in the place of others, oldest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub replacements: Vec<Replacement>,
    /// Of those, given up.
    #[serde(skip_serializing_if = "BTreeSet::is_empty")]
    pub given_up: BTreeSet<Uuid>,
    /// Further specimens were called for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub further: Option<Further>,
}

impl OfSample {
    /// Nothing of it is in use.
    pub fn is_silent(&self) -> bool {
        *self == Self::default()
    }

    /// The laboratory's settings ask for more than that every complete specimen counts, or somebody
    /// decided something: then the result tells of it.
    pub fn is_told(&self) -> bool {
        self.rules.deviations != Deviations::Count
            || self.rules.precision != Compared::Off
            || self.rules.uncertainty.is_some()
            || !self.admissions.is_empty()
            || !self.replacements.is_empty()
            || self.further.is_some()
    }

    /// The decision by which a specimen counts, if it does by one.
    pub fn admission(&self, counted: &Counted) -> Option<&Admission> {
        let last = self.admissions.iter().rev().find(|a| a.specimen == counted.specimen)?;
        last.admitted_with.filter(|with| counted.deviations <= *with).map(|_| last)
    }

    /// The specimen that stands for this one.
    pub fn replaced_by(&self, specimen: Uuid) -> Option<Uuid> {
        let stands = |r: &&Replacement| r.replaces == specimen && !self.given_up.contains(&r.specimen);
        self.replacements.iter().find(stands).map(|r| r.specimen)
    }

    /// The specimen for which this one stands.
    pub fn replaces(&self, specimen: Uuid) -> Option<Uuid> {
        self.replacements.iter().find(|r| r.specimen == specimen).map(|r| r.replaces)
    }

    /// Why a complete specimen is kept out of the average, as far as its deviations go.
    pub fn bar(&self, counted: &Counted, limit: Option<&Limit>) -> Option<Why> {
        if self.rules.deviations == Deviations::Count
            || counted.deviations == 0
            || self.admission(counted).is_some()
            || self.stands_though_cold(counted, limit)
        {
            return None;
        }
        Some(if self.replaced_by(counted.specimen).is_some() { Why::Replaced } else { Why::Held })
    }

    /// Its only deviation is a solution colder than allowed, it meets the limit all the same, and
    /// the method says that such a result stands.
    pub fn stands_though_cold(&self, counted: &Counted, limit: Option<&Limit>) -> bool {
        self.rules.cold_stands
            && counted.cold == Cold::Only
            && limit.is_some_and(|limit| meets(counted.calculation.reported, limit.at_least))
    }

    /// A specimen was given up, or that is taken back.
    pub fn void(&mut self, specimen: Uuid, is_void: bool) {
        if is_void && self.replaces(specimen).is_some() {
            self.given_up.insert(specimen);
        } else {
            self.given_up.remove(&specimen);
        }
    }
}
