//! Stock and working solutions: recipes as data, batches made by them step by step, the bottle in
//! use, and which batch a specimen met.
//!
//! ```text
//!  recipe ──begin──▶ batch under way ──weigh, measure, do──▶ made ──put in use──▶ bottle in use
//!                         │ stock solution goes into working solution    │            │ each filling
//!                         └──────────────────discard────────────────────▶ gone   specimen: batch, step
//! ```
//!
//! A laboratory that notes no batch sees nothing of this: no question, no deviation. Amounts are
//! data, from the files under `config/solutions`; nothing here knows a recipe.

mod act;
mod batch;
mod load;
mod recipe;
mod shelf;
mod used;

#[cfg(test)]
mod test;

pub use act::Act;
pub use batch::{Batch, Bought, Doubt, Finished, Followed, Lot, Part, State, StockUsed, Taken, limits_text};
pub use load::load;
pub use recipe::{Kind, Recipe, StepRule, Takes, Target, UseRule, Water, WaterRule, serves, shown};
pub use shelf::{Change, Shelf};
pub use used::{BatchSeen, Use, deviations};

use crate::domain::quantity::Quantity;
use crate::domain::specimen::Marked;
use serde::{Deserialize, Serialize};

/// What has happened to solutions. A mass of the balance for a component is a weighing like any
/// other.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// The recipes came into use: the whole of them, so that the journal stands alone.
    RecipesAdopted {
        /// The recipes.
        recipes: Vec<Recipe>,
    },
    /// A batch was begun, with its amounts.
    BatchBegun {
        /// It.
        batch: Box<Batch>,
    },
    /// A batch came ready-made.
    BatchReceived {
        /// It.
        batch: Box<Batch>,
    },
    /// The package of an ingredient was noted.
    LotNoted {
        /// The batch.
        batch: String,
        /// The step.
        component: String,
        /// The package.
        lot: Lot,
    },
    /// A component was measured with something that the station does not read.
    ComponentStated {
        /// The batch.
        batch: String,
        /// The step.
        component: String,
        /// How much.
        amount: Quantity,
        /// With what.
        with: String,
        /// Beside what was measured before.
        further: bool,
        /// When and by whom.
        marked: Marked,
    },
    /// A step that takes nothing was done.
    StepDone {
        /// The batch.
        batch: String,
        /// The step.
        step: String,
        /// When and by whom.
        marked: Marked,
    },
    /// A batch is made.
    BatchFinished {
        /// The batch.
        batch: String,
        /// When, by whom, until when it is good.
        finished: Finished,
        /// What is not in order, with the reason that was given.
        doubts: Vec<Doubt>,
    },
    /// The bottle in use is another one now; or none.
    BottleChanged {
        /// Of stock or of working solution.
        of: Kind,
        /// The batch; `None`: no bottle is in use.
        batch: Option<String>,
        /// When and by whom.
        marked: Marked,
    },
    /// A batch was thrown away.
    BatchDiscarded {
        /// The batch.
        batch: String,
        /// Why.
        reason: String,
        /// When and by whom.
        marked: Marked,
    },
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::RecipesAdopted { .. } => "solution-recipes-adopted",
            Self::BatchBegun { .. } => "solution-batch-begun",
            Self::BatchReceived { .. } => "solution-batch-received",
            Self::LotNoted { .. } => "solution-lot-noted",
            Self::ComponentStated { .. } => "solution-component-stated",
            Self::StepDone { .. } => "solution-step-done",
            Self::BatchFinished { .. } => "solution-batch-finished",
            Self::BottleChanged { .. } => "solution-bottle-changed",
            Self::BatchDiscarded { .. } => "solution-batch-discarded",
        }
    }
}
