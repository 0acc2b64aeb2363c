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
            // The input itself is stored, and the log has it: no state follows from it.
            NetworkReport::Noted { text } => Outcome::done(text),
            NetworkReport::Condition { condition, active, text } => {
                let name = match condition {
                    NetworkCondition::Denied => Name::NetworkDenied,
                    NetworkCondition::NoSubscriber => Name::NetworkNoSubscriber,
                    NetworkCondition::TakenOver => Name::NetworkTakenOver,
                    NetworkCondition::InboundDenied => Name::NetworkInboundDenied,
                    NetworkCondition::Unsuitable => Name::NetworkUnsuitable,
                    NetworkCondition::Unreadable => Name::JournalUnreadable,
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
