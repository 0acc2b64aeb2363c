//! How an item stands at an instant: a function of its checks, never stored in the list itself.

use super::civil;
use super::register::{CheckResult, Item, Register};
use super::required::required;
use super::rules::CheckRule;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use serde::{Deserialize, Serialize};

/// How an item stands, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Every check that has an interval was found good and is not due yet.
    Good,
    /// The same, but a check is due soon.
    DueSoon,
    /// A check is past its date, or was never made.
    PastDue,
    /// A check was not passed.
    Failed,
    /// A person took it out of use.
    OutOfUse,
}

impl State {
    /// What is used in this state is in order.
    pub const fn is_in_order(self) -> bool {
        matches!(self, Self::Good | Self::DueSoon)
    }

    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::DueSoon => "due soon",
            Self::PastDue => "past due",
            Self::Failed => "failed",
            Self::OutOfUse => "out of use",
        }
    }
}

/// How an item, or one of its checks, stands, and the check that decides it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// The state.
    pub state: State,
    /// The check that it comes from, or the one that is due first.
    pub check: Option<String>,
    /// When that check was last found good.
    pub last_good: Option<Moment>,
    /// When it is due, nanoseconds since 1970-01-01T00:00:00Z.
    pub due_wall_ns: Option<i64>,
    /// In a sentence.
    pub why: String,
}

/// By what an item is judged.
#[derive(Debug, Clone, Copy)]
pub struct Judged<'a> {
    /// The methods whose requirements hold, each by itself; none: as each check was judged when it
    /// was made.
    pub methods: &'a [&'a Method],
    /// The instant.
    pub at: &'a Moment,
    /// What was found after the instant does not count: the instant is told of afterwards.
    pub looking_back: bool,
}

impl Register {
    /// How an item stands at `now`, as its checks were judged when they were made.
    pub fn standing(&self, item: &Item, now: &Moment) -> Standing {
        self.standing_by(item, Judged { methods: &[], at: now, looking_back: false })
    }

    /// How an item stands by methods.
    pub fn standing_by(&self, item: &Item, by: Judged<'_>) -> Standing {
        let checks = self.kinds.get(&item.kind).map_or(&[][..], |kind| &kind.checks);
        let by_check = checks.iter().filter_map(|rule| item.check_standing(rule, by));
        // The worst decides; among equals, the one that is due first.
        let worst = by_check.min_by_key(|standing| {
            (std::cmp::Reverse(standing.state), standing.due_wall_ns.unwrap_or(i64::MAX))
        });
        let mut standing = worst.unwrap_or(Standing {
            state: State::Good,
            check: None,
            last_good: None,
            due_wall_ns: None,
            why: "nothing is required at an interval".to_owned(),
        });
        if let Some((reason, _)) = &item.out_of_use {
            standing.state = State::OutOfUse;
            standing.why = format!("taken out of use: {reason}");
        }
        standing
    }
}

impl Item {
    /// How one check of it stands; `None` where it was never made and need not be, or where the
    /// methods require nothing of it.
    pub fn check_standing(&self, rule: &CheckRule, by: Judged<'_>) -> Option<Standing> {
        if !rule.concerns(by.methods) {
            return None;
        }
        let kept = self.checks.get(&rule.name);
        let counts = |result: &&CheckResult| !by.looking_back || by.at.since(&result.marked.moment).ns >= 0;
        let mut results = kept.into_iter().flat_map(|kept| kept.results.iter().rev()).filter(counts);
        let last = results.next();
        let is_good = |result: &CheckResult| rule.is_good(result, by.methods);
        let standing = |state, due_wall_ns, why: String| {
            let newest = last.into_iter().chain(results.clone()).find(|result| is_good(result));
            // What lies before the results that are kept.
            let before = || kept.filter(|kept| kept.results.iter().all(|result| !result.good))?.last_good;
            Standing {
                state,
                check: Some(rule.name.clone()),
                last_good: newest.map(|result| result.marked.moment).or_else(before),
                due_wall_ns,
                why,
            }
        };
        let (now, title) = (by.at.wall_ns, &rule.title);
        Some(match last {
            None if rule.every.is_none() => return None,
            None => standing(State::PastDue, None, format!("{title}: no check is on record")),
            Some(last) if !is_good(last) => {
                standing(State::Failed, None, format!("{title}: {}", not_good(rule, last, by.methods)))
            }
            Some(last) => {
                // Good by this method although it was not by those of its day.
                let due = if last.good { last.due_wall_ns } else { rule.due(true, &last.marked.moment) };
                match (due, &rule.every) {
                    (Some(due), _) if now >= due => {
                        standing(State::PastDue, Some(due), format!("{title}: the check is past its date"))
                    }
                    (Some(due), Some(every)) if now >= due.saturating_sub(civil::soon(every)) => {
                        standing(State::DueSoon, Some(due), format!("{title}: due soon"))
                    }
                    (due, _) => standing(State::Good, due, format!("{title}: good")),
                }
            }
        })
    }
}

/// Why a result is not good, with the requirement where it is one method's.
fn not_good(rule: &CheckRule, result: &CheckResult, methods: &[&Method]) -> String {
    match methods {
        [method] => match required(rule, method) {
            Some((limits, _)) if rule.apparatus.is_some() => {
                format!("{}; {} requires {limits}", result.detail, method.standard)
            }
            _ => result.detail.clone(),
        },
        _ => result.detail.clone(),
    }
}

/// A time over which records that used an item are to be looked at again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LookBack {
    /// The check that shows it.
    pub check: String,
    /// The last good check before; `None`: there was none, so from the beginning.
    pub from_wall_ns: Option<i64>,
    /// The next good check after it; `None`: up to now.
    pub to_wall_ns: Option<i64>,
    /// Only tests by these standards; none: all.
    pub standards: Vec<String>,
    /// It is kept until somebody has looked through it.
    pub kept: bool,
}

impl Register {
    /// What an item's checks leave in doubt: from the last good one before a failed one, or before a
    /// specimen used it past its date, to the next good one; and since the last good one, where a
    /// check is past its date now.
    pub fn look_back(item: &Item, standing: &Standing) -> Vec<LookBack> {
        let mut found = Vec::new();
        for (check, kept) in &item.checks {
            let doubts = kept.doubts();
            found.extend(doubts.into_iter().filter(|doubt| doubt.looked_through.is_none()).map(|doubt| {
                LookBack {
                    check: check.clone(),
                    from_wall_ns: doubt.from.map(|moment| moment.wall_ns),
                    to_wall_ns: doubt.to.map(|moment| moment.wall_ns),
                    standards: doubt.standards,
                    kept: true,
                }
            }));
        }
        if standing.state == State::PastDue
            && let Some(check) = &standing.check
        {
            let is_open = |doubt: &super::Doubt| doubt.to.is_none() && doubt.standards.is_empty();
            if !item.checks.get(check).is_some_and(|kept| kept.doubts().iter().any(is_open)) {
                found.push(LookBack {
                    check: check.clone(),
                    from_wall_ns: standing.last_good.map(|moment| moment.wall_ns),
                    to_wall_ns: None,
                    standards: Vec::new(),
                    kept: false,
                });
            }
        }
        found
    }
}
