//! From the bag to the tin: sieving, reducing, moistening, tempering, drying to constant mass.
//!
//! A method file describes courses; a sample follows one of them or none. What people did is a list
//! of [entries](Entry) that only grows: what was entered by mistake is taken back and stays in it.
//! Where the sample stands is a function of that list, its weighings and now ([`OnCourse`]).

pub mod constant;
mod course;
mod judge;
mod load;
mod walk;

#[cfg(test)]
mod test;

pub use constant::{Change, Criterion, Verdict};
pub use course::{Course, Declined, Entered, Entry, Finding, Load, MassOf, Tin};
pub use judge::{begun, deviations};
pub use load::{Drying, Weighed};
pub use walk::{Moisture, NextAct, OnCourse, Standing, Tempering, Waits};

use super::moment::Moment;
use super::quantity::{Quantity, Unit};
use super::specimen::Marked;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// What a person can do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// The sample is prepared by a course of its method.
    Follow {
        /// The sample.
        sample: Uuid,
        /// Name of the course.
        course: String,
    },
    /// A step that is one press is done.
    Done {
        /// The sample.
        sample: Uuid,
        /// Name of the step.
        step: String,
    },
    /// A step that may be skipped is skipped.
    Skip {
        /// The sample.
        sample: Uuid,
        /// Name of the step.
        step: String,
        /// Why.
        reason: String,
    },
    /// A cast was squeezed and judged.
    Cast {
        /// The sample.
        sample: Uuid,
        /// How it was.
        finding: Finding,
        /// What was done about it, where the moisture is not right.
        #[serde(default)]
        changed: Option<String>,
    },
    /// The portion was mixed.
    Remix {
        /// The sample.
        sample: Uuid,
    },
    /// The next stable mass is that of an empty tin.
    WeighEmptyTin {
        /// The sample.
        sample: Uuid,
        /// The tin by its number; without one, another tin.
        #[serde(default)]
        tin: Option<u32>,
        /// The mark on another tin, if it has one.
        #[serde(default)]
        mark: Option<String>,
    },
    /// A tin was filled and struck off.
    FillTin {
        /// The sample.
        sample: Uuid,
        /// The tin by its number; without one, another tin.
        #[serde(default)]
        tin: Option<u32>,
        /// The mark on another tin, if it has one.
        #[serde(default)]
        mark: Option<String>,
        /// The person was asked about something unusual and confirms it.
        #[serde(default)]
        confirmed: bool,
    },
    /// A specimen is of another tin than the station took.
    GiveTin {
        /// The specimen.
        specimen: Uuid,
        /// The tin by its number.
        tin: u32,
    },
    /// Filled tins go into the oven together.
    BeginDrying {
        /// The sample.
        sample: Uuid,
        /// The tins by their numbers; none: all that are filled and not in the oven yet.
        #[serde(default)]
        tins: Vec<u32>,
        /// Their content goes into a pan, whose tare is weighed.
        #[serde(default)]
        in_pan: bool,
    },
    /// The next stable mass is one of a load of the oven.
    AwaitDryingMass {
        /// The sample.
        sample: Uuid,
        /// Which mass.
        of: MassOf,
    },
    /// The temperature of the oven was read.
    NoteOven {
        /// The sample.
        sample: Uuid,
        /// The load by its number.
        load: u32,
        /// The digits as they were read.
        temperature: String,
        /// Its unit; without one, that of the method's limits.
        #[serde(default)]
        unit: Option<Unit>,
    },
    /// A load has cooled to room temperature.
    Cooled {
        /// The sample.
        sample: Uuid,
        /// The load by its number.
        load: u32,
    },
    /// A load is taken out although its mass is not shown to be constant.
    StopDrying {
        /// The sample.
        sample: Uuid,
        /// The load by its number.
        load: u32,
        /// Why.
        reason: String,
    },
    /// The last entry was none: it is taken back.
    TakeBack {
        /// The sample.
        sample: Uuid,
        /// Why.
        reason: String,
    },
}

/// What has happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// A sample follows a course from now on.
    CourseChosen {
        /// The sample.
        sample: Uuid,
        /// Name of the course.
        course: String,
        /// When and by whom.
        marked: Marked,
    },
    /// Something was entered.
    Noted {
        /// The sample.
        sample: Uuid,
        /// What.
        entered: Entered,
        /// When and by whom.
        marked: Marked,
    },
    /// The last entry was taken back.
    EntryTakenBack {
        /// The sample.
        sample: Uuid,
        /// What it was.
        entered: Entered,
        /// Why.
        reason: String,
        /// When and by whom.
        marked: Marked,
    },
    /// A tin came into use.
    TinTaken {
        /// The sample.
        sample: Uuid,
        /// Its number within the sample.
        tin: u32,
        /// The mark on it.
        mark: Option<String>,
        /// When and by whom.
        marked: Marked,
    },
    /// A specimen is of this tin.
    TinGiven {
        /// The sample.
        sample: Uuid,
        /// The specimen.
        specimen: Uuid,
        /// The tin.
        tin: u32,
        /// When and by whom.
        marked: Marked,
    },
    /// A mass came that cannot be what it was waited for; it is kept beside.
    MassDeclined {
        /// The sample.
        sample: Uuid,
        /// What it was to be.
        of: MassOf,
        /// The mass.
        mass: Quantity,
        /// Why not.
        why: String,
        /// When.
        moment: Moment,
    },
    /// The portion has stood long enough.
    TemperingOver {
        /// The sample.
        sample: Uuid,
        /// When it was covered.
        since: Moment,
    },
    /// A load may be weighed again.
    DryingDue {
        /// The sample.
        sample: Uuid,
        /// The load.
        load: u32,
    },
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::CourseChosen { .. } => "preparation-course-chosen",
            Self::Noted { .. } => "preparation-noted",
            Self::EntryTakenBack { .. } => "preparation-entry-taken-back",
            Self::TinTaken { .. } => "preparation-tin-taken",
            Self::TinGiven { .. } => "preparation-tin-given",
            Self::MassDeclined { .. } => "preparation-mass-declined",
            Self::TemperingOver { .. } => "preparation-tempering-over",
            Self::DryingDue { .. } => "preparation-drying-due",
        }
    }

    /// The sample that it concerns.
    pub const fn sample(&self) -> Uuid {
        match self {
            Self::CourseChosen { sample, .. }
            | Self::Noted { sample, .. }
            | Self::EntryTakenBack { sample, .. }
            | Self::TinTaken { sample, .. }
            | Self::TinGiven { sample, .. }
            | Self::MassDeclined { sample, .. }
            | Self::TemperingOver { sample, .. }
            | Self::DryingDue { sample, .. } => *sample,
        }
    }
}
