//! A recipe as data: what is taken for a volume, in which order, and what is known of the result.
//!
//! A new edition, an agency's own mixture or a bought concentrate is a new file under
//! `config/solutions`; nothing here knows a recipe by name.

use crate::domain::method::{Method, Sourced};
use crate::domain::quantity::{Quantity, Range, Unit};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// What a solution is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The concentrate.
    Stock,
    /// What the cylinders are filled with.
    Working,
}

impl Kind {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Stock => "stock solution",
            Self::Working => "working solution",
        }
    }
}

/// What water a batch is made with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Water {
    /// Distilled.
    Distilled,
    /// Demineralised.
    Demineralised,
    /// From the tap.
    Tap,
}

impl Water {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Distilled => "distilled water",
            Self::Demineralised => "demineralised water",
            Self::Tap => "tap water",
        }
    }
}

/// A recipe, complete and checked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Recipe {
    /// Stable identifier, the file's name without its extension.
    pub id: String,
    /// Title for people.
    pub title: String,
    /// Stock or working solution.
    pub kind: Kind,
    /// Standards whose methods it serves, each as a method file writes its `standard`; empty: any.
    pub standards: Vec<String>,
    /// SHA-256 of the file's bytes, lower-case hexadecimal.
    pub digest: String,
    /// What the file says of itself.
    pub notice: String,
    /// The volume that the amounts are for. It is always known.
    pub makes: Sourced<Quantity>,
    /// How long it keeps, nanoseconds; unknown is legal.
    pub shelf_life_ns: Sourced<i64>,
    /// What water it may be made with.
    pub water: WaterRule,
    /// What is done and taken, in order.
    pub steps: Vec<StepRule>,
    /// At which steps of a method it is used, and about how much of it.
    pub uses: Vec<UseRule>,
    /// What can hurt, in plain sentences.
    pub safety: Vec<String>,
}

/// What water is allowed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WaterRule {
    /// Without a word.
    pub kinds: Vec<Water>,
    /// The condition for tap water; `None`: none but `kinds` is allowed.
    pub tap_if: Option<String>,
    /// Where it was found.
    pub source: String,
    /// How well it is known.
    pub confidence: crate::domain::method::Confidence,
}

/// What a step takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Takes {
    /// Something is done: dissolved, cooled, filtered.
    Nothing,
    /// An ingredient, from a package with a lot number.
    Ingredient,
    /// Stock solution, from a batch.
    Stock,
    /// Water, up to the volume that is made.
    Water,
}

/// One step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepRule {
    /// Short name, unique in the recipe.
    pub name: String,
    /// What to do.
    pub instruction: String,
    /// What it takes.
    pub takes: Takes,
    /// The ingredient in words, with its grade.
    pub ingredient: Option<String>,
    /// Its mass, for the volume that the recipe makes.
    pub mass: Option<Sourced<Quantity>>,
    /// Its volume, likewise. Either may be measured where both stand.
    pub volume: Option<Sourced<Quantity>>,
    /// How far either may be off, each way: an amount for the volume that the recipe makes, or
    /// percent.
    pub tolerance: Option<Sourced<Quantity>>,
    /// An amount for orientation, that nothing is held to.
    pub about: Option<Sourced<Quantity>>,
}

/// A step of a method at which the solution is used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct UseRule {
    /// Name of the step in the method files.
    pub step: String,
    /// About how much is drawn there.
    pub volume: Sourced<Quantity>,
}

/// An amount for the volume wanted, with the limits that it is held to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Target {
    /// The amount.
    pub amount: Quantity,
    /// Its limits; `None`: the recipe has no tolerance.
    pub limits: Option<Range>,
    /// Where amount and tolerance were found.
    pub source: String,
}

impl Recipe {
    /// How many times its own volume a volume is; `None` for a unit that is no volume.
    ///
    /// A quotient that has no end is kept to 28 digits. That misjudges nothing: a limit that is
    /// no finite decimal differs from every reading of at most 16 digits by more than the last of
    /// the 28, as long as the recipe's own volume has at most 8 digits.
    fn share(&self, of: Decimal, wanted: &Quantity) -> Option<Decimal> {
        let makes = self.makes.value?;
        let wanted = wanted.convert(makes.unit)?;
        of.checked_mul(wanted.value)?.checked_div(makes.value)
    }

    /// An amount of the recipe for a volume, in proportion; `None` if it cannot be reckoned.
    pub fn scaled(&self, amount: &Quantity, wanted: &Quantity) -> Option<Quantity> {
        Some(Quantity::new(self.share(amount.value, wanted)?.normalize(), amount.unit))
    }

    /// A step's amount for the volume wanted, with its limits in proportion. Each limit is one
    /// quotient, so nothing is rounded twice.
    pub fn target(&self, step: &StepRule, of: &Sourced<Quantity>, wanted: &Quantity) -> Option<Target> {
        let base = of.value?;
        let amount = self.scaled(&base, wanted)?;
        let tolerance = step.tolerance.as_ref();
        let off = match tolerance.and_then(|t| t.value) {
            None => None,
            Some(percent) if percent.unit == Unit::Percent => {
                Some(base.value.checked_mul(percent.value)?.checked_div(Decimal::ONE_HUNDRED)?)
            }
            Some(absolute) => Some(absolute.convert(base.unit)?.value),
        };
        let limits = match off {
            None => None,
            Some(off) => Some(Range {
                min: Some(self.share(base.value.checked_sub(off)?, wanted)?.normalize()),
                max: Some(self.share(base.value.checked_add(off)?, wanted)?.normalize()),
                unit: base.unit,
            }),
        };
        let source = match tolerance {
            Some(tolerance) if tolerance.value.is_some() && tolerance.source != of.source => {
                format!("{}; tolerance: {}", of.source, tolerance.source)
            }
            _ => of.source.clone(),
        };
        Some(Target { amount, limits, source })
    }

    /// It is drawn from at this step.
    pub fn is_used_at(&self, step: &str) -> bool {
        self.uses.iter().any(|used| used.step == step)
    }
}

/// A recipe serves a method of these standards; none named: any.
pub fn serves(standards: &[String], method: &Method) -> bool {
    standards.is_empty() || standards.contains(&method.standard)
}

/// Digits for people: what is exact but has no end is cut to so many that nobody could read a
/// difference, an amount to the nearest.
pub fn shown(quantity: &Quantity) -> Quantity {
    Quantity::new(quantity.value.round_dp(places(quantity.value)).normalize(), quantity.unit)
}

/// Limits for people: rounded inwards, so that whatever keeps to what is shown keeps to the limits.
pub fn shown_limits(limits: &Range) -> Range {
    use rust_decimal::RoundingStrategy::{ToNegativeInfinity, ToPositiveInfinity};
    let round = |value: Decimal, how| value.round_dp_with_strategy(places(value), how).normalize();
    Range {
        min: limits.min.map(|min| round(min, ToPositiveInfinity)),
        max: limits.max.map(|max| round(max, ToNegativeInfinity)),
        unit: limits.unit,
    }
}

/// Digits behind the point: two for what counts hundreds, three for tens, four below.
fn places(value: Decimal) -> u32 {
    match value.abs() {
        large if large >= Decimal::ONE_HUNDRED => 2,
        middle if middle >= Decimal::TEN => 3,
        _ => 4,
    }
}
