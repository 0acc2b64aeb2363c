//! A test method as data: what must happen, in which order, within which limits.
//!
//! A method names steps of a few kinds; the bench knows the kinds and no method. A new edition,
//! an agency's variant or another country's method is a new file under `config/methods`.
//! Every value of the file keeps its source and how sure that source is ([`Sourced`]).

mod course;
pub(crate) mod load;
mod points;
mod rules;
mod touch;

pub use course::{Bound, CourseKind, CourseRule, CourseStep, Noted};
pub use load::{Fault, load};
pub use points::{Edge, Point};
pub use rules::{
    AverageRule, CalculationRule, FurtherRule, HeightFormula, HeightRule, Precision, RatioRule,
    ReplicateRule, ResultRule,
};
pub use touch::{NoteRule, NoteRules, ResumedRule};

use super::quantity::{Range, Unit};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// How well a value of a method file is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Confidence {
    /// Read in the standard or an agency's method itself.
    Read,
    /// Read in a secondary text.
    Secondary,
    /// Recalled from memory: to be confirmed against the laboratory's own copy.
    FromMemory,
    /// Arithmetic on other values.
    Derived,
    /// Common practice, no source.
    CommonPractice,
    /// The laboratory or its agency sets it.
    Agency,
    /// Not known; legal, and shown as such.
    Unknown,
}

/// A value of the method file with its source.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sourced<T> {
    /// The value; `None` is 'unknown' or 'unset'.
    pub value: Option<T>,
    /// Where it was found, in words.
    pub source: String,
    /// How well it is known.
    pub confidence: Confidence,
}

/// What a method file leaves out that it may leave out.
pub(crate) fn not_said<T>() -> Sourced<T> {
    let source = "the method file says nothing".to_owned();
    Sourced { value: None, source, confidence: Confidence::Unknown }
}

impl<T: PartialEq> Sourced<T> {
    /// The file leaves it out.
    fn is_not_said(&self) -> bool {
        *self == not_said()
    }
}

/// A method, complete and checked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Method {
    /// Stable identifier, the file's name without its extension.
    pub id: String,
    /// Title for people.
    pub title: String,
    /// Designation of the standard, for example `AASHTO T 176`.
    pub standard: String,
    /// What the number is, for people: `sand equivalent`, `durability index`…
    #[serde(default = "sand_equivalent")]
    pub quantity: String,
    /// Edition that the laboratory confirmed, or `not confirmed`.
    pub edition: Sourced<String>,
    /// SHA-256 of the file's bytes, lower-case hexadecimal.
    pub digest: String,
    /// What the file says of itself: the laboratory works from its own current copy.
    pub notice: String,
    /// Durations are compared after rounding to this many nanoseconds, half up.
    pub time_resolution_ns: Sourced<i64>,
    /// What is done to the sample before a tin is filled.
    pub preparation: Preparation,
    /// What one specimen is.
    pub specimen: SpecimenRule,
    /// The stages, in order.
    pub steps: Vec<Step>,
    /// Temperature of the working solution.
    pub temperature: TemperatureRule,
    /// How levels are read.
    pub readings: ReadingRule,
    /// When no clear line has formed in time.
    pub late_line: LateLineRule,
    /// Which notes of a person are deviations.
    #[serde(default)]
    pub notes: NoteRules,
    /// How the number is made.
    pub calculation: CalculationRule,
    /// How many specimens, and how far apart they may lie.
    pub replicates: ReplicateRule,
    /// Published precision, as printed.
    pub precision: Vec<Precision>,
    /// Requirements on apparatus and reagents, for people and for equipment checks.
    pub apparatus: Vec<Requirement>,
    /// What can hurt, in plain sentences.
    pub safety: Vec<String>,
    #[serde(skip)]
    known_points: points::KnownPoints,
}

/// What the number of a method is that does not say.
pub(crate) fn sand_equivalent() -> String {
    "sand equivalent".to_owned()
}

/// Limits on the way from the bag to the prepared portion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Preparation {
    /// Sieve that the material must pass, in words (`4.75 mm (No. 4)`).
    pub sieve: Sourced<String>,
    /// Masses with limits, by name (`passing`, `reduced`).
    pub weighings: Vec<WeighingRule>,
    /// Shortest tempering after the moisture was changed, nanoseconds.
    pub tempering_min_ns: Sourced<i64>,
    /// Ways to bring the material right, in words, by name.
    pub alternatives: Vec<Requirement>,
    /// Oven for drying, where the method dries.
    pub oven: Sourced<Range>,
    /// Constant mass, where the method dries: largest change in percent of the mass.
    pub constant_mass_percent: Sourced<Decimal>,
    /// Time between two weighings for constant mass, nanoseconds.
    pub constant_mass_every_ns: Sourced<i64>,
    /// Whether the change must be less than the figure, or may be as large; `None`: the file does
    /// not say, and the stricter holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub constant_mass_bound: Option<Sourced<Bound>>,
    /// Ways to prepare a sample step by step.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub courses: Vec<CourseRule>,
}

