//! The register of people: what is kept of each, who is signed on, and the fold.

use super::Happened;
use super::secret::{How, Secret, same};
use crate::domain::moment::{MINUTE, Moment, SECOND};
use crate::domain::shared::Shared;
use crate::domain::specimen::Marked;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Wrong entries through one way in within [`TRIES_WITHIN_NS`] after which it pauses. Badges are
/// long, and a bag's own bar code may be scanned for one, so more of them are let pass.
const CODES_TRIED: usize = 5;
const BADGES_TRIED: usize = 30;
const TRIES_WITHIN_NS: i64 = MINUTE;
/// How long it pauses.
const PAUSE_NS: i64 = MINUTE;
const HOUR_NS: i64 = 60 * MINUTE;

/// What a person may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Work at the bench.
    Operate,
    /// Approve, return and void what others did.
    Review,
    /// Keep the register.
    Administer,
}

impl Role {
    /// Its word, as in the act.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Operate => "operate",
            Self::Review => "review",
            Self::Administer => "administer",
        }
    }
}

/// A person's qualification for a method.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Qualification {
    /// As it was given; `None`: without an end.
    pub until: Option<String>,
    /// The first instant at which it has expired, nanoseconds since 1970-01-01T00:00:00Z.
    pub until_wall_ns: Option<i64>,
    /// What shows it.
    pub note: String,
    /// When and by whom it was entered.
    pub marked: Marked,
}

/// A person of the register.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Person {
    /// Identity.
    pub id: Uuid,
    /// Name, as records tell it.
    pub name: String,
    /// Names before the last one: older acts bear them.
    pub earlier_names: Vec<String>,
    /// What the person may do.
    pub roles: BTreeSet<Role>,
    /// Hash of the code.
    pub code: Option<String>,
    /// Hash of the badge.
    pub badge: Option<String>,
    /// By the method's identifier.
    pub qualifications: BTreeMap<String, Qualification>,
    /// Works here no more: why, when and by whom.
    pub left: Option<(String, Marked)>,
    /// When and by whom the person was registered.
    pub registered: Marked,
}

/// Somebody who is signed on.
#[derive(Debug, Clone, Copy)]
pub struct SignedOn<'a> {
    /// The person.
    pub person: &'a Person,
    /// Since when.
    pub since: &'a Marked,
}

/// The people of one bench.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct People {
    /// What codes and badges are hashed with; `None`: nobody was registered yet.
    pub salt: Option<Uuid>,
    /// The people, by identity.
    pub persons: BTreeMap<Uuid, Shared<Person>>,
    /// Who signed on, and when.
    pub on: BTreeMap<Uuid, Marked>,
    /// The last wrong entries, by the way in.
    pub wrong: BTreeMap<String, Vec<Moment>>,
}

impl People {
    /// A laboratory that registered nobody keeps no register.
    pub fn is_kept(&self) -> bool {
        !self.persons.is_empty()
    }

    /// The person who bears a name, or bore it.
    pub fn named(&self, name: &str) -> Option<&Person> {
        let wanted = name.trim().to_lowercase();
        let bears = |name: &String| name.to_lowercase() == wanted;
        let now = self.persons.values().find(|person| bears(&person.name));
        let earlier = || self.persons.values().find(|person| person.earlier_names.iter().any(bears));
        now.or_else(earlier).map(|person| &**person)
    }

    /// The person whom an act names: by name, or by identity.
    pub fn meant(&self, who: &str) -> Option<&Person> {
        let by_id = || self.persons.get(&Uuid::try_parse(who.trim()).ok()?).map(|person| &**person);
        by_id().or_else(|| self.named(who))
    }

    /// Whether a person is signed on; without an end where `hours` is 0.
    pub fn is_on(&self, person: Uuid, now: &Moment, hours: u32) -> bool {
        self.on.get(&person).is_some_and(|since| {
            hours == 0 || now.since(&since.moment).ns < i64::from(hours).saturating_mul(HOUR_NS)
        })
    }

