//! What the next stable mass of each balance is for, and who asked for it.
//!
//! Each balance has a wait of its own, so that nobody's mass goes to what somebody else weighs at
//! another one. Where the bench has a single balance, or the settings know none by name, a wait
//! needs no name of a balance.

use super::Bench;
use crate::domain::reading::InstrumentKind;
use crate::domain::specimen::{By, Target};
use serde::{Deserialize, Serialize};

/// Somebody waits for a mass.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Wait {
    /// What it is for.
    pub target: Target,
    /// Who asked; `None`: a state of before this was kept.
    #[serde(default)]
    pub by: Option<By>,
    /// The balance that is to give it; `None`: the only one there is.
    #[serde(default)]
    pub balance: Option<String>,
}

impl Wait {
    /// Whoever asks now is the one who asked then. Without a name, only the way tells: that is how a
    /// bench without names works.
    fn is_of(&self, by: &By) -> bool {
        let Some(was) = &self.by else { return false };
        was.person == by.person && (by.person.is_some() || was.via == by.via)
    }

    /// It gives way to a new wait: for the same thing, or at the same balance.
    fn gives_way(&self, target: &Target, balance: Option<&str>) -> bool {
        let same_balance = match (self.balance.as_deref(), balance) {
            (Some(one), Some(other)) => one == other,
            // A wait without a balance is at all of them.
            _ => true,
        };
        same_balance || self.target == *target
    }

    /// Who waits, for people.
    pub fn who(&self) -> &str {
        self.by.as_ref().and_then(|by| by.person.as_deref()).unwrap_or("somebody")
    }
}

/// All waits of a bench: at most one for each balance, and one for each thing to weigh.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Stored")]
pub struct Waits(Vec<Wait>);

/// As states hold it: those of before had one thing for the whole bench, and nobody's name.
#[derive(Deserialize)]
#[serde(untagged)]
enum Stored {
    Several(Vec<Wait>),
    One(Option<Target>),
}

impl From<Stored> for Waits {
    fn from(stored: Stored) -> Self {
        match stored {
            Stored::Several(waits) => Self(waits),
            Stored::One(target) => {
                Self(target.map(|target| Wait { target, by: None, balance: None }).into_iter().collect())
            }
        }
    }
}

impl Waits {
    /// Them all, the oldest first.
    pub fn iter(&self) -> impl Iterator<Item = &Wait> {
        self.0.iter()
    }

    /// Nothing is waited for.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The wait that the next stable mass of a balance belongs to.
    pub fn at(&self, balance: &str) -> Option<&Wait> {
        self.iter().find(|wait| wait.balance.as_deref().is_none_or(|known| known == balance))
    }

    /// The wait for a thing.
    pub fn of(&self, target: &Target) -> Option<&Wait> {
        self.iter().find(|wait| wait.target == *target)
    }

    /// Waits of others that a new one would put an end to.
    pub(super) fn of_others<'a>(
        &'a self,
        target: &'a Target,
        balance: Option<&'a str>,
        by: &'a By,
    ) -> impl Iterator<Item = &'a Wait> {
        self.iter().filter(move |wait| wait.gives_way(target, balance) && !wait.is_of(by))
    }

    /// A new wait, or the end of those at a balance; of all where none is named.
    pub(super) fn ask(&mut self, target: Option<&Target>, by: &By, balance: Option<&str>) {
        let Some(target) = target else {
            let ends = |wait: &Wait| {
                balance.is_none_or(|ended| wait.balance.as_deref().is_none_or(|at| at == ended))
            };
            self.0.retain(|wait| !ends(wait));
            return;
        };
        self.0.retain(|wait| !wait.gives_way(target, balance));
        self.0.push(Wait {
            target: target.clone(),
            by: Some(by.clone()),
            balance: balance.map(str::to_owned),
        });
    }

    /// The mass has come.
    pub(super) fn end(&mut self, target: &Target) {
        self.0.retain(|wait| wait.target != *target);
    }
}

impl Bench {
    /// The balances of the bench, by name.
    pub fn balances(&self) -> impl Iterator<Item = &str> {
        let balances = self.instruments.iter().filter(|(_, kind)| **kind == InstrumentKind::Balance);
        balances.map(|(name, _)| name.as_str())
    }

    /// Nothing is awaited for what is over or gone, nor of a balance that is not there.
    pub(super) fn await_only_what_is_there(&mut self) {
        let several = self.balances().nth(1).is_some();
        let stands = |wait: &Wait| {
            let is_there = match &wait.balance {
                Some(balance) => self.instruments.get(balance) == Some(&InstrumentKind::Balance),
                None => !several,
            };
            is_there && self.may_take_mass(&wait.target)
        };
        if self.awaited.iter().all(stands) {
            return;
        }
        let standing = self.awaited.iter().filter(|wait| stands(wait)).cloned().collect();
        self.awaited = Waits(standing);
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn a_state_of_before_keeps_what_it_waited_for() {
        let nothing: Waits = serde_json::from_str("null").unwrap();
        assert!(nothing.is_empty());
        let target = r#"{"for":"sample","sample":"019f0000-0000-7000-8000-000000000001","name":"passing"}"#;
        let one: Waits = serde_json::from_str(target).unwrap();
        let wait = one.at("balance").expect("it is still waited for");
        assert_eq!(wait.target, serde_json::from_str(target).unwrap());
        assert_eq!((wait.who(), &wait.balance), ("somebody", &None));
        let again: Waits = serde_json::from_str(&serde_json::to_string(&one).unwrap()).unwrap();
        assert_eq!(again, one);
    }
}
