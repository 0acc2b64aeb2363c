//! What the network says of itself.

use super::Deciding;
use crate::domain::alarm::Name;
use crate::domain::bench::{NetworkCondition, NetworkReport, Outcome};

impl Deciding<'_> {
    pub(super) fn network(&mut self, report: &NetworkReport) -> Outcome {
        match report {
            NetworkReport::Connected => {
                self.clear(Name::NetworkAway, "");
                Outcome::done("connected")
            }
            NetworkReport::Away { why } => {
                self.raise(Name::NetworkAway, "", why);
                Outcome::done(why)
            }
            NetworkReport::Condition { condition, active, text } => {
                let name = match condition {
                    NetworkCondition::Denied => Name::NetworkDenied,
                    NetworkCondition::NoSubscriber => Name::NetworkNoSubscriber,
                    NetworkCondition::TakenOver => Name::NetworkTakenOver,
                };
                if *active {
                    self.raise(name, "", text);
                } else {
                    self.clear(name, "");
                }
                Outcome::done(text)
            }
        }
    }
}
