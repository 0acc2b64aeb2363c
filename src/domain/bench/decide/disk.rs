//! What is seen of the disk under the journal, while it can still be written.

use super::Deciding;
use crate::domain::alarm::Name;
use crate::domain::bench::{DiskCondition, DiskReport, Outcome};

impl Deciding<'_> {
    pub(super) fn disk(&mut self, report: &DiskReport) -> Outcome {
        let name = match report.condition {
            DiskCondition::Low => Name::DiskLow,
            DiskCondition::Slow => Name::DiskSlow,
            DiskCondition::LeftOut => {
                self.raise_momentary(Name::NotKept, &report.about, &report.text);
                return Outcome::done(&report.text);
            }
        };
        if report.active {
            self.raise(name, "", &report.text);
        } else {
            self.clear(name, "");
        }
        Outcome::done(&report.text)
    }
}
