//! What a specimen used, and how it stood at that moment: copied onto the specimen, so that a
//! record months later says the same.

use super::register::Register;
use super::standing::State;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Side};
use crate::domain::specimen::judge::{Code, Deviation};
use crate::domain::specimen::sample::{Preparation, Sample};
use crate::domain::specimen::{By, Specimen};
use serde::{Deserialize, Serialize};

/// An item that a specimen used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Used {
    /// Its mark.
    pub id: String,
    /// Its kind.
    pub kind: String,
    /// At which step.
    pub step: String,
    /// When.
    pub moment: Moment,
    /// When the check that decides was last found good.
    pub last_good: Option<Moment>,
    /// When it is due, nanoseconds since 1970-01-01T00:00:00Z.
    pub due_wall_ns: Option<i64>,
    /// How it stood.
    pub state: State,
    /// In a sentence.
    pub why: String,
}

/// Complete cycles of the shaker in one run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cycles {
    /// How many, from the first pulse to the last.
    pub count: u32,
    /// A minute.
    pub rate: Quantity,
    /// The first pulse.
    pub first: Moment,
    /// The last pulse.
    pub last: Moment,
    /// The switch that counted.
    pub by: By,
}

/// The name under which methods require a rate of the shaker.
pub const SHAKER_RATE: &str = "shaker rate";

/// What moves an instant of a specimen forward: its step, and whether it is the first instant.
#[derive(Debug, Clone, Copy)]
pub struct Moves<'a> {
    /// The step that was marked.
    pub step: &'a str,
    /// When.
    pub moment: &'a Moment,
    /// Nothing of the specimen was marked before.
    pub is_first: bool,
}

impl Register {
    /// Notes on the specimen what of the bench's kit it uses at a step. A method without any of
    /// an item's steps uses it from its first instant on.
    pub fn note_use(&self, specimen: &mut Specimen, sample: Option<&Sample>, method: &Method, at: Moves<'_>) {
        for (id, item) in self.items.iter().filter(|(_, item)| item.kit) {
            if item.place.is_some_and(|place| place != specimen.place) {
                continue;
            }
            let Some(kind) = self.kinds.get(&item.kind) else { continue };
            let named = |step: &String| *step == at.step;
            let uses = if kind.used_at.is_empty() {
                false
            } else if kind.used_at.iter().any(named) {
                true
            } else {
                let elsewhere = kind
                    .used_at
                    .iter()
                    .any(|step| method.step_index(step).is_some() || PREPARED.contains(&step.as_str()));
                at.is_first
                    && (!elsewhere || kind.used_at.iter().any(|step| was_done(step, specimen, sample)))
            };
            if uses {
                let standing = self.standing(item, at.moment);
                let entry = Used {
                    id: id.clone(),
                    kind: item.kind.clone(),
                    step: at.step.to_owned(),
                    moment: *at.moment,
                    last_good: standing.last_good,
                    due_wall_ns: standing.due_wall_ns,
                    state: standing.state,
                    why: standing.why,
                };
                keep(&mut specimen.equipment, entry);
            }
        }
    }
}

/// Words of `used-at` that are no steps of a method.
const PREPARED: [&str; 4] = ["weighing", "sieving", "drying", "temperature"];

/// What was done before the specimen's first instant.
fn was_done(word: &str, specimen: &Specimen, sample: Option<&Sample>) -> bool {
    let prepared =
        |what: &Preparation| sample.is_some_and(|s| s.preparation.iter().any(|(done, _)| done == what));
    match word {
        "weighing" => specimen.mass.is_some() || sample.is_some_and(|s| !s.masses.is_empty()),
        "sieving" => prepared(&Preparation::Sieved),
        "drying" => prepared(&Preparation::OvenDried),
        // The solution's temperature is watched from the first fill on.
        "temperature" => true,
        _ => false,
    }
}

/// One entry for each item: an instant that is marked again replaces what was noted at it before;
/// of two instants, the worse stays.
fn keep(list: &mut Vec<Used>, used: Used) {
    match list.iter_mut().find(|known| known.id == used.id) {
        Some(known) if known.step == used.step && known.moment == used.moment => *known = used,
        Some(known) if used.state > known.state => *known = used,
        Some(_) => {}
        None => list.push(used),
    }
}

/// Deviations that come from the equipment: what was not in order when it was used, and a rate of
/// the shaker outside what the method requires.
pub fn deviations(specimen: &Specimen, method: &Method) -> Vec<Deviation> {
    let mut found: Vec<Deviation> = specimen
        .equipment
        .iter()
        .filter_map(|used| {
            let code = match used.state {
                State::Good | State::DueSoon => return None,
                State::PastDue => Code::EquipmentPastDue,
                State::Failed => Code::EquipmentFailed,
                State::OutOfUse => Code::EquipmentOutOfUse,
            };
            Some(Deviation {
                code,
                step: Some(used.step.clone()),
                what: format!("{} ({}) was used although it is {}", used.id, used.kind, used.state.words()),
                required: "equipment whose checks are good and not past due".to_owned(),
                actual: used.why.clone(),
                by: None,
                moment: Some(used.moment),
            })
        })
        .collect();
    let required = method.apparatus.iter().find(|entry| entry.name == SHAKER_RATE).and_then(|r| r.limits);
    if let Some(limits) = required {
        for run in &specimen.cycles {
            if limits.side(&run.rate) != Some(Side::Within) {
                found.push(Deviation {
                    code: Code::ShakerRate,
                    step: None,
                    what: "the shaker ran at another rate than required".to_owned(),
                    required: limits.to_string(),
                    actual: format!("{}: {} complete cycles counted", run.rate, run.count),
                    by: None,
                    moment: Some(run.first),
                });
            }
        }
    }
    found
}
