//! What a specimen used, and how it stood at that moment: copied onto the specimen, so that a
//! record months later says the same.

use super::register::{Item, Register};
use super::rules::{Kind, Noting};
use super::standing::{Judged, Standing, State};
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
    /// At which step, or `weighing`, `sieving`, `drying`.
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

/// What was done with a sample or a specimen beside the steps of its method.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doing<'a> {
    /// A mass came from an instrument of the settings.
    Weighing(&'a str),
    /// The sample was sieved.
    Sieving,
    /// It was dried in the oven.
    Drying,
}

impl Doing<'_> {
    /// What an entry of the preparation uses.
    pub const fn of(what: &Preparation) -> Option<Self> {
        match what {
            Preparation::Sieved => Some(Self::Sieving),
            Preparation::OvenDried => Some(Self::Drying),
            Preparation::Reduced | Preparation::MoistureChanged | Preparation::MoistureRight => None,
        }
    }

    /// The word for it in the files of kinds, and in place of a step.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Weighing(_) => WEIGHING,
            Self::Sieving => SIEVING,
            Self::Drying => DRYING,
        }
    }
}

/// An item that was used when one of its checks was past its date, and the check.
pub type PastDue = (String, String);

impl Register {
    /// Notes on the specimen what of the bench's kit it uses at a step; at its first instant also
    /// what was used for its sample before. Gives what is past its date.
    pub fn note_use(
        &self,
        specimen: &mut Specimen,
        sample: Option<&Sample>,
        method: &Method,
        at: Moves<'_>,
    ) -> Vec<PastDue> {
        let mut past_due = Vec::new();
        for used in sample.iter().filter(|_| at.is_first).flat_map(|sample| &sample.equipment) {
            self.keep(&mut specimen.equipment, used.clone());
        }
        for item in self.items.values().filter(|item| item.kit) {
            if item.place.is_some_and(|place| place != specimen.place) {
                continue;
            }
            let Some(kind) = self.kinds.get(&item.kind) else { continue };
            match kind.noting {
                Noting::Once if kind.is_used_once(specimen, sample, method, at) => {
                    let used = used(item, at.step, at.moment, self.standing(item, at.moment));
                    keep_once(&mut specimen.equipment, used);
                }
                Noting::AsDone if kind.is_used_at(method, at) => {
                    let by = Judged { methods: &[method], at: at.moment, looking_back: false };
                    let used = used(item, at.step, at.moment, self.standing_by(item, by));
                    past_due.extend(self.past_due(item, by));
                    self.keep(&mut specimen.equipment, used);
                }
                _ => {}
            }
        }
        past_due
    }

    /// What of the bench's kit is used for something that is done beside the method's steps, and
    /// what of that is past its date.
    pub fn used_for(&self, doing: Doing<'_>, by: Judged<'_>) -> (Vec<Used>, Vec<PastDue>) {
        let (mut found, mut past_due) = (Vec::new(), Vec::new());
        for item in self.items.values().filter(|item| item.kit) {
            let kind = self.kinds.get(&item.kind).filter(|kind| kind.noting == Noting::AsDone);
            if !kind.is_some_and(|kind| kind.used_at.iter().any(|word| word == doing.word())) {
                continue;
            }
            if matches!(doing, Doing::Weighing(instrument) if !self.is_read_as(item, instrument)) {
                continue;
            }
            found.push(used(item, doing.word(), by.at, self.standing_by(item, by)));
            past_due.extend(self.past_due(item, by));
        }
        (found, past_due)
    }

    /// The item is the instrument of this name. One that names no instrument may be any that no
    /// other item of the kit is.
    fn is_read_as(&self, item: &Item, instrument: &str) -> bool {
        let is_it = |item: &Item| item.instrument.as_deref() == Some(instrument);
        is_it(item)
            || item.instrument.is_none() && !self.items.values().any(|other| other.kit && is_it(other))
    }

    fn past_due(&self, item: &Item, by: Judged<'_>) -> Vec<PastDue> {
        let checks = self.kinds.get(&item.kind).map_or(&[][..], |kind| &kind.checks);
        let late = checks.iter().filter(|rule| {
            item.check_standing(rule, by).is_some_and(|standing| standing.state == State::PastDue)
        });
        late.map(|rule| (item.id.clone(), rule.name.clone())).collect()
    }