    /// Everybody who is signed on, in the order of their names.
    pub fn signed_on(&self, now: &Moment, hours: u32) -> Vec<SignedOn<'_>> {
        let on = self.on.iter().filter(|(id, _)| self.is_on(**id, now, hours));
        let mut on: Vec<_> =
            on.filter_map(|(id, since)| Some(SignedOn { person: self.persons.get(id)?, since })).collect();
        on.sort_by(|a, b| a.person.name.cmp(&b.person.name));
        on
    }

    /// Whose code or badge it is. Every one is looked at to its end, whether an earlier one fitted
    /// or not.
    pub fn holder(&self, how: How, entered: &Secret) -> Option<&Person> {
        let wanted = entered.sealed(how, self.salt?);
        let mut found = None;
        for person in self.persons.values() {
            let held = match how {
                How::Code => &person.code,
                How::Badge => &person.badge,
            };
            if same(held.as_deref().unwrap_or_default(), &wanted) {
                found = Some(&**person);
            }
        }
        found
    }

    /// Seconds, started ones too, for which a way in takes nothing more; `None`: it is open.
    pub fn pause_s(&self, how: How, via: &str, now: &Moment) -> Option<i64> {
        let wrong = self.wrong.get(&way(how, via))?;
        let (first, last) = (wrong.first()?, wrong.last()?);
        let left = PAUSE_NS - now.since(last).ns;
        let many = wrong.len() >= most(how) && last.since(first).ns <= TRIES_WITHIN_NS;
        (many && left > 0).then(|| left.saturating_add(SECOND - 1) / SECOND)
    }

    /// Persons who keep the register and can sign on.
    pub fn administrators(&self) -> impl Iterator<Item = &Person> {
        let keeps = |person: &&Person| {
            person.left.is_none()
                && person.roles.contains(&Role::Administer)
                && (person.code.is_some() || person.badge.is_some())
        };
        self.persons.values().map(|person| &**person).filter(keeps)
    }

    /// The fold. What is reviewed, the bench applies.
    pub fn apply(&mut self, happened: &Happened) {
        match happened {
            Happened::PersonSet { person, salt, .. } => {
                self.salt.get_or_insert(*salt);
                let mut new = (**person).clone();
                if let Some(known) = self.persons.get(&new.id) {
                    new.qualifications.clone_from(&known.qualifications);
                    new.left.clone_from(&known.left);
                }
                self.persons.insert(new.id, new.into());
            }
            Happened::PersonLeft { person, reason, marked } => {
                self.on.remove(person);
                if let Some(person) = self.persons.get_mut(person) {
                    person.left = Some((reason.clone(), marked.clone()));
                    person.code = None;
                    person.badge = None;
                }
            }
            Happened::PersonReturned { person, .. } => {
                if let Some(person) = self.persons.get_mut(person) {
                    person.left = None;
                }
            }
            Happened::PersonQualified { person, method, qualification, .. } => {
                if let Some(person) = self.persons.get_mut(person) {
                    match qualification {
                        Some(held) => drop(person.qualifications.insert(method.clone(), held.clone())),
                        None => drop(person.qualifications.remove(method)),
                    }
                }
            }
            Happened::SignedOn { person, marked, .. } => {
                self.on.insert(*person, marked.clone());
            }
            Happened::SignedOff { person, .. } => drop(self.on.remove(person)),
            Happened::EntryWrong { how, marked } => {
                let wrong = self.wrong.entry(way(*how, &marked.by.via)).or_default();
                wrong.push(marked.moment);
                let over = wrong.len().saturating_sub(most(*how));
                wrong.drain(..over);
            }
            Happened::Reviewed { .. } => {}
        }
    }
}

/// A way in: what is entered, and through what.
fn way(how: How, via: &str) -> String {
    format!("{} {via}", how.word())
}

const fn most(how: How) -> usize {
    match how {
        How::Code => CODES_TRIED,
        How::Badge => BADGES_TRIED,
    }
}
