//! What a method makes of a cylinder that was touched, of material that was lost, and of a run of
//! the machine that was interrupted. All of it is data: the sources say 'undisturbed' and little more.

use super::{Confidence, Method, Sourced, StepKind};
use serde::{Deserialize, Serialize};

/// When a note of a person is a deviation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoteRule {
    /// Whenever it happened before the second reading.
    Always,
    /// Only while a step ran during which the cylinder stands undisturbed.
    Undisturbed,
    /// Never: it is kept and shown.
    Never,
}

/// Which notes are deviations. A file that says nothing has these: common practice, no source.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NoteRules {
    /// The cylinder was bumped.
    pub bumped: Sourced<NoteRule>,
    /// The cylinder was moved to another place.
    pub moved: Sourced<NoteRule>,
    /// Something was spilled.
    pub spilled: Sourced<NoteRule>,
    /// The cylinder or its stopper leaked.
    pub leaked: Sourced<NoteRule>,
    /// The foot was dropped rather than lowered.
    pub foot_dropped: Sourced<NoteRule>,
}

impl Default for NoteRules {
    fn default() -> Self {
        let rule = |rule| Sourced {
            value: Some(rule),
            source: "the method file says nothing".to_owned(),
            confidence: Confidence::CommonPractice,
        };
        Self {
            bumped: rule(NoteRule::Undisturbed),
            moved: rule(NoteRule::Undisturbed),
            spilled: rule(NoteRule::Always),
            leaked: rule(NoteRule::Always),
            foot_dropped: rule(NoteRule::Never),
        }
    }
}

/// What the machine's further runs count for after one that was interrupted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResumedRule {
    /// A person says for each specimen whether the resumed part counts.
    Person,
    /// What follows a run that was cut short is its resumed part, unless a person says otherwise.
    Together,
    /// It never counts.
    Apart,
}

impl Method {
    /// The cylinder stands untouched while this step runs. Where the file does not say: every
    /// interval with a window that no machine makes.
    pub fn is_undisturbed(&self, step: usize) -> bool {
        match self.steps.get(step).map(|s| &s.kind) {
            Some(StepKind::Interval(timed)) => timed.undisturbed.unwrap_or_else(|| {
                timed.machine.is_none() && (timed.min_ns.value.is_some() || timed.max_ns.value.is_some())
            }),
            _ => false,
        }
    }

    /// What an interrupted run's further runs count for: a person says, unless the file does.
    pub fn resumed(&self, step: usize) -> ResumedRule {
        let rule = self.timed(step).and_then(|timed| timed.resumed.as_ref());
        rule.and_then(|rule| rule.value).unwrap_or(ResumedRule::Person)
    }
}
