//! What a person can do with the equipment.

use crate::domain::quantity::Unit;
use serde::{Deserialize, Serialize};

/// An act. Each names a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// An item comes into the list.
    Register {
        /// The mark on it, as the laboratory writes it.
        item: String,
        /// Its kind: one that the files of kinds name.
        kind: String,
        /// What it is, in words, with its serial number if it has one.
        #[serde(default)]
        title: String,
        /// The place at which it is used; without one it serves every place.
        #[serde(default)]
        place: Option<u32>,
        /// Its name in the settings, where the station reads it.
        #[serde(default)]
        instrument: Option<String>,
        /// Class of a balance or of a check mass.
        #[serde(default)]
        class: Option<String>,
        /// Nominal value of a check mass, in grams.
        #[serde(default)]
        nominal: Option<String>,
        /// The bench uses it, from now on.
        #[serde(default)]
        kit: bool,
    },
    /// Something of an item is set anew; what is not given stays.
    Change {
        /// The item.
        item: String,
        /// In words.
        #[serde(default)]
        title: Option<String>,
        /// The place; 0: every place.
        #[serde(default)]
        place: Option<u32>,
        /// Its name in the settings; empty: the station does not read it.
        #[serde(default)]
        instrument: Option<String>,
        /// Its class.
        #[serde(default)]
        class: Option<String>,
        /// Its nominal value, in grams.
        #[serde(default)]
        nominal: Option<String>,
        /// Whether the bench uses it.
        #[serde(default)]
        kit: Option<bool>,
    },
    /// A check begins: the next stable masses are for it, or its time runs from now on.
    BeginCheck {
        /// The item.
        item: String,
        /// The check, by the name in its kind's file.
        check: String,
    },
    /// The check that was begun is given up.
    StopCheck,
    /// A check was made, with what was found.
    Check {
        /// The item.
        item: String,
        /// The check.
        check: String,
        /// What was found.
        #[serde(default)]
        found: Found,
    },
    /// The daily checks were made, and all was in order.
    AllInOrder {
        /// The list as the person saw it.
        items: Vec<Shown>,
    },
    /// Somebody looked through what used an item while it was in doubt.
    LookedThrough {
        /// The item.
        item: String,
        /// The check.
        check: String,
        /// Where that time begins, milliseconds since 1970; without it, at the beginning.
        #[serde(default)]
        from_ms: Option<i64>,
        /// What came of it.
        #[serde(default)]
        note: String,
    },
    /// An item is not to be used.
    TakeOutOfUse {
        /// The item.
        item: String,
        /// Why.
        reason: String,
    },
    /// It may be used again; its checks stand as they did.
    PutBack {
        /// The item.
        item: String,
    },
}

/// A line of the list of daily checks.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Shown {
    /// The item.
    pub item: String,
    /// The check.
    pub check: String,
}

/// What was found. Figures are digits as they were read; which of them a check needs, its kind
/// says.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Found {
    /// In order, where the check is a look.
    #[serde(default)]
    pub good: Option<bool>,
    /// The value: indication, length, temperature of the reference, mass of the filled tin.
    #[serde(default)]
    pub value: Option<String>,
    /// Its unit; without one, that of the limits.
    #[serde(default)]
    pub unit: Option<Unit>,
    /// Check mass, thermometer or other item that it was compared with.
    #[serde(default)]
    pub with: Option<String>,
    /// What the balance showed before the load.
    #[serde(default)]
    pub zero: Option<String>,
    /// What it showed after the load was taken off.
    #[serde(default)]
    pub zero_after: Option<String>,
    /// Mass of the empty tin.
    #[serde(default)]
    pub empty: Option<String>,
    /// Temperature of the water, in degrees Celsius; without one, that of the probe.
    #[serde(default)]
    pub temperature: Option<String>,
    /// What the probe showed; without it, its last reading.
    #[serde(default)]
    pub shown: Option<String>,
    /// Complete cycles that were counted.
    #[serde(default)]
    pub cycles: Option<u32>,
    /// Over how many seconds; without them, since the check was begun.
    #[serde(default)]
    pub seconds: Option<String>,
    /// Anything to be remembered: certificate, procedure.
    #[serde(default)]
    pub note: String,
}
