//! How an item stands at an instant: a function of its checks, never stored in the list itself.

use super::civil;
use super::register::{Item, Register};
use super::rules::CheckRule;
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

impl Register {
    /// How an item stands at `now`.
    pub fn standing(&self, item: &Item, now: &Moment) -> Standing {
        let checks = self.kinds.get(&item.kind).map_or(&[][..], |kind| &kind.checks);
        let by_check = checks.iter().filter_map(|rule| check_standing(item, rule, now));
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

/// How one check of an item stands; `None` where it was never made and has no interval.
pub(super) fn check_standing(item: &Item, rule: &CheckRule, now: &Moment) -> Option<Standing> {
    let kept = item.checks.get(&rule.name);
    let last = kept.and_then(|kept| kept.last());
    let standing = |state, due_wall_ns, why: String| Standing {
        state,
        check: Some(rule.name.clone()),
        last_good: kept.and_then(|kept| kept.last_good),
        due_wall_ns,
        why,
    };
    let title = &rule.title;
    Some(match last {
        None if rule.every.is_none() => return None,
        None => standing(State::PastDue, None, format!("{title}: no check is on record")),
        Some(last) if !last.good => standing(State::Failed, None, format!("{title}: {}", last.detail)),
        Some(last) => match (last.due_wall_ns, &rule.every) {
            (Some(due), _) if now.wall_ns >= due => {
                standing(State::PastDue, Some(due), format!("{title}: the check is past its date"))
            }
            (Some(due), Some(every)) if now.wall_ns >= due.saturating_sub(civil::soon(every)) => {
                standing(State::DueSoon, Some(due), format!("{title}: due soon"))
            }
            (due, _) => standing(State::Good, due, format!("{title}: good")),
        },
    })
}

impl Item {
    /// How one check of it stands at `now`; `None` where it was never made and need not be.
    pub fn check_standing(&self, rule: &CheckRule, now: &Moment) -> Option<Standing> {
        check_standing(self, rule, now)
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
}

impl Register {
    /// What an item's checks leave in doubt: from the last good one before a failed one to the
    /// next good one; and since the last good one, where a check is past its date.
    pub fn look_back(&self, item: &Item, now: &Moment) -> Vec<LookBack> {
        let mut found = Vec::new();
        for (check, kept) in &item.checks {
            let mut good_before = None;
            let mut open: Option<LookBack> = None;
            for result in &kept.results {
                let at = result.marked.moment.wall_ns;
                if result.good {
                    good_before = Some(at);
                    found.extend(open.take().map(|doubt| LookBack { to_wall_ns: Some(at), ..doubt }));
                } else if open.is_none() {
                    let from_wall_ns = good_before;
                    open = Some(LookBack { check: check.clone(), from_wall_ns, to_wall_ns: None });
                }
            }
            found.extend(open);
        }
        let standing = self.standing(item, now);
        if standing.state == State::PastDue
            && let Some(check) = standing.check
        {
            let from_wall_ns = standing.last_good.map(|moment| moment.wall_ns);
            found.push(LookBack { check, from_wall_ns, to_wall_ns: None });
        }
        found
    }
}
