//! Times over which what an item did is in doubt: kept until a person has looked through what used
//! it then.

use super::register::{CheckResult, Kept};
use crate::domain::moment::Moment;
use crate::domain::specimen::Marked;
use serde::{Deserialize, Serialize};

/// Times that are kept for one check; beyond that the two oldest become one, so that none is lost.
const KEPT_DOUBTS: usize = 16;

/// A time over which what an item did is in doubt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Doubt {
    /// The last good check before; `None`: there was none.
    pub from: Option<Moment>,
    /// The next good check; `None`: not yet.
    pub to: Option<Moment>,
    /// Whence it comes.
    pub by: DoubtBy,
    /// Only tests by these standards; none: all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub standards: Vec<String>,
    /// Somebody looked through it while it was open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub looked_through: Option<Marked>,
}

/// Whence a doubt comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DoubtBy {
    /// A check was not passed.
    Failed,
    /// A specimen used the item when the check was past its date.
    UsedPastDue,
}

impl Kept {
    /// Its doubts. A list from before they were kept has those that its results show.
    pub(super) fn doubts(&self) -> Vec<Doubt> {
        self.doubts.clone().unwrap_or_else(|| {
            let mut found = Vec::new();
            let mut good = None;
            for (at, result) in self.results.iter().enumerate() {
                let before = at.checked_sub(1).and_then(|before| self.results.get(before));
                meet(&mut found, before, good, result);
                good = if result.good { Some(result.marked.moment) } else { good };
            }
            found
        })
    }

    /// The doubt that begins there, in milliseconds since 1970, if nobody has looked through it.
    pub fn doubt_from(&self, from_ms: Option<i64>) -> Option<Doubt> {
        let ms = |moment: &Moment| moment.wall_ns.div_euclid(1_000_000);
        let is_it = |doubt: &Doubt| doubt.from.as_ref().map(ms) == from_ms && doubt.looked_through.is_none();
        self.doubts().into_iter().find(is_it)
    }

    /// A result comes: what it opens, and what it closes.
    pub(super) fn doubt(&mut self, result: &CheckResult) {
        let mut doubts = self.doubts();
        meet(&mut doubts, self.results.last(), self.last_good, result);
        bound(&mut doubts);
        self.doubts = Some(doubts);
    }

    /// A specimen used the item while this check was past its date.
    pub(super) fn used_past_due(&mut self) {
        let mut doubts = self.doubts();
        if !doubts.iter().any(|doubt| doubt.to.is_none() && doubt.standards.is_empty()) {
            doubts.push(open(self.last_good, DoubtBy::UsedPastDue, Vec::new()));
            bound(&mut doubts);
        }
        self.doubts = Some(doubts);
    }

    /// A person has looked through what used it since `from`.
    pub(super) fn look_through(&mut self, from: Option<Moment>, marked: &Marked) {
        let mut doubts = self.doubts();
        doubts.retain(|doubt| doubt.from != from || doubt.to.is_none());
        for doubt in doubts.iter_mut().filter(|doubt| doubt.from == from) {
            doubt.looked_through = Some(marked.clone());
        }
        self.doubts = Some(doubts);
    }
}

const fn open(from: Option<Moment>, by: DoubtBy, standards: Vec<String>) -> Doubt {
    Doubt { from, to: None, by, standards, looked_through: None }
}

/// What a result makes of the doubts so far; `before` is the result before it, `good` the last good
/// one.
fn meet(doubts: &mut Vec<Doubt>, before: Option<&CheckResult>, good: Option<Moment>, result: &CheckResult) {
    let is_bad = |standard: &String| result.by_standard(standard) == Some(false);
    for doubt in doubts.iter_mut().filter(|doubt| doubt.to.is_none()) {
        let clears = result.good && !doubt.standards.iter().any(is_bad);
        doubt.to = clears.then_some(result.marked.moment);
    }
    doubts.retain(|doubt| doubt.to.is_none() || doubt.looked_through.is_none());
    if result.good {
        // Right by one standard and no longer by another.
        let was_good = |standard: &&String| before.is_some_and(|b| b.by_standard(standard) == Some(true));
        let lost = result.verdicts.iter().filter(|verdict| !verdict.good);
        let lost: Vec<String> = lost.flat_map(|v| v.standards.iter().filter(was_good)).cloned().collect();
        if !lost.is_empty() {
            doubts.push(open(good, DoubtBy::Failed, lost));
        }
        return;
    }
    let still_open = doubts.iter_mut().find(|doubt| doubt.to.is_none() && doubt.standards.is_empty());
    match still_open {
        Some(doubt) => doubt.by = DoubtBy::Failed,
        None => doubts.push(open(good, DoubtBy::Failed, Vec::new())),
    }
}

fn bound(doubts: &mut Vec<Doubt>) {
    while doubts.len() > KEPT_DOUBTS {
        let oldest = doubts.remove(0);
        let Some(next) = doubts.first_mut() else { return };
        next.from = oldest.from;
        if oldest.by == DoubtBy::Failed {
            next.by = DoubtBy::Failed;
        }
        let all = oldest.standards.is_empty() || next.standards.is_empty();
        next.standards.extend(oldest.standards);
        if all {
            next.standards.clear();
        }
    }
}

impl CheckResult {
    /// What it is by a standard; `None`: that requires nothing of it.
    fn by_standard(&self, standard: &String) -> Option<bool> {
        if self.verdicts.is_empty() {
            return Some(self.good);
        }
        self.verdicts.iter().find(|v| v.standards.contains(standard)).map(|verdict| verdict.good)
    }
}
