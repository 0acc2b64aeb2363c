//! What is required of each kind of equipment: files, one for each kind.
//!
//! The library reads a file's decimal numbers to the fifteen digits that every machine keeps; a
//! limit has fewer.

use crate::domain::method::{Confidence, Machine, SpecimenKind};
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
    /// One stands at each place; where a method has none of its steps, it is used from the first
    /// instant on.
    #[serde(default)]
    pub stands_at_place: bool,
    /// It is used only at steps that this machine times.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<Machine>,
    /// It is used only for specimens of this kind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub specimen: Option<SpecimenKind>,
    /// How its uses are noted; no key of the file.
    #[serde(default, skip_serializing_if = "Noting::is_once")]
    pub noting: Noting,
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

/// How the uses of an item are noted. Journals hold kinds with the way of their time, so that what
/// was noted by an older one is found again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Noting {
    /// Once, what was done beforehand at the specimen's first instant, by all methods together.
    #[default]
    Once,
    /// When it was done, by the specimen's own method.
    AsDone,
}

impl Noting {
    #[expect(clippy::trivially_copy_pass_by_ref, reason = "serde gives a reference")]
    const fn is_once(&self) -> bool {
        matches!(self, Self::Once)
    }
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
    /// Unit of a value that only methods limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<Unit>,
    /// Limits of the trade in general, for methods that do not name the requirement.
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

/// Something that is wrong with the file of a kind.
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
/// Everything that is wrong with what it says; or, with its line, the first thing for which it is
/// no TOML, or which has another key or value than a kind can have.
pub fn load(file: &str, text: &str) -> Result<Kind, Vec<RulesFault>> {
    let fault = |why: String| RulesFault { file: file.to_owned(), why };
    let read = toml::from_str(text).map_err(|error| error.to_string().trim_end().to_owned());
    let mut kind: Kind = read.map_err(|why| vec![fault(why)])?;
    kind.noting = Noting::AsDone;
    let mut found = Vec::new();
    let stem = file.rsplit('/').next().and_then(|name| name.strip_suffix(".toml")).unwrap_or(file);
    if kind.kind != stem {
        found.push(format!("`kind` is `{}`; it must be the file's own name, `{stem}`", kind.kind));
    }
    let mut names = BTreeSet::new();
    for check in &kind.checks {
        if check.name.trim().is_empty() || !names.insert(&check.name) {
            found.push(format!("check `{}`: give each check a name of its own", check.name));
        }
        found.extend(check.faults().map(|why| format!("check `{}`: {why}", check.name)));
    }
    for row in kind.mass_limits.iter().flat_map(|limits| &limits.rows) {
        let (has, wanted) = (row.milligrams.len(), kind.mass_limits.iter().flat_map(|l| &l.classes).count());
        if has != wanted {
            let nominal = row.nominal;
            found.push(format!("mass-limits: the row of {nominal} g has {has} figures for {wanted} classes"));
        }
    }
    if found.is_empty() { Ok(kind) } else { Err(found.into_iter().map(fault).collect()) }
}

impl CheckRule {
    /// What is wrong with it.
    fn faults(&self) -> impl Iterator<Item = &'static str> {
        let measured = matches!(self.how, How::Weigh | How::WaterVolume | How::Rate | How::Value);
        let without_unit = self.unit.is_none() && self.limits.is_none();
        let wrong = [
            (self.daily && self.how != How::Look, "only a check with `how = \"look\"` can be a daily one"),
            (
                self.limits.as_ref().is_some_and(|l| l.min.is_none() && l.max.is_none()),
                "`limits` has neither `min` nor `max`; leave it out where nothing is limited",
            ),
            (
                measured && self.limits.is_none() && self.apparatus.is_none(),
                "what is measured needs `limits`, or `apparatus` with the name that methods give it",
            ),
            (
                self.how == How::Value && self.apparatus.is_some() && without_unit,
                "a value that only methods limit needs `unit`, in which it is entered",
            ),
            (
                self.every.as_ref().is_some_and(|every| every.value == 0),
                "`every` is 0; leave it out where no interval is set",
            ),
        ];
        wrong.into_iter().filter_map(|(is_so, why)| is_so.then_some(why))
    }
}
