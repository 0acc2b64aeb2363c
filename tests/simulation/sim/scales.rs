//! Readings and masses in the model: which are kept, and what a mass is of.

use super::ledger::{Ledger, said};
use rust_decimal::Decimal;
use stillstand::domain::moment::Moment;
use stillstand::domain::quantity::Unit;
use stillstand::domain::reading::InstrumentReport;
use stillstand::domain::specimen::Target;
use stillstand::journal::Batch;
use uuid::Uuid;

impl Ledger {
    pub fn instrument(&mut self, report: &InstrumentReport, now: &Moment, batch: &Batch) {
        match report {
            InstrumentReport::Temperature { temperature, wire } if wire.instrument == "probe" => {
                let milli = (temperature.value * Decimal::ONE_THOUSAND).to_string();
                let milli = milli.split('.').next().and_then(|whole| whole.parse().ok());
                if let (Unit::Celsius, Some(milli)) = (temperature.unit, milli) {
                    self.warmth.read(*now, milli);
                }
            }
            InstrumentReport::Mass { mass, .. } => {
                let taken = batch.events.iter().find(|row| row.kind == "weighing-taken");
                let grams = mass.convert(Unit::Gram).map(|mass| mass.value);
                let told = said(batch).ok().and_then(|said| said.made);
                if let (Some(_), Some(grams), Some(id)) = (taken, grams, told) {
                    self.weighed(id, grams);
                }
            }
            _ => {}
        }
    }

    fn weighed(&mut self, id: Uuid, grams: Decimal) {
        let target = self.awaited.clone().filter(|target| self.takes(target));
        if let Some(target) = target {
            self.awaited = None;
            self.put(id, grams, &target);
        } else {
            self.kept.push_back((id, grams));
            while self.kept.len() > 400 {
                self.kept.pop_front();
            }
        }
    }

    pub fn takes(&self, target: &Target) -> bool {
        match target {
            Target::Specimen { specimen } | Target::CorrectiveSand { specimen } => {
                self.vials.get(specimen).is_some_and(|vial| !vial.is_over())
            }
            Target::Sample { sample, .. } => self.bags.get(sample).is_some_and(|bag| !bag.reported),
            _ => true,
        }
    }

    fn put(&mut self, id: Uuid, grams: Decimal, target: &Target) {
        let list = match target {
            Target::Specimen { specimen } => self.vials.get_mut(specimen).map(|vial| &mut vial.masses),
            Target::CorrectiveSand { specimen } => {
                self.vials.get_mut(specimen).map(|vial| &mut vial.corrective)
            }
            Target::Sample { sample, name } => {
                self.bags.get_mut(sample).map(|bag| bag.masses.entry(name.clone()).or_default())
            }
            _ => None,
        };
        if let Some(list) = list {
            list.push((id, grams));
        }
    }

    /// A weighing goes to another.
    pub fn give(&mut self, id: Uuid, target: &Target) -> Result<(), String> {
        let at = self.kept.iter().position(|(known, _)| *known == id);
        let mut grams = at.and_then(|at| self.kept.remove(at)).map(|(_, grams)| grams);
        let vials = self.vials.values_mut().flat_map(|vial| [&mut vial.masses, &mut vial.corrective]);
        let bags = self.bags.values_mut().flat_map(|bag| bag.masses.values_mut());
        for list in vials.chain(bags) {
            if let Some(at) = list.iter().position(|(known, _)| *known == id) {
                grams = Some(list.remove(at).1);
            }
        }
        let grams = grams.ok_or("a weighing that nobody knows was given away")?;
        self.put(id, grams, target);
        Ok(())
    }
}
