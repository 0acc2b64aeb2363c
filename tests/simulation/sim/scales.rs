//! Readings and masses in the model: which are kept, and what a mass is of.

use super::hands::payloads;
use super::ledger::{Ledger, said};
use super::oven::{Mass, Part};
use super::way::{Until, at};
use super::ways::part;
use rust_decimal::Decimal;
use stillstand::domain::moment::Moment;
use stillstand::domain::preparation::MassOf;
use stillstand::domain::quantity::Unit;
use stillstand::domain::reading::InstrumentReport;
use stillstand::domain::specimen::Target;
use stillstand::journal::Batch;
use uuid::Uuid;

/// Masses that are remembered.
const REMEMBERED: usize = 5000;

impl Ledger {
    pub fn instrument(
        &mut self,
        report: &InstrumentReport,
        now: &Moment,
        batch: &Batch,
    ) -> Result<(), String> {
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
                    self.scales.insert(id, Mass { value: mass.value, unit: mass.unit, at: *now });
                    if self.scales.len() > REMEMBERED {
                        self.scales.pop_first();
                    }
                    let declined = self.weighed(id, grams);
                    if declined == payloads(batch, "preparation-mass-declined")?.is_empty() {
                        return Err(format!("{mass} for {:?}: declined should be {declined}", self.awaited));
                    }
                }
            }
            _ => {}
        }
        Ok(())
    }

    /// A mass goes to what waits for it; `true`: it cannot be that, and is kept beside.
    fn weighed(&mut self, id: Uuid, grams: Decimal) -> bool {
        let target = self.awaited.clone().filter(|target| self.takes(target));
        let wrong = target.as_ref().is_some_and(|target| self.is_wrong(target, id));
        if let Some(target) = target.filter(|_| !wrong) {
            self.awaited = None;
            self.put(id, grams, &target);
        } else {
            self.keep(id, grams);
        }
        self.judged.declined += u64::from(wrong);
        wrong
    }

    fn is_wrong(&self, target: &Target, id: Uuid) -> bool {
        let Target::Preparation { sample, of } = target else { return false };
        let way = self.bags.get(sample).and_then(|bag| bag.way.as_ref());
        let mass = self.scales.get(&id);
        let found = part(*of).and_then(|(part, load)| Some(way?.oven(load)?.cannot_be(part, mass?)));
        found.unwrap_or(false)
    }

    fn keep(&mut self, id: Uuid, grams: Decimal) {
        self.kept.push_back((id, grams));
        while self.kept.len() > 400 {
            self.kept.pop_front();
        }
    }

    /// A sample was withdrawn: its weighings may be of another one.
    pub fn withdraw(&mut self, sample: Uuid) {
        let Some(bag) = self.bags.remove(&sample) else { return };
        self.kept.extend(bag.masses.into_values().flatten());
        if let Some(mut way) = bag.way {
            let all: Vec<Uuid> =
                way.weighings().iter().flat_map(|list| list.iter().map(|(id, _)| *id)).collect();
            for id in all {
                let grams = self.scales.get(&id).and_then(Mass::grams);
                self.kept.extend(grams.map(|grams| (id, grams)));
            }
        }
    }

    pub fn takes(&self, target: &Target) -> bool {
        match target {
            Target::Specimen { specimen } | Target::CorrectiveSand { specimen } => {
                self.vials.get(specimen).is_some_and(|vial| !vial.is_over())
            }
            Target::Sample { sample, .. } => self.bags.get(sample).is_some_and(|bag| !bag.reported),
            Target::Preparation { sample, of } => {
                let way = self.bags.get(sample).filter(|bag| !bag.reported).and_then(|bag| bag.way.as_ref());
                way.is_some_and(|way| match (*of, part(*of)) {
                    (MassOf::EmptyTin { tin }, _) => way.tin(tin).is_some(),
                    (_, Some((_, load))) => {
                        way.loads.get(at(load)).is_some() && !way.is_stopped(load, Until::Now)
                    }
                    _ => false,
                })
            }
            Target::Component { .. } => true,
        }
    }

    fn put(&mut self, id: Uuid, grams: Decimal, target: &Target) {
        if let Target::Preparation { sample, of } = target {
            self.put_on_way(id, *sample, *of);
            return;
        }
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

    fn put_on_way(&mut self, id: Uuid, sample: Uuid, of: MassOf) {
        let way = self.bags.get_mut(&sample).and_then(|bag| bag.way.as_mut());
        let (Some(way), Some(mass)) = (way, self.scales.get(&id)) else { return };
        let list = match (of, part(of)) {
            (MassOf::EmptyTin { tin }, _) => way.tins.get_mut(at(tin)).map(|tin| &mut tin.empty),
            (_, Some((part, load))) => way.loads.get_mut(at(load)).map(|load| match part {
                Part::Pan => &mut load.pan,
                Part::Before => &mut load.before,
                Part::Dried => &mut load.dried,
            }),
            _ => None,
        };
        if let Some(list) = list {
            list.push((id, *mass));
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
        for way in self.bags.values_mut().filter_map(|bag| bag.way.as_mut()) {
            if way.forget(id) {
                grams = self.scales.get(&id).and_then(Mass::grams);
            }
        }
        let grams = grams.ok_or("a weighing that nobody knows was given away")?;
        self.put(id, grams, target);
        Ok(())
    }
}
