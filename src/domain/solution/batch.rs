//! One batch of solution: what it was made of, what was measured, and how it stands.

use super::recipe::{self, Kind, Recipe, StepRule, Takes, Target, UseRule, Water};
use crate::domain::moment::{MINUTE, Moment};
use crate::domain::quantity::{self, Quantity, Range, Side, Unit};
use crate::domain::specimen::{Marked, Weighing};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

const DAY_NS: i64 = 24 * 60 * MINUTE;
/// A solution counts as due soon so long before its last day (common practice, no source).
const SOON_NS: i64 = 3 * DAY_NS;

/// A batch, being made, in the cupboard, in use or gone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Batch {
    /// The mark on its bottle.
    pub id: String,
    /// Stock or working solution.
    pub kind: Kind,
    /// The recipe that it follows.
    pub recipe: Followed,
    /// How much was to be made, or came.
    pub volume: Quantity,
    /// The water that it was made with; `None`: it came ready-made.
    pub water: Option<Water>,
    /// What was said of the tap water's condition, where the recipe sets one.
    pub water_note: Option<String>,
    /// Its steps; none where it came ready-made.
    pub parts: Vec<Part>,
    /// The stock that it was made from.
    pub stock: Option<StockUsed>,
    /// From whom it came ready-made.
    pub bought: Option<Bought>,
    /// What is not in order from the beginning, with the reason that was given for it.
    pub doubts: Vec<Doubt>,
    /// When and by whom it was begun, or came.
    pub begun: Marked,
    /// It is made; `None`: under way.
    pub finished: Option<Finished>,
    /// Thrown away: why, by whom, when.
    pub discarded: Option<(String, Marked)>,
    /// Drawn so far, by what was taken of a stock solution or filled into cylinders, millilitres.
    #[serde(with = "rust_decimal::serde::str")]
    pub drawn_ml: Decimal,
    /// Times that a cylinder was filled from it.
    pub fillings: u32,
}

/// The recipe of a batch, as it was then.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Followed {
    /// Its identifier.
    pub id: String,
    /// Title for people.
    pub title: String,
    /// Digest of its file.
    pub digest: String,
    /// Standards that it serves.
    pub standards: Vec<String>,
    /// At which steps it is used.
    pub uses: Vec<UseRule>,
}

/// A step of making a batch.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Part {
    /// Its name in the recipe.
    pub name: String,
    /// What to do.
    pub instruction: String,
    /// What it takes.
    pub takes: Takes,
    /// The ingredient in words.
    pub ingredient: Option<String>,
    /// By mass.
    pub mass: Option<Target>,
    /// By volume.
    pub volume: Option<Target>,
    /// An amount for orientation.
    pub about: Option<Quantity>,
    /// Package that it came from.
    pub lot: Option<Lot>,
    /// What was measured and counts: one portion, or several that are added.
    pub taken: Vec<Taken>,
    /// What counted before it was measured anew, oldest first.
    pub replaced: Vec<Vec<Taken>>,
    /// It was done, where nothing is taken.
    pub done: Option<Marked>,
}

/// The package of an ingredient.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lot {
    /// Its number.
    pub number: String,
    /// Its last day, as on the label.
    pub expires: Option<jiff::civil::Date>,
    /// Why it was used although it was past that day.
    pub reason: Option<String>,
    /// When and by whom it was noted.
    pub marked: Marked,
}

/// A measured portion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "how", rename_all = "kebab-case")]
pub enum Taken {
    /// By the station's balance.
    Weighed {
        /// The weighing.
        weighing: Box<Weighing>,
    },
    /// A person measured it with something else.
    Stated {
        /// How much.
        amount: Quantity,
        /// With what: a measuring cylinder, another balance.
        with: String,
        /// When and by whom.
        marked: Marked,
    },
}

impl Taken {
    /// How much.
    pub fn amount(&self) -> Quantity {
        match self {
            Self::Weighed { weighing } => weighing.mass,
            Self::Stated { amount, .. } => *amount,
        }
    }

    fn is_weighing(&self, id: uuid::Uuid) -> bool {
        matches!(self, Self::Weighed { weighing } if weighing.id == id)
    }
}

/// A stock solution, as it stood when a working solution was made from it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StockUsed {
    /// Its mark.
    pub id: String,
    /// Title of its recipe.
    pub title: String,
    /// When it was made, nanoseconds since 1970-01-01T00:00:00Z; `None`: not known.
    pub made_wall_ns: Option<i64>,
    /// Until when it is good, likewise.
    pub expires_wall_ns: Option<i64>,
}

