//! What was done on the way from the bag to the tins, as it is kept.

use crate::domain::moment::Moment;
use crate::domain::quantity::Quantity;
use crate::domain::specimen::{Marked, Target, Weighing};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// The course that a sample follows, and all that was entered on it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Course {
    /// Name of the method's course.
    pub name: String,
    /// When and by whom it was chosen.
    pub chosen: Marked,
    /// What was entered, oldest first; what was taken back stays here.
    pub entries: Vec<Entry>,
    /// Its tins, in the order in which they came into use; numbered from 1.
    pub tins: Vec<Tin>,
    /// Loads of the oven, in order; numbered from 1.
    pub loads: Vec<Load>,
    /// The last mass that could not be what it was waited for.
    pub declined: Option<Declined>,
    /// The tempering whose end was announced: when it began.
    pub tempering_announced: Option<Moment>,
}

/// Something that a person entered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// What.
    pub what: Entered,
    /// When and by whom.
    pub marked: Marked,
    /// It was none: why, and who said so.
    pub taken_back: Option<(String, Marked)>,
}

/// What can be entered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "entered", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Entered {
    /// A step that is one press is done.
    Done {
        /// Name of the step.
        step: String,
    },
    /// A step was skipped.
    Skipped {
        /// Name of the step.
        step: String,
        /// Why.
        reason: String,
    },
    /// A cast was judged.
    Cast {
        /// How it was.
        finding: Finding,
        /// What was done about it.
        changed: Option<String>,
    },
    /// The portion was mixed.
    Remixed,
    /// A tin was filled and struck off.
    Filled {
        /// Its number.
        tin: u32,
    },
    /// Tins went into the oven.
    DryingBegan {
        /// The load's number.
        load: u32,
        /// The tins' numbers.
        tins: Vec<u32>,
        /// Their content is in a pan.
        in_pan: bool,
    },
    /// The oven's temperature was read.
    OvenNoted {
        /// The load's number.
        load: u32,
        /// The temperature.
        temperature: Quantity,
    },
    /// A load cooled to room temperature.
    Cooled {
        /// The load's number.
        load: u32,
    },
    /// A load was taken out before its mass was constant.
    DryingStopped {
        /// The load's number.
        load: u32,
        /// Why.
        reason: String,
    },
}

impl Entered {
    /// In words.
    pub fn text(&self) -> String {
        match self {
            Self::Done { step } => format!("{step} done"),
            Self::Skipped { step, .. } => format!("{step} skipped"),
            Self::Cast { finding, .. } => format!("cast {}", finding.word()),
            Self::Remixed => "mixed".to_owned(),
            Self::Filled { tin } => format!("tin {tin} filled"),
            Self::DryingBegan { load, .. } => format!("drying {load} began"),
            Self::OvenNoted { load, temperature } => format!("drying {load}, oven at {temperature}"),
            Self::Cooled { load } => format!("drying {load} cooled"),
            Self::DryingStopped { load, .. } => format!("drying {load} taken out"),
        }
    }
}

/// How a squeezed cast was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// It can be handled without breaking.
    Good,
    /// It crumbles.
    TooDry,
    /// It shows free water.
    TooWet,
    /// After it was too wet: more fragile than the first cast, and still a cast.
    MoreFragile,
    /// After it was too wet: as firm as the first cast.
    AsFirm,
}

impl Finding {
    /// The moisture is right with it.
    pub const fn is_accepted(self) -> bool {
        matches!(self, Self::Good | Self::MoreFragile)
    }

    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::TooDry => "too dry",
            Self::TooWet => "too wet",
            Self::MoreFragile => "more fragile than the first",
            Self::AsFirm => "as firm as the first",
        }
    }
}

/// A tin of the sample.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tin {
    /// The mark on it, if it has one.
    pub mark: Option<String>,
    /// Its mass when it was empty.
    pub tare: Option<Weighing>,
    /// Masses that a later one replaced.
    pub earlier_tares: Vec<Weighing>,
    /// The specimen that was made of its content.
    pub specimen: Option<Uuid>,
}

