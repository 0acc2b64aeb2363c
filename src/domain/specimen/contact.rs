//! What a switch's line did not show: edges that were lost, a contact that stands otherwise than the
//! bench thinks. Nothing is guessed from it; whatever it may touch carries it as a deviation, to be
//! looked at.

use super::judge::{Code, Deviation};
use super::{By, Marked, Specimen};
use crate::domain::method::{Method, Point};
use crate::domain::moment::Moment;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// What happened to a switch's line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// Edges of a switch were not seen, while these specimens stood where it acts.
    EdgesUnseen {
        /// Those that it may touch.
        specimens: Vec<Uuid>,
        /// What was not seen.
        unseen: Unseen,
    },
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::EdgesUnseen { .. } => "contact-edges-unseen",
        }
    }
}

/// Edges that nobody saw.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Unseen {
    /// Name of the switch in the settings.
    pub trigger: String,
    /// What is known of them, in a sentence.
    pub what: String,
    /// The last instant before them at which the line is known; `None`: it was not watched before.
    pub since: Option<Moment>,
    /// The instant at which it is known again.
    pub until: Moment,
}

impl Unseen {
    /// As something that was marked by the switch itself.
    pub fn marked(&self) -> Marked {
        Marked { moment: self.until, by: By::bench(format!("trigger {}", self.trigger)) }
    }
}

/// One deviation for each time that edges were not seen.
pub(super) fn deviations(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Deviation> {
    let at = |unseen: &Unseen| {
        // The last step that had begun by then.
        let mut marked = specimen.points.iter().enumerate().filter_map(|(i, m)| Some((i, m.as_ref()?)));
        let before = marked.rfind(|(_, m)| unseen.until.since(&m.moment).ns >= 0);
        method.steps.get(points.get(before?.0)?.step).map(|step| step.name.clone())
    };
    let told = specimen.unseen.iter().map(|unseen| Deviation {
        code: Code::IntervalNotShown,
        step: at(unseen),
        what: format!("the switch {} may have marked something that was not seen", unseen.trigger),
        required: "every edge of the switch seen".to_owned(),
        actual: unseen.what.clone(),
        by: None,
        moment: Some(unseen.until),
    });
    told.collect()
}
