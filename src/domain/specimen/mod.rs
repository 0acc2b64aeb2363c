//! What happened to one struck-off tin (or weighed portion), from registration to a clean cylinder.
//!
//! ```text
//!             possible()            possible()                    possible()
//!  registered ──▶ first fill ──▶ [soak ──▶ shake] ──▶ … ──▶ line read ──▶ clay ──▶ sand ──▶ clean
//!      │             │ temperature watch opens                             │        │        │
//!      │             └──────────────────── tally ──────────────────────────┘    completed  place free
//! ```
//!
//! A specimen walks along its method's [points](super::method::Point): [`walk`] says what is
//! possible and how long each step lasted, [`judge`] compares that with the method, [`tally`]
//! weighs the temperature over time. Nothing here changes state: that is `bench::apply`.

pub mod contact;
pub mod correction;
pub mod history;
pub mod judge;
pub mod late;
pub mod note;
pub mod room;
pub mod runs;
pub mod sample;
pub mod tally;
pub mod walk;

use super::calculation::{self, Calculation, Levels};
use super::measure::{CountTaken, Material};
use super::method::{Level, Method};
use super::moment::Moment;
use super::quantity::Quantity;
use super::reading::Wire;
use correction::Correction;
use history::Noted;
use room::RoomRange;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use tally::Tally;
use uuid::Uuid;

/// Who did something, and through what.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct By {
    /// The person's name as given; `None`: the bench itself (a switch names nobody).
    pub person: Option<String>,
    /// `page`, `ask`, or `trigger NAME`.
    pub via: String,
}

/// One instant of the method that has been marked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Marked {
    /// When it happened, as stamped or as stated.
    pub moment: Moment,
    /// Who marked it.
    pub by: By,
}

/// A level that was read and entered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadingTaken {
    /// The text as it was entered; for sand, the level at the foot's indicator.
    pub text: String,
    /// From the eye to the mark.
    pub level: calculation::Marked,
    /// Name of the foot assembly, for sand.
    pub foot: Option<String>,
    /// When it was entered.
    pub moment: Moment,
    /// Who entered it.
    pub by: By,
}

/// A stable mass that the balance gave, and what it was for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Weighing {
    /// Its identity.
    pub id: Uuid,
    /// The mass with the digits that were read.
    pub mass: Quantity,
    /// Instrument, port and raw bytes.
    pub wire: Wire,
    /// Arrival of the line's last byte.
    pub moment: Moment,
    /// What the bench was waiting for, or what a person gave it to; `None`: kept without a place.
    pub target: Option<Target>,
    /// Who asked for it and so weighed it; `None`: nobody did, or nobody kept who.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked: Option<By>,
    /// Who gave it there afterwards, and when; `None`: it was waited for, or is kept.
    #[serde(default)]
    pub placed: Option<Marked>,
    /// The person who confirmed a mass that did not settle, and when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub confirmed: Option<Marked>,
}

/// What a weighing can be for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "for", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Target {
    /// A mass of the sample's preparation, by the name that the method gives it.
    Sample {
        /// The sample.
        sample: Uuid,
        /// `passing`, `reduced`…
        name: String,
    },
    /// The specimen's tin or portion.
    Specimen {
        /// The specimen.
        specimen: Uuid,
    },
    /// The corrective sand that stands in for a part of the specimen's portion.
    CorrectiveSand {
        /// The specimen.
        specimen: Uuid,
    },
    /// A component of a batch of solution.
    Component {
        /// The batch.
        batch: String,
        /// The step of its recipe.
        component: String,
        /// A further portion, beside what was measured.
        #[serde(default)]
        further: bool,
    },
    /// A tare or a drying of the course that the sample follows.
    Preparation {
        /// The sample.
        sample: Uuid,
        /// Which mass.
        of: crate::domain::preparation::MassOf,
    },
}

/// A further run of the shaker after the one that counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Run {
    /// Contact closed or start pressed.
    pub begin: Marked,
    /// Contact open or stop pressed; `None` while it runs.
    pub end: Option<Marked>,
}

/// How far an interval's announcements have gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// The window opens soon.
    Approaching,
    /// The window is open.
    Due,
    /// The window has closed.
    Overrun,
}