/// Name that a method file gives to the mass of a specimen (its tin or portion); every other
/// weighing is the sample's.
pub const SPECIMEN_MASS: &str = "tin";

/// A mass that the bench asks for, with its limits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WeighingRule {
    /// Short name, unique in the method.
    pub name: String,
    /// What is weighed, for people.
    pub title: String,
    /// Inclusive limits; `None` is no limit.
    pub limits: Sourced<Range>,
}

/// What one specimen is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SpecimenRule {
    /// A struck-off tin or a weighed portion.
    pub kind: SpecimenKind,
    /// Volume of the tin, or mass of the portion.
    pub size: Sourced<Range>,
    /// How the portion's mass depends on the material; `None`: it does not.
    #[serde(default)]
    pub dry_basis: Option<DryBasis>,
}

/// A portion whose mass is required on the dry basis: the middle of [`SpecimenRule::size`] is
/// multiplied by (1 + w/100) for a moisture content of w percent, and its tolerance is kept
/// (EN 933-8: 120 (1 + w/100) ± 1 g).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DryBasis {
    /// Highest moisture content of the material, percent.
    pub moisture_max: Sourced<Decimal>,
    /// Highest content of fines, percent: of material with more, a part is replaced by corrective
    /// sand, so that the specimen holds just so much. `None`: the method replaces nothing.
    pub fines_max: Option<Sourced<Decimal>>,
}

/// What one specimen is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SpecimenKind {
    /// One struck-off tin of the prepared portion; a mass is optional and has no limit.
    Tin,
    /// A weighed portion; its mass has limits.
    Portion,
}

/// One stage of the method.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    /// The trade's word, unique in the method: `soak`, `shake`, `irrigate`…
    pub name: String,
    /// What to do, one short imperative sentence.
    pub instruction: String,
    /// What kind of step it is.
    pub kind: StepKind,
}

/// The kinds of step that the bench knows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum StepKind {
    /// One press says that it is done.
    Mark {
        /// Nobody need press: a later press passes it.
        optional: bool,
        /// A level in the cylinder that the step brings about.
        level: Option<Sourced<Range>>,
        /// The cylinder is clean and its place free when this is marked.
        frees_place: bool,
    },
    /// Something lasts, between two instants.
    Interval(Timed),
    /// A level is read and entered.
    Reading {
        /// Which level.
        of: Level,
    },
}

/// An interval of the method.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Timed {
    /// What begins it.
    pub begins: Begins,
    /// What ends it.
    pub ends: Ends,
    /// Nobody need mark its begin: a later press passes it. Only for intervals without limits.
    pub optional: bool,
    /// Nominal duration, nanoseconds.
    pub required_ns: Sourced<i64>,
    /// Shortest allowed, nanoseconds, inclusive.
    pub min_ns: Sourced<i64>,
    /// Longest allowed, nanoseconds, inclusive.
    pub max_ns: Sourced<i64>,
    /// A machine whose running contact may mark both ends.
    pub machine: Option<Machine>,
    /// A level in the cylinder at its end.
    pub level: Option<Sourced<Range>>,
    /// Strokes or cycles that are counted meanwhile.
    #[serde(default)]
    pub count: Option<Box<CountRule>>,
    /// The cylinder stands untouched meanwhile; `None`: the file does not say.
    #[serde(default)]
    pub undisturbed: Option<bool>,
    /// What the machine's further runs count for after an interrupted one; `None`: the file does
    /// not say.
    #[serde(default)]
    pub resumed: Option<Sourced<ResumedRule>>,
}

/// What is counted during an interval: a reading of that step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CountRule {
    /// What one is.
    pub of: Counted,
    /// Inclusive limits of their number.
    pub limits: Sourced<Range>,
}

/// What is counted during a shake that no machine times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Counted {
    /// Strokes of a shaker that is worked by hand.
    Strokes,
    /// Complete cycles, there and back.
    Cycles,
}

impl Counted {
    /// The word, in the plural.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Strokes => "strokes",
            Self::Cycles => "cycles",
        }
    }
}

/// What begins an interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Begins {
    /// A press of its own, or the machine's contact.
    Press,
    /// The end of the step before it.
    Previous,
}

/// What ends an interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ends {
    /// A press of its own, or the machine's contact. If it is missed, the next act is only a
    /// 'no later than': it shows neither an overrun nor that the interval was kept.
    Press,
    /// The next act of the specimen bounds it, and that is enough.
    Next,
}

/// A machine with a running contact.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Machine {
    /// The cylinder shaker.
    Shaker,
}

/// The levels that a person reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// Top of the clay suspension.
    Clay,
    /// Top of the sand, under the foot.
    Sand,
    /// Top of the sediment, where nothing else is read.
    Sediment,
}