/// From whom a solution came ready-made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bought {
    /// Who made it.
    pub maker: String,
    /// Their number of it.
    pub lot: String,
}

/// Something that is not in order, and why it was done all the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Doubt {
    /// What.
    pub what: String,
    /// Why.
    pub reason: String,
}

/// A batch that is made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finished {
    /// When and by whom.
    pub marked: Marked,
    /// When it was made, nanoseconds since 1970-01-01T00:00:00Z; `None`: it came ready-made, and
    /// nobody said.
    pub made_wall_ns: Option<i64>,
    /// Until when it is good, likewise; `None`: not known.
    pub expires_wall_ns: Option<i64>,
    /// Where that comes from.
    pub expires_by: String,
}

/// How a batch stands, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Made, in order, and in time.
    Good,
    /// The same, and its last day is near.
    DueSoon,
    /// Under way.
    Making,
    /// Something of it is not in order, and a person said why it is used all the same.
    NotInOrder,
    /// Past its last day.
    PastDate,
    /// Thrown away.
    Discarded,
}

impl State {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Good => "in order",
            Self::DueSoon => "in order, its last day is near",
            Self::Making => "being made",
            Self::NotInOrder => "not in order",
            Self::PastDate => "past its date",
            Self::Discarded => "discarded",
        }
    }
}

impl Followed {
    /// What a batch keeps of its recipe.
    pub fn of(recipe: &Recipe) -> Self {
        Self {
            id: recipe.id.clone(),
            title: recipe.title.clone(),
            digest: recipe.digest.clone(),
            standards: recipe.standards.clone(),
            uses: recipe.uses.clone(),
        }
    }
}

impl Part {
    /// A step of the recipe for the volume wanted; `None` if it cannot be reckoned.
    pub fn of(recipe: &Recipe, step: &StepRule, wanted: &Quantity) -> Option<Self> {
        let target = |of: &Option<_>| match of {
            None => Some(None),
            Some(of) => recipe.target(step, of, wanted).map(Some),
        };
        let about = match step.about.as_ref().and_then(|about| about.value) {
            None => None,
            Some(about) => Some(recipe.scaled(&about, wanted)?),
        };
        Some(Self {
            name: step.name.clone(),
            instruction: step.instruction.clone(),
            takes: step.takes,
            ingredient: step.ingredient.clone(),
            mass: target(&step.mass)?,
            volume: target(&step.volume)?,
            about,
            lot: None,
            taken: Vec::new(),
            replaced: Vec::new(),
            done: None,
        })
    }

    /// The target of a kind of quantity.
    pub const fn target(&self, kind: quantity::Kind) -> Option<&Target> {
        match kind {
            quantity::Kind::Mass => self.mass.as_ref(),
            quantity::Kind::Volume => self.volume.as_ref(),
            _ => None,
        }
    }

    /// All portions together, in the unit of the target that they are held to.
    pub fn sum(&self) -> Option<Quantity> {
        let kind = self.taken.first()?.amount().unit.kind();
        let unit = self.target(kind)?.amount.unit;
        let mut sum = Decimal::ZERO;
        for taken in &self.taken {
            sum = sum.checked_add(taken.amount().convert(unit)?.value)?;
        }
        Some(Quantity::new(sum, unit))
    }

    /// Where the sum lies against its limits; `None`: nothing was measured, or no limit is set.
    pub fn side(&self) -> Option<Side> {
        let sum = self.sum()?;
        self.target(sum.unit.kind())?.limits.as_ref()?.side(&sum)
    }

    /// Adds a portion, or measures anew.
    pub fn take(&mut self, taken: Taken, further: bool) {
        if !further && !self.taken.is_empty() {
            self.replaced.push(std::mem::take(&mut self.taken));
        }
        self.taken.push(taken);
    }

    /// Takes a weighing away again; what it had replaced counts once more.
    pub fn take_back(&mut self, weighing: uuid::Uuid) -> Option<Weighing> {
        let index = self.taken.iter().position(|taken| taken.is_weighing(weighing))?;
        let Taken::Weighed { weighing } = self.taken.remove(index) else { return None };
        if self.taken.is_empty() {
            self.taken = self.replaced.pop().unwrap_or_default();
        }
        Some(*weighing)
    }

    /// What is wrong with it, in words; `None`: nothing.
    fn fault(&self) -> Option<String> {
        if self.takes == Takes::Nothing {
            return self.done.is_none().then(|| format!("`{}` was not done", self.name));
        }
        let Some(sum) = self.sum() else { return Some(format!("`{}` is missing", self.name)) };
        let side = self.side()?;
        let limits = self.target(sum.unit.kind()).and_then(|target| target.limits.as_ref());
        let limits = limits.map(|limits| recipe::shown_limits(limits).to_string()).unwrap_or_default();
        match side {
            Side::Within => None,
            Side::Below => Some(format!("`{}`: {sum} is too little, required {limits}", self.name)),
            Side::Above => Some(format!("`{}`: {sum} is too much, required {limits}", self.name)),
        }
    }
}

