//! What a person can do with solutions.

use super::recipe::{Kind, Water};
use crate::domain::quantity::Unit;
use serde::{Deserialize, Serialize};

/// An act. Each names a person. Volumes and masses are digits as they were read, with a unit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// A batch is begun.
    Begin {
        /// The mark on its bottle.
        batch: String,
        /// The recipe, by its identifier.
        recipe: String,
        /// How much is wanted.
        volume: String,
        /// In which unit: `mL` or `L`.
        unit: Unit,
        /// The water that it is made with.
        water: Water,
        /// The stock solution that it is made from, where the recipe takes one.
        #[serde(default)]
        stock: Option<String>,
        /// Why tap water, or stock that is not in order, is used all the same.
        #[serde(default)]
        reason: Option<String>,
    },
    /// A solution came ready-made.
    Receive {
        /// The mark on its bottle.
        batch: String,
        /// The recipe that it follows.
        recipe: String,
        /// How much came.
        volume: String,
        /// In which unit: `mL` or `L`.
        unit: Unit,
        /// Who made it.
        maker: String,
        /// Their number of it.
        lot: String,
        /// The day on which it was made, if that is known.
        #[serde(default)]
        made: Option<jiff::civil::Date>,
        /// Its last day, as on its label.
        #[serde(default)]
        expires: Option<jiff::civil::Date>,
    },
    /// The package of an ingredient.
    NoteLot {
        /// The batch.
        batch: String,
        /// The step of the recipe.
        component: String,
        /// The number on the package.
        lot: String,
        /// Its last day, as on the package.
        #[serde(default)]
        expires: Option<jiff::civil::Date>,
        /// Why it is used although it is past that day.
        #[serde(default)]
        reason: Option<String>,
    },
    /// The next stable mass is of this component.
    AwaitComponent {
        /// The batch.
        batch: String,
        /// The step of the recipe.
        component: String,
        /// A further portion, beside what was measured; else it is measured anew.
        #[serde(default)]
        further: bool,
    },
    /// A component was measured with something that the station does not read.
    StateComponent {
        /// The batch.
        batch: String,
        /// The step of the recipe.
        component: String,
        /// How much.
        value: String,
        /// In which unit.
        unit: Unit,
        /// With what: a measuring cylinder, another balance.
        with: String,
        /// A further portion, beside what was measured; else it is measured anew.
        #[serde(default)]
        further: bool,
    },
    /// A step that takes nothing was done.
    StepDone {
        /// The batch.
        batch: String,
        /// The step of the recipe.
        step: String,
    },
    /// The batch is made.
    Finish {
        /// The batch.
        batch: String,
        /// Its last day, where the recipe knows none or the laboratory sets an earlier one.
        #[serde(default)]
        expires: Option<jiff::civil::Date>,
        /// Why it is used although something is missing or outside its limits.
        #[serde(default)]
        reason: Option<String>,
    },
    /// A bottle takes the place of the one in use.
    PutInUse {
        /// The batch.
        batch: String,
        /// The person was asked about a batch that is not in order, and confirms it.
        #[serde(default)]
        confirmed: bool,
    },
    /// No bottle is in use any more.
    TakeAway {
        /// Of stock or of working solution.
        kind: Kind,
    },
    /// A batch is thrown away.
    Discard {
        /// The batch.
        batch: String,
        /// Why.
        reason: String,
    },
}
