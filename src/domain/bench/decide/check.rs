//! From what was found at a check to its result.

use super::equipment::{field, number, quantity};
use super::{Deciding, unknown};
use crate::domain::bench::Refusal;
use crate::domain::equipment::{
    CheckResult, CheckRule, Found, How, Item, Required, Verdict, figures, requirements,
};
use crate::domain::moment::WallState;
use crate::domain::quantity::{Quantity, Range, Unit};
use crate::domain::reading::InstrumentKind;
use crate::domain::specimen::{Marked, Weighing};
use rust_decimal::Decimal;

type Resulted = Result<CheckResult, Refusal>;

impl Deciding<'_> {
    /// The result of a check, from what a person found and what the station read meanwhile.
    pub(super) fn result(&self, item: &Item, rule: &CheckRule, found: &Found, marked: Marked) -> Resulted {
        let with = found.with.as_deref().map(|id| self.reference(id, item)).transpose()?;
        let note = found.note.trim().to_owned();
        let weighings = self.masses(item, rule);
        let mut result = match rule.how {
            How::CheckMass => self.balance(item, found, with.as_ref(), &weighings, marked)?,
            How::Weigh => {
                let mass = self.mass(found.value.as_deref(), found.unit, weighings.last(), rule)?;
                self.measured(rule, mass, format!("it weighs {mass}"), marked)
            }
            How::WaterVolume => self.volume(rule, found, &weighings, marked)?,
            How::Rate => self.rate(item, rule, found, marked)?,
            How::Thermometer => self.thermometer(item, rule, found, marked)?,
            How::NetworkTime => network_time(marked),
            How::Value => {
                let Some(digits) = &found.value else { return field("value", "enter what was measured") };
                let usual = self.usual_unit(rule).unwrap_or(Unit::One);
                let value = quantity("value", digits, found.unit, usual)?;
                self.measured(rule, value, format!("measured {value}"), marked)
            }
            How::Look => {
                let Some(good) = found.good else { return field("good", "say whether it is in order") };
                if !good && note.is_empty() {
                    return field("note", "say what is not in order");
                }
                let words = if good { "in order".to_owned() } else { format!("not in order: {note}") };
                looked(good, &words, &note, marked)
            }
        };
        result.note = note;
        result.with = with.map(|item| item.id);
        result.weighings = weighings;
        Ok(result)
    }

    fn required(&self, rule: &CheckRule) -> Vec<Required> {
        requirements(rule, self.bench.methods_in_use())
    }

    fn usual_unit(&self, rule: &CheckRule) -> Option<Unit> {
        let own = rule.unit.or_else(|| rule.limits.as_ref().map(|limits| limits.unit));
        own.or_else(|| self.required(rule).first().map(|first| first.limits.unit))
    }

    /// Held to the limits of each method in use, ends included. Where none limits it, it is good.
    pub(super) fn measured(
        &self,
        rule: &CheckRule,
        value: Quantity,
        detail: String,
        marked: Marked,
    ) -> CheckResult {
        let required = self.required(rule);
        let verdicts: Vec<Verdict> = required.iter().map(|one| one.judge(&value)).collect();
        let good = verdicts.is_empty() || verdicts.iter().any(|verdict| verdict.good);
        let of = |good: bool| {
            let those = verdicts.iter().filter(|verdict| verdict.good == good);
            those.flat_map(|verdict| verdict.standards.clone()).collect::<Vec<_>>().join(", ")
        };
        let detail = match (good, verdicts.iter().all(|verdict| verdict.good)) {
            (true, false) => format!("{detail}; good by {}, not by {}", of(true), of(false)),
            _ => detail,
        };
        let mut result = looked(good, &detail, "", marked);
        result.value = Some(value);
        result.limits = match required.as_slice() {
            [only] => Some(only.limits),
            _ => None,
        };
        result.source = Required::sources(&required);
        result.verdicts = verdicts;
        result.verdicts.retain(|verdict| !verdict.standards.is_empty());
        result
    }

    /// Masses that the balance gave for the check that was begun, if it is this one.
    fn masses(&self, item: &Item, rule: &CheckRule) -> Vec<Weighing> {
        let began = self.bench.equipment.began.as_ref();
        let this = began.filter(|began| began.item == item.id && began.check == rule.name);
        this.map(|began| began.masses.clone()).unwrap_or_default()
    }

    /// What another item is compared with must itself be in order.
    fn reference(&self, id: &str, item: &Item) -> Result<Item, Refusal> {
        let items = &self.bench.equipment.items;
        let Some(with) = items.get(id) else {
            return Err(unknown("item of equipment", id, items.keys().cloned()));
        };
        if with.id == item.id {
            return field("with", "an item cannot be compared with itself");
        }
        let standing = self.bench.standing(with, self.now());
        if !standing.state.is_in_order() {
            let state = standing.state.words();
            return field(
                "with",
                format!("{id} is {state} ({}): check it first, or use another", standing.why),
            );
        }
        Ok((**with).clone())
    }

    fn mass(
        &self,
        entered: Option<&str>,
        unit: Option<Unit>,
        read: Option<&Weighing>,
        rule: &CheckRule,
    ) -> Result<Quantity, Refusal> {
        let usual = self.usual_unit(rule).filter(|u| u.kind() == Unit::Gram.kind());
        match (entered, read) {
            (Some(digits), _) => quantity("value", digits, unit, usual.unwrap_or(Unit::Gram)),
            (None, Some(weighing)) => {
                self.balance_in_order(weighing)?;
                Ok(weighing.mass)
            }
            (None, None) => {
                field("value", "no stable mass has come yet: put it on the balance, or enter the mass")
            }
        }
    }

    /// The balance that gave a mass, where the list holds it, is in order itself.
    fn balance_in_order(&self, weighing: &Weighing) -> Result<(), Refusal> {
        let name = Some(&weighing.wire.instrument);
        let balance = self.bench.equipment.items.values().find(|item| item.instrument.as_ref() == name);
        let Some(balance) = balance else { return Ok(()) };
        let standing = self.bench.standing(balance, self.now());
        if standing.state.is_in_order() {
            return Ok(());
        }
        let state = standing.state.words();
        field("value", format!("the balance {} is {state} ({}): check it first", balance.id, standing.why))
    }

    fn balance(
        &self,
        item: &Item,
        found: &Found,
        with: Option<&Item>,
        weighings: &[Weighing],
        marked: Marked,
    ) -> Resulted {
        let kinds = &self.bench.equipment.kinds;
        let class = kinds
            .get(&item.kind)
            .and_then(|kind| kind.classes.iter().find(|class| Some(&class.name) == item.class.as_ref()));
        let Some(class) = class else {
            return field(
                "class",
                format!("{} has no class: set it, its tolerance comes from there", item.id),
            );
        };
        let Some(with) = with else { return field("with", "name the check mass") };
        let table = kinds.get(&with.kind).and_then(|kind| kind.mass_limits.as_ref());
        let limit = table.zip(with.nominal.map(|nominal| nominal.value)).zip(with.class.as_ref());
        let limit = limit.and_then(|((table, nominal), class)| {
            Some((nominal, figures::mass_limit(table, nominal, class)?, &table.source))
        });
        let Some((nominal, mass_limit, mass_source)) = limit else {
            return field("with", format!("{} is no check mass with a class and a nominal value", with.id));
        };
        let tolerance = figures::tolerance(class, nominal);
        if !figures::is_adequate(mass_limit, tolerance) {
            let why = format!(
                "{} may be off by {mass_limit} g itself, more than a third of the balance's {tolerance} g: \
                 use one of a better class",
                with.id
            );
            return field("with", why);
        }
        let read = weighings.last().map(|weighing| weighing.mass);
        let indication = match (&found.value, read) {
            (Some(digits), _) => quantity("value", digits, found.unit, Unit::Gram)?,
            (None, Some(mass)) => mass,
            (None, None) => return field("value", "no stable mass has come yet: put the check mass on"),
        };
        let grams = grams("value", &indication)?;
        let (Some(zero), Some(zero_after)) = (&found.zero, &found.zero_after) else {
            let why = "enter what the balance showed before the check mass was put on (`zero`) and after it was taken \
                       off (`zero-after`)";
            return field("zero", why);
        };
        let zero = number("zero", zero)?;
        let zero_after = number("zero-after", zero_after)?;
        let weighed = figures::weighed(grams, nominal, tolerance, mass_limit, class.readability);
        let Some(weighed) = weighed else { return field("value", "is no mass that a balance shows") };
        let zeros = zero.abs() <= tolerance && zero_after.abs() <= tolerance;
        let detail = format!(
            "zero {zero} g, {} {nominal} g shows {grams} g, zero {zero_after} g; error {} g, tolerance \
             ± {tolerance} g, check mass ± {mass_limit} g{}",
            with.id,
            weighed.error,
            match (zeros, weighed.within, weighed.guarded) {
                (false, _, _) => "; it does not come back to zero",
                (_, true, false) => "; within, but not with the uncertainty of the check itself added",
                _ => "",
            }
        );
        let mut result = looked(weighed.within && zeros, &detail, "", marked);
        result.value = Some(Quantity::new(weighed.error, Unit::Gram));
        result.limits = Some(Range { min: Some(-tolerance), max: Some(tolerance), unit: Unit::Gram });
        result.source = format!("{}; check mass: {mass_source}", class.source);
        Ok(result)
    }

    fn volume(&self, rule: &CheckRule, found: &Found, weighings: &[Weighing], marked: Marked) -> Resulted {
        if let Some(weighing) = weighings.last() {
            self.balance_in_order(weighing)?;
        }
        let read = |index: usize| weighings.get(index).map(|weighing| weighing.mass);
        let entered = |name, digits: &Option<String>| {
            digits.as_deref().map(|digits| quantity(name, digits, found.unit, Unit::Gram)).transpose()
        };
        let empty = entered("empty", &found.empty)?.or_else(|| read(0));
        let full = entered("value", &found.value)?.or_else(|| read(1));
        let (Some(empty), Some(full)) = (empty, full) else {
            return field("value", "two masses are needed: the tin empty and dry, then full of water");
        };
        let water = grams("value", &full)?.checked_sub(grams("empty", &empty)?);
        let Some(water) = water.filter(|water| *water > Decimal::ZERO) else {
            return field(
                "value",
                format!("the full tin ({full}) is not heavier than the empty one ({empty})"),
            );
        };
        let celsius = match &found.temperature {
            Some(digits) => number("temperature", digits)?,
            None => match self.bench.held().and_then(|held| held.temperature.convert(Unit::Celsius)) {
                Some(held) => held.value.round_dp(2),
                None => return field("temperature", "enter the water's temperature in degrees Celsius"),
            },
        };
        let Some(volume) = figures::water_volume(water, celsius) else {
            return field("temperature", format!("{celsius} °C: the density is known from 0 to 40 °C"));
        };
        let density = figures::water_density(celsius).unwrap_or_default();
        let detail = format!("{water} g of water at {celsius} °C, {density} kg/m³: {volume}");
        Ok(self.measured(rule, volume, detail, marked))
    }

    fn rate(&self, item: &Item, rule: &CheckRule, found: &Found, marked: Marked) -> Resulted {
        let Some(cycles) = found.cycles.filter(|cycles| *cycles > 0) else {
            return field("cycles", "enter how many complete cycles were counted");
        };
        let began = self.bench.equipment.began.as_ref();
        let began = began.filter(|began| began.item == item.id && began.check == rule.name);
        let seconds = match (&found.seconds, began) {
            (Some(digits), _) => number("seconds", digits)?,
            (None, Some(began)) => {
                let ns = marked.moment.since(&began.marked.moment).ns;
                Decimal::from_i128_with_scale(i128::from(ns), 9).round_dp(2)
            }
            (None, None) => return field("seconds", "begin the count here, or enter over how many seconds"),
        };
        let least = figures::COUNT_LEAST_S;
        if seconds < Decimal::from(least) {
            let why = format!(
                "{seconds} s is too short: count for at least {least} s, or one cycle miscounted is the whole \
                 tolerance"
            );
            return field("seconds", why);
        }
        let Some(rate) = figures::rate(cycles, seconds) else {
            return field("seconds", "is no time");
        };
        let detail = format!("{cycles} complete cycles in {seconds} s: {rate}");
        Ok(self.measured(rule, rate, detail, marked))
    }

    fn thermometer(&self, item: &Item, rule: &CheckRule, found: &Found, marked: Marked) -> Resulted {
        let (Some(reference), Some(_)) = (&found.value, &found.with) else {
            return field(
                "value",
                "name the reference thermometer in `with`, and enter what it shows in `value`",
            );
        };
        let held = self.bench.held().filter(|held| held.moment.holds_at(self.now(), self.bench.stale_ns()));
        let unit = held.map_or(Unit::Celsius, |held| held.temperature.unit);
        let reference = quantity("value", reference, found.unit, unit)?;
        let shown = match (&found.shown, held) {
            (Some(digits), _) => quantity("shown", digits, found.unit, unit)?,
            (None, Some(held)) => held.temperature,
            (None, None) => return field("shown", "the probe gives no reading: enter what it shows"),
        };
        let shown = shown.convert(reference.unit).unwrap_or(shown);
        let Some(correction) = reference.value.checked_sub(shown.value) else {
            return field("value", "is no temperature");
        };
        // A difference of degrees Fahrenheit is five ninths of as many degrees Celsius.
        let celsius = if reference.unit == Unit::Fahrenheit {
            correction.checked_mul(5.into()).and_then(|five| five.checked_div(9.into()))
        } else {
            Some(correction)
        };
        let correction = Quantity::new(celsius.unwrap_or(correction).round_dp(3).normalize(), Unit::Celsius);
        let name = item.instrument.as_ref();
        let name = name.or_else(|| self.bench.only_instrument(InstrumentKind::SolutionProbe));
        let line = name.map_or(String::new(), |name| format!("; {}", correction_line(name, &correction)));
        let detail =
            format!("the reference shows {reference}, the probe {shown}: correction {correction}{line}");
        Ok(self.measured(rule, correction, detail, marked))
    }
}