/// One specimen at work on the bench.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Specimen {
    /// Its identity.
    pub id: Uuid,
    /// Name for people: the sample's label and a running number.
    pub label: String,
    /// The sample that it comes from.
    pub sample: Uuid,
    /// Where its cylinder stands, from 1.
    pub place: u32,
    /// Digest of its method.
    pub method: String,
    /// Grows with every event of the specimen: what a person saw when acting on it.
    pub version: u32,
    /// When and by whom it was registered.
    pub registered: Marked,
    /// One entry for each point of the method.
    pub points: Vec<Option<Marked>>,
    /// Runs of the shaker after the first.
    pub further_runs: Vec<Run>,
    /// 'No line yet', each time that it was said.
    pub no_line: Vec<Marked>,
    /// The clay reading.
    pub clay: Option<ReadingTaken>,
    /// The sand reading.
    pub sand: Option<ReadingTaken>,
    /// The sediment reading, of a method that reads nothing else.
    #[serde(default)]
    pub sediment: Option<ReadingTaken>,
    /// What was stated of its material when it was last told, if its method asks for that.
    #[serde(default)]
    pub material: Material,
    /// Strokes or cycles that were counted, by the index of their step.
    #[serde(default, deserialize_with = "super::measure::by_step")]
    pub counts: BTreeMap<usize, CountTaken>,
    /// Mass of the tin's content or portion.
    pub mass: Option<Weighing>,
    /// Mass of the corrective sand.
    #[serde(default)]
    pub corrective: Option<Weighing>,
    /// Masses of corrective sand that a later one replaced, oldest first.
    #[serde(default)]
    pub earlier_corrective: Vec<Weighing>,
    /// Temperature of the solution over the watched time.
    pub tally: Tally,
    /// Temperature of the room from the first act to the result.
    #[serde(default)]
    pub room: RoomRange,
    /// Announcements already made, for a step.
    pub announced: Option<(usize, Stage)>,
    /// The result, once both levels are in.
    pub calculation: Option<Calculation>,
    /// Given up before it was complete: why, by whom and when. Its cylinder is still to be cleaned.
    #[serde(default)]
    pub voided: Option<(String, Marked)>,
    /// Equipment that it used, as that stood then.
    #[serde(default)]
    pub equipment: Vec<crate::domain::equipment::Used>,
    /// Cycles of the shaker that were counted while it was in it.
    #[serde(default)]
    pub cycles: Vec<crate::domain::equipment::Cycles>,
    /// Solutions that it met, one entry for each step at which some was drawn.
    #[serde(default)]
    pub solutions: Vec<crate::domain::solution::Use>,
    /// What people noted of it, in the order in which they did.
    #[serde(default)]
    pub notes: Vec<note::Note>,
    /// Changes of its place, in order.
    #[serde(default)]
    pub places: Vec<note::PlaceChange>,
    /// What a person said of an interrupted run of the machine; the last word counts.
    #[serde(default)]
    pub interruption: Option<runs::Interruption>,
    /// Masses that a later weighing replaced, oldest first.
    #[serde(default)]
    pub earlier_masses: Vec<Weighing>,
    /// What happened lately, with the versions that it made.
    #[serde(default)]
    pub history: Vec<Noted>,
    /// What was corrected, oldest first.
    #[serde(default)]
    pub corrections: Vec<Correction>,
    /// Its published record.
    #[serde(default)]
    pub record: Option<Issued>,
    /// The tally as it would be had the watch not closed: for a closing that is taken back.
    #[serde(default)]
    pub going_on: Option<Tally>,
    /// Who worked on it, where a register of people is kept.
    #[serde(default)]
    pub operators: Vec<crate::domain::review::Operator>,
    /// What reviewers decided of its record, oldest first.
    #[serde(default)]
    pub reviews: Vec<crate::domain::review::Reviewed>,
    /// What switches did not show while it stood where they act, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unseen: Vec<contact::Unseen>,
    /// When the press was made that was kept, and given to it afterwards: the last one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub given: Option<Moment>,
}

/// A document that went out, and the one that it replaced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Issued {
    /// Its identity.
    pub id: Uuid,
    /// Its number; 0 until it has one.
    pub number: u64,
    /// Version of the content under its subject, from 1.
    pub version: u32,
    /// Identity and number of the version before.
    pub replaces: Option<(Uuid, u64)>,
}

impl Issued {
    /// The first version.
    pub const fn first(id: Uuid) -> Self {
        Self { id, number: 0, version: 1, replaces: None }
    }

    /// The version after `before`.
    pub fn after(before: Option<&Self>, id: Uuid) -> Self {
        Self {
            id,
            number: 0,
            version: before.map_or(1, |b| b.version) + 1,
            replaces: before.map(|b| (b.id, b.number)),
        }
    }
}

impl Specimen {
    /// Both levels are in and the record has been made.
    pub fn is_complete(&self) -> bool {
        self.calculation.is_some()
    }

    /// The levels that its number is made of, once all are in.
    pub fn levels(&self) -> Option<Levels> {
        if let Some(sediment) = &self.sediment {
            return Some(Levels::One { sediment: sediment.level });
        }
        let (sand, clay) = (self.sand.as_ref()?, self.clay.as_ref()?);
        Some(Levels::Two { sand: sand.level, clay: clay.level })
    }

    /// A level as it was entered or corrected last.
    pub const fn reading(&self, of: Level) -> Option<&ReadingTaken> {
        match of {
            Level::Clay => self.clay.as_ref(),
            Level::Sand => self.sand.as_ref(),
            Level::Sediment => self.sediment.as_ref(),
        }
    }

    /// The last level that a method asks for, once it is in.
    pub fn last_reading(&self) -> Option<&ReadingTaken> {
        self.sand.as_ref().or(self.sediment.as_ref())
    }

    /// What its number is: the method's quantity; with the content of fines behind it where
    /// corrective sand was mixed in to come down to it (EN 933-8 writes SE(10)).
    pub fn quantity(&self, method: &Method) -> String {
        self.material.quantity(method)
    }

    /// Its number, unless it was given up.
    pub fn result(&self) -> Option<&Calculation> {
        self.calculation.as_ref().filter(|_| self.voided.is_none())
    }

    /// Nothing more is measured on it: complete, or given up.
    pub fn is_over(&self) -> bool {
        self.is_complete() || self.voided.is_some()
    }
}