/// Tins that are dried together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Load {
    /// The tins' numbers.
    pub tins: Vec<u32>,
    /// Their content is in a pan of its own.
    pub in_pan: bool,
    /// The pan's mass when it was empty.
    pub pan: Option<Weighing>,
    /// The mass before drying, with the tare.
    pub before: Option<Weighing>,
    /// The masses after drying, with the tare, oldest first.
    pub dried: Vec<Weighing>,
    /// Masses of pan and material before drying that a later one replaced.
    pub earlier: Vec<Weighing>,
    /// Weighings after which it was announced that the next one is possible.
    pub announced: usize,
}

/// A mass of the preparation beside those that the method names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "mass", rename_all = "kebab-case", deny_unknown_fields)]
pub enum MassOf {
    /// An empty tin.
    EmptyTin {
        /// Its number.
        tin: u32,
    },
    /// The empty pan of a load.
    EmptyPan {
        /// The load's number.
        load: u32,
    },
    /// A load before drying.
    BeforeDrying {
        /// The load's number.
        load: u32,
    },
    /// A load after drying.
    Dried {
        /// The load's number.
        load: u32,
    },
}

impl MassOf {
    /// In words.
    pub fn text(self) -> String {
        match self {
            Self::EmptyTin { tin } => format!("tin {tin}, empty"),
            Self::EmptyPan { load } => format!("drying {load}, empty pan"),
            Self::BeforeDrying { load } => format!("drying {load}, before"),
            Self::Dried { load } => format!("drying {load}, dried"),
        }
    }

    /// The load that it is of.
    pub const fn load(self) -> Option<u32> {
        match self {
            Self::EmptyTin { .. } => None,
            Self::EmptyPan { load } | Self::BeforeDrying { load } | Self::Dried { load } => Some(load),
        }
    }
}

/// A mass that could not be what it was waited for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Declined {
    /// What it was to be.
    pub of: MassOf,
    /// The mass.
    pub mass: Quantity,
    /// Why not.
    pub why: String,
    /// When.
    pub moment: Moment,
}

/// Place of a number that counts from 1.
pub(super) fn index(number: u32) -> Option<usize> {
    usize::try_from(number.checked_sub(1)?).ok()
}

/// Number of a place, from 1.
pub(super) fn number(index: usize) -> u32 {
    u32::try_from(index).unwrap_or(u32::MAX).saturating_add(1)
}

impl Course {
    /// A course on which nothing was entered yet.
    pub fn new(name: &str, chosen: Marked) -> Self {
        Self {
            name: name.to_owned(),
            chosen,
            entries: Vec::new(),
            tins: Vec::new(),
            loads: Vec::new(),
            declined: None,
            tempering_announced: None,
        }
    }

    /// A tin by its number.
    pub fn tin(&self, number: u32) -> Option<&Tin> {
        self.tins.get(index(number)?)
    }

    /// A load by its number.
    pub fn load(&self, number: u32) -> Option<&Load> {
        self.loads.get(index(number)?)
    }

    /// The tin of a specimen, with its number.
    pub fn tin_of(&self, specimen: Uuid) -> Option<(u32, &Tin)> {
        self.numbered_tins().find(|(_, tin)| tin.specimen == Some(specimen))
    }

    /// The tins with their numbers.
    pub fn numbered_tins(&self) -> impl Iterator<Item = (u32, &Tin)> {
        self.tins.iter().enumerate().map(|(at, tin)| (number(at), tin))
    }

    /// The loads with their numbers.
    pub fn numbered_loads(&self) -> impl Iterator<Item = (u32, &Load)> {
        self.loads.iter().enumerate().map(|(at, load)| (number(at), load))
    }

    /// Entries that stand, oldest first.
    pub fn standing(&self) -> impl DoubleEndedIterator<Item = &Entry> {
        self.entries.iter().filter(|entry| entry.taken_back.is_none())
    }

    /// When a tin was filled, the last time.
    pub fn filled(&self, tin: u32) -> Option<&Marked> {
        let of_tin = |entry: &&Entry| entry.what == Entered::Filled { tin };
        self.standing().rev().find(of_tin).map(|entry| &entry.marked)
    }