/// What to write into the settings, so that the station applies the correction. Where one is in
/// force already, the probe's readings carry it, and this one comes on top.
fn correction_line(instrument: &str, correction: &Quantity) -> String {
    format!(
        "in the settings, under [instruments.{instrument}.correction]: unit = \"Cel\", offset = \"{}\" (on top of \
         one that is in force)",
        correction.value
    )
}

fn network_time(marked: Marked) -> CheckResult {
    let (good, words) = match marked.moment.wall {
        WallState::Synchronised => (true, "the station's clock is steered by the network's time"),
        WallState::Unsynchronised => (false, "the time service says that the clock is not synchronised"),
        WallState::Unknown => (false, "no time service could be asked"),
    };
    looked(good, words, "", marked)
}

/// A result without a figure.
pub(super) fn looked(good: bool, detail: &str, note: &str, marked: Marked) -> CheckResult {
    CheckResult {
        good,
        value: None,
        limits: None,
        verdicts: Vec::new(),
        source: String::new(),
        detail: detail.to_owned(),
        with: None,
        weighings: Vec::new(),
        note: note.to_owned(),
        due_wall_ns: None,
        marked,
    }
}

fn grams(name: &'static str, mass: &Quantity) -> Result<Decimal, Refusal> {
    match mass.convert(Unit::Gram) {
        Some(mass) => Ok(mass.value),
        None => field(name, format!("{mass} is no mass: switch the balance to grams")),
    }
}
