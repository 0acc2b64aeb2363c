//! The list of equipment: what is kept of each item, what can happen to it, and the fold.

use super::civil;
use super::doubt::Doubt;
use super::required::Verdict;
use super::rules::{CheckRule, Kind};
use super::used::Cycles;
use crate::domain::moment::{MINUTE, Moment};
use crate::domain::quantity::{Quantity, Range};
use crate::domain::shared::Shared;
use crate::domain::specimen::{Marked, Weighing};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use uuid::Uuid;

/// Results of a check that are kept in sight; all of them stay in the journal.
const KEPT_RESULTS: usize = 8;
/// After this long a check that was begun takes no mass any more: somebody forgot it.
const BEGUN_LASTS_NS: i64 = 15 * MINUTE;

/// The equipment of one bench.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Register {
    /// What is required of each kind, by its name.
    pub kinds: Shared<BTreeMap<String, Kind>>,
    /// The items, by their mark.
    pub items: BTreeMap<String, Shared<Item>>,
    /// The check that was begun.
    pub began: Option<Began>,
}

/// One item.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Item {
    /// The mark on it.
    pub id: String,
    /// Its kind.
    pub kind: String,
    /// In words.
    pub title: String,
    /// The place at which it is used; `None`: every place.
    pub place: Option<u32>,
    /// Its name in the settings.
    pub instrument: Option<String>,
    /// Class of a balance or check mass.
    pub class: Option<String>,
    /// Nominal value of a check mass, in grams.
    pub nominal: Option<Quantity>,
    /// The bench uses it.
    pub kit: bool,
    /// When and by whom it was registered.
    pub registered: Marked,
    /// Not to be used: why, by whom, when.
    pub out_of_use: Option<(String, Marked)>,
    /// Its checks, by name.
    pub checks: BTreeMap<String, Kept>,
}

/// What is kept of one check of one item.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Kept {
    /// The last results, newest last.
    pub results: Vec<CheckResult>,
    /// When it was last found good.
    pub last_good: Option<Moment>,
    /// Times over which what the item did is in doubt, oldest first; `None`: from before they were
    /// kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub doubts: Option<Vec<Doubt>>,
}

/// A result of a check.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckResult {
    /// Good or not: where methods limit it, by at least one of those in use.
    pub good: bool,
    /// What was measured.
    pub value: Option<Quantity>,
    /// Limits that it was held to, where there is one set of them.
    pub limits: Option<Range>,
    /// What it is by each of the methods in use that limit it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub verdicts: Vec<Verdict>,
    /// Where they were found.
    pub source: String,
    /// The readings that it was made from, and what came of them, in words.
    pub detail: String,
    /// What it was compared with.
    pub with: Option<String>,
    /// Weighings of the balance that it was made from.
    pub weighings: Vec<Weighing>,
    /// Anything that a person noted.
    pub note: String,
    /// When it must have been made again, nanoseconds since 1970-01-01T00:00:00Z.
    pub due_wall_ns: Option<i64>,
    /// When and by whom.
    pub marked: Marked,
}

/// A check that was begun.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Began {
    /// The item.
    pub item: String,
    /// The check.
    pub check: String,
    /// Masses that it takes.
    pub wants: usize,
    /// The balance that they come from; `None`: any.
    pub from: Option<String>,
    /// Masses that it has taken.
    pub masses: Vec<Weighing>,
    /// When and by whom.
    pub marked: Marked,
}

/// What has happened to the equipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// The kinds came into use: the whole of them, so that the journal stands alone.
    KindsAdopted {
        /// The kinds.
        kinds: Vec<Kind>,
    },
    /// An item came into the list, or was set anew.
    ItemSet {
        /// The item; of its checks nothing changes.
        item: Box<Item>,
        /// When and by whom.
        marked: Marked,
    },
    /// A check began.
    CheckBegan {
        /// It.
        began: Box<Began>,
    },
    /// The balance gave a mass for it.
    MassTaken {
        /// The weighing.
        weighing: Box<Weighing>,
    },
    /// It was given up.
    CheckStopped {
        /// When and by whom.
        marked: Marked,
    },
    /// A check was made.
    Checked {
        /// The item.
        item: String,
        /// The check.
        check: String,
        /// Its result.
        result: Box<CheckResult>,
    },
    /// An item is not to be used.
    TakenOutOfUse {
        /// The item.
        item: String,
        /// Why.
        reason: String,
        /// When and by whom.
        marked: Marked,
    },
    /// It may be used again.
    PutBack {
        /// The item.
        item: String,
        /// When and by whom.
        marked: Marked,
    },
    /// Somebody looked through what used an item while it was in doubt.
    LookedThrough {
        /// The item.
        item: String,
        /// The check.
        check: String,
        /// Where that time begins: the last good check, if there was one.
        from: Option<Moment>,
        /// What came of it, as noted.
        note: String,
        /// When and by whom.
        marked: Marked,
    },
    /// A switch counted the cycles of a run of the shaker.
    CyclesCounted {
        /// The specimens in it.
        specimens: Vec<Uuid>,
        /// The count.
        cycles: Cycles,
    },
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::KindsAdopted { .. } => "equipment-kinds-adopted",
            Self::ItemSet { .. } => "equipment-item-set",
            Self::CheckBegan { .. } => "equipment-check-began",
            Self::MassTaken { .. } => "equipment-mass-taken",
            Self::CheckStopped { .. } => "equipment-check-stopped",
            Self::Checked { .. } => "equipment-checked",
            Self::TakenOutOfUse { .. } => "equipment-taken-out-of-use",
            Self::PutBack { .. } => "equipment-put-back",
            Self::LookedThrough { .. } => "equipment-looked-through",
            Self::CyclesCounted { .. } => "equipment-cycles-counted",
        }
    }
}