    /// Keeps a use: one entry for each item and each time between two of its checks, of which the
    /// worst stays, so that a look back from any check finds it.
    pub fn keep(&self, list: &mut Vec<Used>, used: Used) {
        let same =
            |known: &&mut Used| known.id == used.id && known.step == used.step && known.moment == used.moment;
        if let Some(known) = list.iter_mut().find(same) {
            *known = used;
            return;
        }
        let known = list.iter_mut().find(|known| {
            known.id == used.id && !self.was_checked_between(&used.id, &known.moment, &used.moment)
        });
        match known {
            Some(known) if used.state > known.state => *known = used,
            Some(_) => {}
            None => list.push(used),
        }
    }

    fn was_checked_between(&self, id: &str, one: &Moment, other: &Moment) -> bool {
        let (first, last) = if other.since(one).ns < 0 { (other, one) } else { (one, other) };
        let results = self.items.get(id).into_iter().flat_map(|item| item.checks.values());
        results.flat_map(|kept| &kept.results).any(|result| {
            let at = &result.marked.moment;
            at.since(first).ns > 0 && last.since(at).ns >= 0
        })
    }
}

impl Kind {
    /// A specimen uses an item of this kind at a step.
    fn is_used_at(&self, method: &Method, at: Moves<'_>) -> bool {
        let machine = || method.timed(method.step_index(at.step)?)?.machine;
        if self.specimen.is_some_and(|kind| kind != method.specimen.kind)
            || self.machine.is_some() && self.machine != machine()
        {
            return false;
        }
        let named = self
            .used_at
            .iter()
            .any(|word| word == at.step || word == TEMPERATURE && *at.step == *method.temperature.from);
        let knows_none = || !self.used_at.iter().any(|word| method.step_index(word).is_some());
        named || self.stands_at_place && !self.used_at.is_empty() && at.is_first && knows_none()
    }

    /// The same by the older way of noting.
    fn is_used_once(
        &self,
        specimen: &Specimen,
        sample: Option<&Sample>,
        method: &Method,
        at: Moves<'_>,
    ) -> bool {
        if self.used_at.iter().any(|step| step == at.step) {
            return true;
        }
        let elsewhere = self
            .used_at
            .iter()
            .any(|step| method.step_index(step).is_some() || PREPARED.contains(&step.as_str()));
        let beforehand = || self.used_at.iter().any(|step| was_done(step, specimen, sample));
        !self.used_at.is_empty() && at.is_first && (!elsewhere || beforehand())
    }
}

fn used(item: &Item, step: &str, moment: &Moment, standing: Standing) -> Used {
    Used {
        id: item.id.clone(),
        kind: item.kind.clone(),
        step: step.to_owned(),
        moment: *moment,
        last_good: standing.last_good,
        due_wall_ns: standing.due_wall_ns,
        state: standing.state,
        why: standing.why,
    }
}

const WEIGHING: &str = "weighing";
const SIEVING: &str = "sieving";
const DRYING: &str = "drying";
const TEMPERATURE: &str = "temperature";

/// Words of `used-at` that are no steps of a method.
const PREPARED: [&str; 4] = [WEIGHING, SIEVING, DRYING, TEMPERATURE];

/// What was done before the specimen's first instant, by the older way of noting.
fn was_done(word: &str, specimen: &Specimen, sample: Option<&Sample>) -> bool {
    let prepared =
        |what: &Preparation| sample.is_some_and(|s| s.preparation.iter().any(|(done, _)| done == what));
    match word {
        WEIGHING => specimen.mass.is_some() || sample.is_some_and(|s| !s.masses.is_empty()),
        SIEVING => prepared(&Preparation::Sieved),
        DRYING => prepared(&Preparation::OvenDried),
        // The solution's temperature is watched from the first fill on.
        TEMPERATURE => true,
        _ => false,
    }
}

/// By the older way, one entry for each item: an instant that is marked again replaces what was
/// noted at it before; of two instants, the worse stays.
fn keep_once(list: &mut Vec<Used>, used: Used) {
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