impl Level {
    /// The trade's word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Clay => "clay",
            Self::Sand => "sand",
            Self::Sediment => "sediment",
        }
    }
}

/// Temperature of the working solution.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TemperatureRule {
    /// Inclusive limits, in the method's own unit.
    pub limits: Sourced<Range>,
    /// Step whose first instant opens the watch.
    pub from: String,
    /// Step whose last instant closes it.
    pub to: String,
    /// What becomes of a result that meets its limit although the solution was colder than allowed;
    /// unset: nothing is said of it.
    #[serde(default = "not_said", skip_serializing_if = "Sourced::is_not_said")]
    pub passing_below: Sourced<BelowRule>,
}

impl TemperatureRule {
    /// A result that meets its limit in too cold a solution stands.
    pub fn cold_pass_stands(&self) -> bool {
        self.passing_below.value == Some(BelowRule::Stands)
    }
}

/// What becomes of a result that meets its limit although the solution was colder than allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BelowRule {
    /// It stands: in a warmer solution it would be no lower.
    Stands,
    /// It is as any other with a deviation.
    Deviates,
}

/// How levels are read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadingRule {
    /// Distance between two marks of the cylinder.
    pub mark: Sourced<Decimal>,
    /// Highest mark of the cylinder; a reading above it is refused.
    pub top: Sourced<Decimal>,
    /// Unit of both, and of what is entered.
    pub unit: Unit,
    /// What is recorded for a level between two marks.
    pub between_marks: Sourced<BetweenMarks>,
    /// Foot assemblies and their offset from the indicator to the sand; none where no sand is read.
    pub feet: Vec<Foot>,
}

/// What is recorded for a level between two marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BetweenMarks {
    /// The higher mark.
    Higher,
    /// The nearest mark, halves up.
    Nearest,
}

/// A weighted foot assembly.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Foot {
    /// Short name: `indicator`, `guide-cap`.
    pub name: String,
    /// What is taken from the level at the indicator, in the reading's unit.
    pub offset: Sourced<Decimal>,
}

/// When no clear line has formed at the end of sedimentation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LateLineRule {
    /// Longest sedimentation in all before the test must be repeated, nanoseconds.
    pub total_max_ns: Sourced<i64>,
    /// How many new specimens the repeat takes.
    pub repeat_specimens: Sourced<u32>,
}

/// A requirement for people to see: apparatus, reagents, alternatives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Requirement {
    /// Short name, unique in its list.
    pub name: String,
    /// In words.
    pub text: String,
    /// In figures, where it is a range.
    pub limits: Option<Range>,
    /// Where it was found.
    pub source: String,
    /// How well it is known.
    pub confidence: Confidence,
}

impl Method {
    /// Position of a step by its name.
    pub fn step_index(&self, name: &str) -> Option<usize> {
        self.steps.iter().position(|s| s.name == name)
    }

    /// Offset of a foot assembly by its name.
    pub fn foot(&self, name: &str) -> Option<&Foot> {
        self.readings.feet.iter().find(|f| f.name == name)
    }

    /// The foot assembly in use: the one of that name or, where the method has only one, that one.
    /// So a bench that is set to its usual foot can run a method that knows another.
    pub fn foot_in_use(&self, name: &str) -> Option<&Foot> {
        self.foot(name).or(match self.readings.feet.as_slice() {
            [only] => Some(only),
            _ => None,
        })
    }

    /// The levels that a specimen is read at, in order.
    pub fn levels(&self) -> impl Iterator<Item = Level> {
        self.steps.iter().filter_map(|step| match step.kind {
            StepKind::Reading { of } => Some(of),
            _ => None,
        })
    }

    /// What is counted during a step, if something is.
    pub fn count(&self, step: usize) -> Option<&CountRule> {
        self.timed(step)?.count.as_deref()
    }

    /// Masses that the bench offers for a sample: all but the one of a specimen.
    pub fn sample_weighings(&self) -> impl Iterator<Item = &WeighingRule> {
        self.preparation.weighings.iter().filter(|w| w.name != SPECIMEN_MASS)
    }

    /// A mass by its name. A laboratory that weighs its tins together may keep that on the sample.
    pub fn weighing(&self, name: &str) -> Option<&WeighingRule> {
        self.preparation.weighings.iter().find(|w| w.name == name)
    }
}

/// Words as one name in documents, `sandEquivalent` for `sand equivalent`: each but the first begins
/// with a capital, nothing stands between them.
pub fn name_of(words: &str) -> String {
    let mut name = String::new();
    for word in words.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()) {
        let mut letters = word.chars();
        if let (false, Some(first)) = (name.is_empty(), letters.next()) {
            name.extend(first.to_uppercase());
            name.push_str(letters.as_str());
        } else {
            name.push_str(&word.to_lowercase());
        }
    }
    name
}