    /// The load of the oven that a tin went into.
    pub fn load_of(&self, tin: u32) -> Option<u32> {
        let mut loads = self.numbered_loads();
        loads.find(|(_, load)| load.tins.contains(&tin)).map(|(number, _)| number)
    }

    /// The weighings of the course that count, with what they are of.
    pub fn weighings(&self) -> impl Iterator<Item = (MassOf, &Weighing)> {
        let tins =
            self.numbered_tins().filter_map(|(tin, t)| Some((MassOf::EmptyTin { tin }, t.tare.as_ref()?)));
        let loads = self.numbered_loads().flat_map(|(load, l)| {
            let pan = l.pan.iter().map(move |w| (MassOf::EmptyPan { load }, w));
            let before = l.before.iter().map(move |w| (MassOf::BeforeDrying { load }, w));
            let dried = l.dried.iter().map(move |w| (MassOf::Dried { load }, w));
            pan.chain(before).chain(dried)
        });
        tins.chain(loads)
    }

    /// Of those, the ones that can be given to another: of dried masses only the last.
    pub fn given(&self) -> impl Iterator<Item = &Weighing> {
        let last = |of: MassOf, weighing: &Weighing| {
            let load = of.load().and_then(|load| self.load(load));
            let is_last = load.and_then(|load| load.dried.last()).is_some_and(|w| w.id == weighing.id);
            !matches!(of, MassOf::Dried { .. }) || is_last
        };
        self.weighings().filter(move |(of, weighing)| last(*of, weighing)).map(|(_, weighing)| weighing)
    }

    /// Keeps a weighing as what it is of; what stood there is kept beside it.
    pub fn give(&mut self, of: MassOf, weighing: Weighing) {
        self.declined = None;
        if let MassOf::EmptyTin { tin } = of {
            if let Some(tin) = index(tin).and_then(|at| self.tins.get_mut(at)) {
                tin.earlier_tares.extend(tin.tare.replace(weighing));
            }
            return;
        }
        let Some(load) = of.load().and_then(index).and_then(|at| self.loads.get_mut(at)) else { return };
        match of {
            MassOf::EmptyPan { .. } => load.earlier.extend(load.pan.replace(weighing)),
            MassOf::BeforeDrying { .. } => load.earlier.extend(load.before.replace(weighing)),
            MassOf::Dried { .. } | MassOf::EmptyTin { .. } => load.dried.push(weighing),
        }
    }

    /// Takes a weighing away again, if it is the last of its kind.
    pub fn take_back(&mut self, of: MassOf, id: Uuid) -> Option<Weighing> {
        if let MassOf::EmptyTin { tin } = of {
            let tin = self.tins.get_mut(index(tin)?)?;
            let taken = tin.tare.take_if(|w| w.id == id)?;
            tin.tare = tin.earlier_tares.pop();
            return Some(taken);
        }
        let load = self.loads.get_mut(index(of.load()?)?)?;
        match of {
            MassOf::EmptyPan { .. } => {
                let taken = load.pan.take_if(|w| w.id == id)?;
                load.pan = replaced_by(&mut load.earlier, of);
                Some(taken)
            }
            MassOf::BeforeDrying { .. } => {
                let taken = load.before.take_if(|w| w.id == id)?;
                load.before = replaced_by(&mut load.earlier, of);
                Some(taken)
            }
            MassOf::Dried { .. } | MassOf::EmptyTin { .. } => {
                let taken = load.dried.pop_if(|w| w.id == id)?;
                load.announced = load.announced.min(load.dried.len());
                Some(taken)
            }
        }
    }
}

/// The newest mass of that kind that a later one replaced: it counts again.
fn replaced_by(earlier: &mut Vec<Weighing>, of: MassOf) -> Option<Weighing> {
    let was = |w: &Weighing| matches!(w.target, Some(Target::Preparation { of: was, .. }) if was == of);
    let at = earlier.iter().rposition(was)?;
    Some(earlier.remove(at))
}