impl Register {
    /// Applies what has happened to the list. What happens to specimens, the bench applies.
    pub fn apply(&mut self, happened: &Happened) {
        match happened {
            Happened::KindsAdopted { kinds } => {
                let named = |kind: &Kind| (kind.kind.clone(), kind.clone());
                self.kinds = Shared::new(kinds.iter().map(named).collect());
            }
            Happened::ItemSet { item, .. } => {
                let checks = self.items.get(&item.id).map(|known| known.checks.clone());
                let mut item = (**item).clone();
                item.checks = checks.unwrap_or_default();
                self.items.insert(item.id.clone(), item.into());
            }
            Happened::CheckBegan { began } => self.began = Some((**began).clone()),
            Happened::MassTaken { weighing } => {
                if let Some(began) = &mut self.began {
                    began.masses.push((**weighing).clone());
                }
            }
            Happened::CheckStopped { .. } => self.began = None,
            Happened::Checked { item, check, result } => {
                if self.began.as_ref().is_some_and(|began| began.item == *item && began.check == *check) {
                    self.began = None;
                }
                if let Some(item) = self.items.get_mut(item) {
                    item.checks.entry(check.clone()).or_default().add(result);
                }
            }
            Happened::TakenOutOfUse { item, reason, marked } => {
                if let Some(item) = self.items.get_mut(item) {
                    item.out_of_use = Some((reason.clone(), marked.clone()));
                }
            }
            Happened::PutBack { item, .. } => {
                if let Some(item) = self.items.get_mut(item) {
                    item.out_of_use = None;
                }
            }
            Happened::LookedThrough { item, check, from, marked, .. } => {
                if let Some(kept) = self.items.get_mut(item).and_then(|item| item.checks.get_mut(check)) {
                    kept.look_through(*from, marked);
                }
            }
            Happened::CyclesCounted { .. } => {}
        }
    }

    /// A specimen used an item while a check of it was past its date.
    pub fn used_past_due(&mut self, item: &str, check: &str) {
        if let Some(item) = self.items.get_mut(item) {
            item.checks.entry(check.to_owned()).or_default().used_past_due();
        }
    }

    /// A laboratory that registered no item keeps no list.
    pub fn is_kept(&self) -> bool {
        !self.items.is_empty()
    }

    /// The rule of a check of an item, with its kind.
    pub fn rule(&self, item: &Item, check: &str) -> Option<(&Kind, &CheckRule)> {
        let kind = self.kinds.get(&item.kind)?;
        Some((kind, kind.checks.iter().find(|rule| rule.name == check)?))
    }

    /// The check that was begun takes a mass of this instrument at this moment.
    pub fn takes_mass(&self, instrument: &str, now: &Moment) -> bool {
        self.began.as_ref().is_some_and(|began| {
            began.masses.len() < began.wants
                && began.from.as_deref().is_none_or(|from| from == instrument)
                && now.since(&began.marked.moment).ns < BEGUN_LASTS_NS
        })
    }
}

impl Kept {
    /// The newest result.
    pub fn last(&self) -> Option<&CheckResult> {
        self.results.last()
    }

    fn add(&mut self, result: &CheckResult) {
        self.doubt(result);
        if result.good {
            self.last_good = Some(result.marked.moment);
        }
        self.results.push(result.clone());
        let over = self.results.len().saturating_sub(KEPT_RESULTS);
        self.results.drain(..over);
    }
}

impl CheckRule {
    /// When a good result of this moment is due again; a bad one is due at once.
    pub fn due(&self, good: bool, at: &Moment) -> Option<i64> {
        let every = self.every.as_ref().filter(|_| good)?;
        Some(civil::due(at.wall_ns, every))
    }
}
