//! Who said something at the bench, so that each has places of its own while the disk takes nothing:
//! a contact that chatters fills its own and pushes out nobody's press.

use crate::domain::bench::{DiskCondition, DiskReport, OTHER_SOURCES, SwitchReport, What};
use crate::domain::moment::Moment;
use crate::domain::reading::InstrumentReport;
use std::collections::BTreeSet;

/// Temperatures that wait at most: hours of a probe that speaks each second, at a few hundred bytes
/// each. One that finds no room leaves a gap that shows by itself, as time without a reading.
const TEMPERATURES: usize = 15_000;
/// Inputs of one switch or one instrument that wait at most, and of all others together: more than
/// people press and weigh in a day.
const OF_ONE: usize = 500;

/// Who said it, as far as places are counted.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Source {
    /// All probes, as far as they say temperatures.
    Temperatures,
    /// A switch of the settings.
    Switch(String),
    /// An instrument, but for its temperatures.
    Instrument(String),
    /// The rest together: outputs, the network, switches that the settings do not know.
    Others,
}

impl Source {
    pub(super) fn of(what: &What, switches: &BTreeSet<String>) -> Self {
        let switch = |name: &String| {
            if switches.contains(name) { Self::Switch(name.clone()) } else { Self::Others }
        };
        match what {
            What::Asked { what, .. } => Self::of(what, switches),
            What::Trigger(trigger) => switch(&trigger.name),
            What::Switch(
                SwitchReport::Gone { name, .. }
                | SwitchReport::Open { name }
                | SwitchReport::Found { name, .. }
                | SwitchReport::Counted { name, .. }
                | SwitchReport::Lost { name, .. },
            ) => switch(name),
            What::Instrument(InstrumentReport::Temperature { .. }) => Self::Temperatures,
            What::Instrument(report) => Self::Instrument(report.instrument().to_owned()),
            _ => Self::Others,
        }
    }

    /// How many of it wait at most.
    pub(super) const fn places(&self) -> usize {
        match self {
            Self::Temperatures => TEMPERATURES,
            _ => OF_ONE,
        }
    }
}

/// What of a source found no room.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lost {
    pub(super) count: u32,
    /// The first of it.
    pub(super) since: Moment,
    /// The last of it.
    pub(super) until: Moment,
}

impl Lost {
    pub(super) fn begin(moment: Moment) -> Self {
        Self { count: 0, since: moment, until: moment }
    }

    /// What the journal is told once it can be written. Temperatures need no word: a gap is one.
    pub(super) fn told(self, source: &Source) -> Option<What> {
        let left_out = |about: &str| {
            let text = format!(
                "{about}: {} inputs found no room while the journal could not be written, and are lost",
                self.count
            );
            let (condition, about) = (DiskCondition::LeftOut, about.to_owned());
            What::Disk(DiskReport { condition, active: true, text, about })
        };
        match source {
            Source::Temperatures => None,
            Source::Switch(name) => {
                let (name, edges, since) = (name.clone(), self.count, Some(self.since));
                Some(What::Switch(SwitchReport::Lost { name, edges, since }))
            }
            Source::Instrument(name) => Some(left_out(name)),
            Source::Others => Some(left_out(OTHER_SOURCES)),
        }
    }
}