impl Batch {
    /// A step by its name.
    pub fn part(&self, name: &str) -> Option<&Part> {
        self.parts.iter().find(|part| part.name == name)
    }

    /// The same, to be changed.
    pub fn part_mut(&mut self, name: &str) -> Option<&mut Part> {
        self.parts.iter_mut().find(|part| part.name == name)
    }

    /// It may still be worked on.
    pub const fn is_under_way(&self) -> bool {
        self.finished.is_none() && self.discarded.is_none()
    }

    /// What is missing or outside its limits, in the order of the recipe.
    pub fn faults(&self) -> Vec<String> {
        self.parts.iter().filter_map(Part::fault).collect()
    }

    /// Ingredients without a lot number.
    pub fn without_lot(&self) -> Vec<&str> {
        let parts = self.parts.iter().filter(|part| part.takes == Takes::Ingredient && part.lot.is_none());
        parts.map(|part| part.name.as_str()).collect()
    }

    /// Everything that is not in order and was let pass with a reason.
    pub fn all_doubts(&self) -> Vec<Doubt> {
        let lots = self.parts.iter().filter_map(|part| {
            let lot = part.lot.as_ref()?;
            let (reason, expires) = (lot.reason.as_ref()?, lot.expires?);
            let what = format!("`{}`: lot {} was past its date, {expires}", part.name, lot.number);
            Some(Doubt { what, reason: reason.clone() })
        });
        self.doubts.iter().cloned().chain(lots).collect()
    }

    /// When it was made, if that is known, nanoseconds since 1970-01-01T00:00:00Z.
    pub fn made_wall_ns(&self) -> Option<i64> {
        self.finished.as_ref()?.made_wall_ns
    }

    /// Until when it is good, likewise.
    pub fn expires_wall_ns(&self) -> Option<i64> {
        self.finished.as_ref()?.expires_wall_ns
    }

    /// How it stands at an instant.
    pub fn state(&self, now: &Moment) -> State {
        let discarded = self.discarded.as_ref();
        if discarded.is_some_and(|(_, marked)| now.since(&marked.moment).ns >= 0) {
            return State::Discarded;
        }
        if self.finished.is_none() {
            return State::Making;
        }
        match self.expires_wall_ns() {
            Some(end) if now.wall_ns > end => State::PastDate,
            _ if !self.all_doubts().is_empty() => State::NotInOrder,
            Some(end) if end.saturating_sub(now.wall_ns) <= SOON_NS => State::DueSoon,
            _ => State::Good,
        }
    }

    /// About how much is left, millilitres: never less than nothing, for it is an estimate.
    pub fn left_ml(&self) -> Option<Decimal> {
        let whole = self.volume.convert(Unit::Millilitre)?.value;
        Some(whole.checked_sub(self.drawn_ml)?.max(Decimal::ZERO))
    }

    /// About how much is drawn from it at a step, millilitres.
    pub fn draws_ml(&self, step: &str) -> Decimal {
        let used = self.recipe.uses.iter().find(|used| used.step == step);
        let volume = used.and_then(|used| used.volume.value).and_then(|v| v.convert(Unit::Millilitre));
        volume.map_or(Decimal::ZERO, |volume| volume.value)
    }

    /// The stock solution that went into it, millilitres.
    pub fn stock_ml(&self) -> Decimal {
        let parts = self.parts.iter().filter(|part| part.takes == Takes::Stock);
        let volumes = parts.filter_map(|part| part.sum()?.convert(Unit::Millilitre));
        volumes.fold(Decimal::ZERO, |sum, volume| sum.checked_add(volume.value).unwrap_or(sum))
    }

    /// For how many cylinders what is left may do; `None`: not known.
    pub fn cylinders_left(&self) -> Option<u32> {
        let uses = &self.recipe.uses;
        let each = uses
            .iter()
            .fold(Decimal::ZERO, |sum, used| sum.checked_add(self.draws_ml(&used.step)).unwrap_or(sum));
        let cylinders = self.left_ml()?.checked_div(each)?.floor();
        u32::try_from(cylinders).ok()
    }
}

/// A part's limits for people.
pub fn limits_text(limits: Option<&Range>) -> Option<String> {
    limits.map(|limits| recipe::shown_limits(limits).to_string())
}
