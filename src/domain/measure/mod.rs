//! What a person measures beside the method's levels: strokes counted during a shake, and what a
//! portion's mass depends on (moisture, fines).
//!
//! A method whose file asks for none of it sees nothing of this module.

mod portion;

pub use portion::{Masses, NotStated, masses};

use super::method::Method;
use super::quantity::{Quantity, Side, Unit};
use super::specimen::judge::{Code, Deviation, mass_outside};
use super::specimen::{Marked, Specimen};
use rust_decimal::Decimal;
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize};
use std::collections::BTreeMap;
use uuid::Uuid;

/// Strokes or cycles of one step, as they were entered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CountTaken {
    /// How many.
    pub number: u32,
    /// When it was entered, and by whom.
    pub marked: Marked,
}

/// Reads counts by the index of their step. JSON has text for keys, and an event that holds a whole
/// specimen is read by way of a buffer that makes no numbers of them.
pub(super) fn by_step<'de, D: Deserializer<'de>>(from: D) -> Result<BTreeMap<usize, CountTaken>, D::Error> {
    let number = |step: &str| step.parse().map_err(|_| D::Error::custom(format!("`{step}` is no step")));
    let read = BTreeMap::<String, CountTaken>::deserialize(from)?;
    read.into_iter().map(|(step, taken)| Ok((number(&step)?, taken))).collect()
}

/// A property of the material that a portion's mass depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Property {
    /// Moisture content, percent of the dry mass.
    Moisture,
    /// Content of fines, percent of the dry mass.
    Fines,
}

impl Property {
    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Moisture => "moisture content",
            Self::Fines => "fines content",
        }
    }
}

/// A percentage that a person stated.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stated {
    /// The percentage with the digits that were stated.
    #[serde(with = "rust_decimal::serde::str")]
    pub percent: Decimal,
    /// When, and by whom.
    pub marked: Marked,
}

/// What was stated of a material. The last statement counts for specimens that are at work.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Material {
    /// Its moisture content.
    pub moisture: Option<Stated>,
    /// Its content of fines.
    pub fines: Option<Stated>,
}

impl Material {
    /// Keeps a statement.
    pub fn state(&mut self, of: Property, stated: Stated) {
        match of {
            Property::Moisture => self.moisture = Some(stated),
            Property::Fines => self.fines = Some(stated),
        }
    }

    /// What a number of this material is.
    pub fn quantity(&self, method: &Method) -> String {
        match self.fines_held_at(method) {
            Some(fines) => format!("{} ({})", method.quantity, fines.normalize()),
            None => method.quantity.clone(),
        }
    }

    /// The content of fines that the specimens are brought to, if the material holds more.
    pub fn fines_held_at(&self, method: &Method) -> Option<Decimal> {
        let most = method.specimen.dry_basis.as_ref()?.fines_max.as_ref()?.value?;
        self.fines.as_ref().is_some_and(|fines| fines.percent > most).then_some(most)
    }
}

/// What a person can do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// Strokes or cycles were counted during a step.
    Count {
        /// The specimen.
        specimen: Uuid,
        /// Name of the step.
        step: String,
        /// How many.
        number: u32,
    },
    /// A property of the sample's material is known.
    StateMaterial {
        /// The sample.
        sample: Uuid,
        /// Which property.
        of: Property,
        /// Percent of the dry mass, with its digits.
        percent: String,
    },
    /// The next stable mass is that of the specimen's corrective sand.
    AwaitCorrectiveSand {
        /// The specimen.
        specimen: Uuid,
    },
}

impl Act {
    /// The specimen that the act concerns.
    pub const fn specimen(&self) -> Option<Uuid> {
        match self {
            Self::Count { specimen, .. } | Self::AwaitCorrectiveSand { specimen } => Some(*specimen),
            Self::StateMaterial { .. } => None,
        }
    }
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case", rename_all_fields = "kebab-case")]
pub enum Happened {
    /// Strokes or cycles of a step were entered.
    CountEntered {
        /// The specimen.
        specimen: Uuid,
        /// Index of the step.
        step: usize,
        /// Its name, for people who read the journal.
        name: String,
        /// How many.
        number: u32,
        /// When and by whom.
        marked: Marked,
    },
    /// A property of a sample's material was stated.
    MaterialStated {
        /// The sample.
        sample: Uuid,
        /// Which property.
        of: Property,
        /// The percentage.
        #[serde(with = "rust_decimal::serde::str")]
        percent: Decimal,
        /// When and by whom.
        marked: Marked,
    },
}

impl Happened {
    /// Its kind, as stored.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::CountEntered { .. } => "measured-count-entered",
            Self::MaterialStated { .. } => "measured-material-stated",
        }
    }
}

