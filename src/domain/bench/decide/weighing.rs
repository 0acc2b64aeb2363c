//! Masses: those that are stable, and those that a person confirms.

use super::{Decided, Deciding, unknown};
use crate::domain::alarm::Name;
use crate::domain::bench::{Event, Outcome};
use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::{StableBy, Wire};
use crate::domain::specimen::{Marked, Target, Weighing};
use rust_decimal::Decimal;
use std::cmp::Ordering;

/// More than this is no mass at this bench, kilograms: the line was misread, or the balance is set
/// wrongly. (Common practice, no source: a bench balance weighs some kilograms.)
const MOST_KG: i64 = 100;

impl Deciding<'_> {
    pub(super) fn weighing(&mut self, mass: &Quantity, wire: &Wire) -> Outcome {
        if let Some(why) = no_mass(mass) {
            let text = format!("{}: {mass} {why}: it is not taken", wire.instrument);
            self.raise_momentary(Name::BalanceNonsense, &wire.instrument, &text);
            return Outcome::done(text);
        }
        let moment = *self.now();
        self.release(&wire.instrument);
        let outcome = match self.mass_of_check(mass, wire) {
            Some(outcome) => outcome,
            None => self.keep_mass(mass, wire, moment, None),
        };
        self.clear_wire(&wire.instrument);
        outcome
    }

    fn keep_mass(
        &mut self,
        mass: &Quantity,
        wire: &Wire,
        moment: Moment,
        confirmed: Option<Marked>,
    ) -> Outcome {
        let id = self.fresh();
        let wait = self.bench.awaited.at(&wire.instrument);
        let wait = wait.filter(|wait| self.bench.may_take_mass(&wait.target)).cloned();
        let (target, asked) = wait.map_or((None, None), |wait| (Some(wait.target), wait.by));
        let declined = target.as_ref().and_then(|target| self.bench.declines(target, mass, &moment));
        if let (Some(why), Some(Target::Preparation { sample, of })) = (declined, &target) {
            let weighing = Weighing {
                id,
                mass: *mass,
                wire: wire.clone(),
                moment,
                target: None,
                asked,
                placed: None,
                confirmed,
            };
            self.emit(Event::WeighingTaken { weighing });
            return self.decline_mass(*sample, *of, mass, why, (moment, id));
        }
        let place = if target.is_some() { "it was waited for" } else { "nothing waited for it; it is kept" };
        let weighing =
            Weighing { id, mass: *mass, wire: wire.clone(), moment, target, asked, placed: None, confirmed };
        self.emit(Event::WeighingTaken { weighing });
        Outcome::made(format!("{mass}: {place}"), id)
    }

    /// A load did not settle in time, by our own rule.
    pub(super) fn not_stable(&mut self, mass: &Quantity, wire: &Wire) -> Outcome {
        if let Some(why) = no_mass(mass) {
            return Outcome::done(format!("{}: {mass} {why}", wire.instrument));
        }
        let moment = *self.now();
        self.emit(Event::MassNotSettled { mass: *mass, wire: wire.clone(), moment });
        let text = format!("{}: {mass} is not stable: confirm it by hand", wire.instrument);
        self.raise(Name::MassNotStable, &wire.instrument, &text);
        Outcome::done(text)
    }

    /// The load that did not settle is gone, or weighed.
    pub(super) fn release(&mut self, instrument: &str) {
        if self.bench.unsettled.contains_key(instrument) {
            self.emit(Event::MassReleased { instrument: instrument.to_owned() });
        }
        self.clear(Name::MassNotStable, instrument);
    }

    /// A person takes the mass that did not settle as it was shown.
    pub(super) fn confirm_mass(&mut self, instrument: &str, marked: Marked) -> Decided {
        let unsettled = self.bench.unsettled.get(instrument).cloned().ok_or_else(|| {
            unknown("mass that did not settle of", instrument, self.bench.unsettled.keys().cloned())
        })?;
        let wire = Wire { stable_by: Some(StableBy::Hand), ..unsettled.wire };
        let outcome = self.keep_mass(&unsettled.mass, &wire, unsettled.moment, Some(marked));
        self.clear(Name::MassNotStable, instrument);
        Ok(outcome)
    }
}

/// Why a figure is no mass of a material.
fn no_mass(mass: &Quantity) -> Option<&'static str> {
    if mass.value.is_sign_negative() && !mass.value.is_zero() {
        return Some("is less than nothing");
    }
    let most = Quantity::new(Decimal::from(MOST_KG), Unit::Kilogram);
    let sensible = mass.compare(&most).is_some_and(Ordering::is_le);
    (!sensible).then_some("is no mass at a bench")
}
