//! Strokes that were counted, what is known of a material, and the weighing of corrective sand.

use super::mark::out_of_order;
use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::calculation;
use crate::domain::measure::{Act, Happened, Masses, Property, bare};
use crate::domain::quantity::{Quantity, Side, Unit};
use crate::domain::specimen::{Marked, Target};
use rust_decimal::Decimal;
use uuid::Uuid;

/// More strokes than any shake has: a slip of the finger.
const MOST_STROKES: u32 = 100_000;

impl Deciding<'_> {
    pub(super) fn measure(&mut self, act: &Act, marked: Marked) -> Decided {
        match act {
            Act::Count { specimen, step, number } => self.count(*specimen, step, *number, marked),
            Act::StateMaterial { sample, of, percent } => self.state_material(*sample, *of, percent, marked),
            Act::AwaitCorrectiveSand { specimen } => self.await_corrective_sand(*specimen, marked),
        }
    }

    fn count(&mut self, id: Uuid, name: &str, number: u32, marked: Marked) -> Decided {
        let (specimen, method, points) = self.specimen(id)?;
        let counted = || {
            let steps = method.steps.iter().enumerate();
            steps.filter(|(i, _)| method.count(*i).is_some()).map(|(_, step)| step.name.clone())
        };
        let Some((step, rule)) = method.step_index(name).and_then(|i| Some((i, method.count(i)?))) else {
            return Err(unknown("step with something to count", name, counted()));
        };
        if specimen.is_over() {
            let what = format!("{} is complete or void: nothing more is counted on it", specimen.label);
            return Err(Refusal::Already { what });
        }
        if specimen.span(&method, &points, step).is_none() {
            let word = rule.of.word();
            return Err(out_of_order(self.bench, &specimen, &format!("{word} before {name} has begun")));
        }
        if !(1..=MOST_STROKES).contains(&number) {
            return Err(Refusal::Field { field: "number", why: format!("give 1 to {MOST_STROKES}") });
        }
        let word = rule.of.word();
        let side = rule.limits.value.and_then(|limits| {
            let outside = limits.side(&Quantity::new(number.into(), Unit::One)) != Some(Side::Within);
            outside.then(|| format!("; the method asks for {}: a deviation", bare(&limits)))
        });
        let note = format!("{}: {number} {word} of {name}{}", specimen.label, side.unwrap_or_default());
        let name = name.to_owned();
        self.emit(Event::Measured(Happened::CountEntered { specimen: id, step, name, number, marked }));
        Ok(Outcome::done(note))
    }

    fn state_material(&mut self, id: Uuid, of: Property, text: &str, marked: Marked) -> Decided {
        let known = || self.bench.samples.values().map(|s| s.label.clone());
        let sample = self.bench.samples.get(&id).ok_or_else(|| unknown("sample", id, known()))?;
        let method = self.bench.methods.get(&sample.method);
        let basis = method.and_then(|m| m.specimen.dry_basis.as_ref());
        let asked = match of {
            Property::Moisture => basis.is_some(),
            Property::Fines => basis.is_some_and(|basis| basis.fines_max.is_some()),
        };
        let field = "percent";
        if !asked {
            let why = format!("the method of {} makes nothing of the {}", sample.label, of.word());
            return Err(Refusal::Field { field, why });
        }
        if sample.reported.is_some() {
            return Err(Refusal::Already { what: format!("sample {} has its result", sample.label) });
        }
        let percent = calculation::level_from_text(text.as_bytes())
            .map_err(|e| Refusal::Field { field, why: format!("the {} {text:?} {e}", of.word()) })?;
        if percent.is_sign_negative() || percent > Decimal::ONE_HUNDRED {
            return Err(Refusal::Field { field, why: "give 0 to 100".to_owned() });
        }
        let label = sample.label.clone();
        self.emit(Event::Measured(Happened::MaterialStated { sample: id, of, percent, marked }));
        let masses = self.masses_text(id).map(|text| format!("; {text}")).unwrap_or_default();
        Ok(Outcome::done(format!("{label}: {} {percent} %{masses}", of.word())))
    }

    fn await_corrective_sand(&mut self, id: Uuid, marked: Marked) -> Decided {
        let (specimen, method, _) = self.specimen(id)?;
        if specimen.is_over() {
            return Err(Refusal::Already { what: format!("{} is complete or void", specimen.label) });
        }
        let asked = specimen.material.masses(&method.specimen).and_then(Result::ok);
        if asked.and_then(|masses| masses.corrective).is_none() {
            let what = format!(
                "{} takes no corrective sand: its fines are not over the limit, or not stated",
                specimen.label
            );
            return Err(Refusal::Already { what });
        }
        self.wait_for_mass(Target::CorrectiveSand { specimen: id }, marked.by)?;
        Ok(Outcome::done(format!("{}: waiting for the mass of the corrective sand", specimen.label)))
    }

    /// What to weigh for each specimen of a sample, once everything is stated.
    fn masses_text(&self, id: Uuid) -> Option<String> {
        let sample = self.bench.samples.get(&id)?;
        let method = self.bench.methods.get(&sample.method)?;
        let Masses { portion, corrective } = sample.material.masses(&method.specimen)?.ok()?;
        Some(match corrective {
            Some(sand) => format!("weigh {portion} of the material and {sand} of corrective sand"),
            None => format!("weigh {portion} of the material"),
        })
    }
}