/// Deviations of counts and of masses that depend on the material.
pub fn deviations(specimen: &Specimen, method: &Method) -> Vec<Deviation> {
    let mut found: Vec<Deviation> =
        (0..method.steps.len()).filter_map(|step| count(specimen, method, step)).collect();
    found.extend(moisture(specimen, method));
    found.extend(portion::deviations(specimen, method));
    found
}

fn count(specimen: &Specimen, method: &Method, step: usize) -> Option<Deviation> {
    let rule = method.count(step)?;
    let limits = rule.limits.value?;
    let (name, word) = (&method.steps.get(step)?.name, rule.of.word());
    let taken = specimen.counts.get(&step);
    if let Some(taken) = taken
        && limits.side(&Quantity::new(taken.number.into(), Unit::One)) == Some(Side::Within)
    {
        return None;
    }
    // While there is time to enter it, nothing is missing.
    if taken.is_none() && specimen.levels().is_none() {
        return None;
    }
    Some(Deviation {
        code: if taken.is_some() { Code::CountOutside } else { Code::CountNotShown },
        step: Some(name.clone()),
        what: match taken {
            Some(_) => format!("the number of {word} lies outside the method's range"),
            None => format!("the number of {word} was not entered"),
        },
        required: format!("{} {word}", bare(&limits)),
        actual: taken.map_or_else(|| "not known".to_owned(), |t| format!("{} {word}", t.number)),
        by: None,
        moment: taken.map(|t| t.marked.moment),
    })
}

/// Limits of a count, in words: `100`, or `89 to 91`.
pub fn bare(limits: &super::quantity::Range) -> String {
    match (limits.min, limits.max) {
        (Some(min), Some(max)) if min == max => min.normalize().to_string(),
        _ => limits.to_string().trim_end().to_owned(),
    }
}

fn moisture(specimen: &Specimen, method: &Method) -> Option<Deviation> {
    let most = method.specimen.dry_basis.as_ref()?.moisture_max.value?;
    let stated = specimen.material.moisture.as_ref().filter(|stated| stated.percent > most)?;
    Some(Deviation {
        code: Code::MoistureOver,
        step: None,
        what: "the material is wetter than the method allows".to_owned(),
        required: format!("at most {most} %"),
        actual: format!("{} %", stated.percent),
        by: Some(format!("{} %", stated.percent - most)),
        moment: Some(stated.marked.moment),
    })
}

/// A mass against its limits, or why it cannot be judged once all levels are in.
fn mass(
    specimen: &Specimen,
    what: &str,
    limits: Result<super::quantity::Range, NotStated>,
    weighing: Option<&super::specimen::Weighing>,
) -> Option<Deviation> {
    let missing = |required: String, actual: String| {
        specimen.levels().is_some().then(|| Deviation {
            code: Code::MassNotShown,
            step: None,
            what: format!("nothing shows that the mass of {what} was kept"),
            required,
            actual,
            by: None,
            moment: None,
        })
    };
    match (limits, weighing) {
        (Ok(limits), Some(mass)) => {
            (limits.side(&mass.mass) != Some(Side::Within)).then(|| mass_outside(what, &limits, mass))
        }
        (Ok(limits), None) => missing(limits.to_string(), "not weighed".to_owned()),
        (Err(NotStated(of)), weighing) => {
            let mass = weighing.map_or_else(|| "not weighed".to_owned(), |w| w.mass.to_string());
            missing(
                format!("a mass by the {}", of.word()),
                format!("{mass}; the {} was not stated", of.word()),
            )
        }
    }
}
