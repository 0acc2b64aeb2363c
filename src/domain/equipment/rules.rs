//! What is required of each kind of equipment: files, one for each kind.
//!
//! The library reads a file's decimal numbers to the fifteen digits that every machine keeps; a
//! limit has fewer.

use crate::domain::method::Confidence;
use crate::domain::quantity::{Range, Unit};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// A kind of equipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Kind {
    /// Its name.
    pub kind: String,
    /// What it is.
    pub title: String,
    /// At which steps of a method a specimen uses it, by their names; or `weighing`, `sieving`,
    /// `drying`, `temperature`: where these were done. Empty: no specimen uses it itself.
    #[serde(default)]
    pub used_at: Vec<String>,
    /// One stands at each place.
    #[serde(default)]
    pub stands_at_place: bool,
    /// Its checks.
    #[serde(default, rename = "check")]
    pub checks: Vec<CheckRule>,
    /// Classes of a balance.
    #[serde(default, rename = "class")]
    pub classes: Vec<Class>,
    /// Limits of check masses.
    #[serde(default)]
    pub mass_limits: Option<MassLimits>,
}

/// A check of a kind of equipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CheckRule {
    /// Its name, unique in the kind.
    pub name: String,
    /// What is checked.
    pub title: String,
    /// What to do, in a few short sentences.
    pub instruction: String,
    /// How the result is made.
    pub how: How,
    /// Name of the method's requirement, where a method sets one.
    #[serde(default)]
    pub apparatus: Option<String>,
    /// Limits, where no method sets them.
    #[serde(default)]
    pub limits: Option<Limits>,
    /// How often; absent: when somebody wants to.
    #[serde(default)]
    pub every: Option<Every>,
    /// It stands on the list of daily checks.
    #[serde(default)]
    pub daily: bool,
}

/// How the result of a check is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// A balance weighs a check mass: zero, load, read, zero.
    CheckMass,
    /// The item is weighed.
    Weigh,
    /// A tin is weighed empty and filled with water of known temperature.
    WaterVolume,
    /// Cycles are counted over a time.
    Rate,
    /// The probe is compared with a reference thermometer.
    Thermometer,
    /// The station's clock is compared with the network's time.
    NetworkTime,
    /// A value is measured and entered.
    Value,
    /// A person looks: in order, or not.
    Look,
}

/// Limits with their source.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Limits {
    /// Smallest.
    #[serde(default)]
    pub min: Option<Decimal>,
    /// Largest.
    #[serde(default)]
    pub max: Option<Decimal>,
    /// Unit of both, as its UCUM code.
    pub unit: Unit,
    /// Where they were found.
    pub source: String,
    /// How well they are known.
    pub confidence: Confidence,
}

impl Limits {
    /// The limits alone.
    pub const fn range(&self) -> Range {
        Range { min: self.min, max: self.max, unit: self.unit }
    }
}

/// How often a check is made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Every {
    /// How many.
    pub value: u32,
    /// Of what.
    pub unit: EveryUnit,
    /// Where it was found.
    pub source: String,
    /// How well it is known.
    pub confidence: Confidence,
}

/// Units of an interval of checks, as UCUM codes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum EveryUnit {
    /// Hours.
    #[serde(rename = "h")]
    Hours,
    /// Days of 24 hours.
    #[serde(rename = "d")]
    Days,
    /// Months of the calendar.
    #[serde(rename = "mo")]
    Months,
}

/// A class of balances.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Class {
    /// Its name.
    pub name: String,
    /// Division, in grams.
    pub readability: Decimal,
    /// Largest error, in grams.
    pub tolerance: Decimal,
    /// Largest error in percent of the load, where that is more; absent: the tolerance alone.
    #[serde(default)]
    pub percent_of_load: Option<Decimal>,
    /// Where it was found.
    pub source: String,
    /// How well it is known.
    pub confidence: Confidence,
}

/// Largest errors of check masses by class.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct MassLimits {
    /// Names of the classes, in the order of the columns.
    pub classes: Vec<String>,
    /// Where they were found.
    pub source: String,
    /// How well they are known.
    pub confidence: Confidence,
    /// A row for each nominal value.
    #[serde(rename = "row")]
    pub rows: Vec<MassRow>,
}

/// A row of the table of check masses.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct MassRow {
    /// Nominal value, in grams.
    pub nominal: Decimal,
    /// Largest error in milligrams, one for each class.
    pub milligrams: Vec<Decimal>,
}

/// What is wrong with a file of a kind.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}: {why}")]
pub struct RulesFault {
    /// Its name.
    pub file: String,
    /// What, with the line or the check.
    pub why: String,
}

/// Reads the file of a kind.
///
/// # Errors
/// The first thing that is wrong with it, with its line where it is no TOML or an unknown key.
pub fn load(file: &str, text: &str) -> Result<Kind, RulesFault> {
    let fault = |why: String| RulesFault { file: file.to_owned(), why };
    let kind: Kind = toml::from_str(text).map_err(|error| fault(error.to_string().trim_end().to_owned()))?;
    let stem = file.rsplit('/').next().and_then(|name| name.strip_suffix(".toml")).unwrap_or(file);
    if kind.kind != stem {
        return Err(fault(format!("`kind` is `{}`; it must be the file's own name, `{stem}`", kind.kind)));
    }
    let mut names = BTreeSet::new();
    for check in &kind.checks {
        let at = |why: &str| Err(fault(format!("check `{}`: {why}", check.name)));
        if check.name.trim().is_empty() || !names.insert(&check.name) {
            return at("give each check a name of its own");
        }
        if check.daily && check.how != How::Look {
            return at("only a check with `how = \"look\"` can be a daily one");
        }
        if check.limits.as_ref().is_some_and(|l| l.min.is_none() && l.max.is_none()) {
            return at("`limits` has neither `min` nor `max`; leave it out where nothing is limited");
        }
        let measured = matches!(check.how, How::Weigh | How::WaterVolume | How::Rate | How::Value);
        if measured && check.limits.is_none() && check.apparatus.is_none() {
            return at("what is measured needs `limits`, or `apparatus` with the name that methods give it");
        }
        if check.every.as_ref().is_some_and(|every| every.value == 0) {
            return at("`every` is 0; leave it out where no interval is set");
        }
    }
    if let Some(limits) = &kind.mass_limits
        && let Some(row) = limits.rows.iter().find(|row| row.milligrams.len() != limits.classes.len())
    {
        let (found, wanted) = (row.milligrams.len(), limits.classes.len());
        return Err(fault(format!(
            "mass-limits: the row of {} g has {found} figures for {wanted} classes",
            row.nominal
        )));
    }
    Ok(kind)
}
