//! A published record or result, held against the model.

use super::expected::compare;
use super::ledger::Ledger;
use super::vial::Vial;
use super::warmth::{is_loose, remembered};
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use rust_decimal::{Decimal, RoundingStrategy};
use serde_json::Value;
use stillstand::domain::method::Level;
use uuid::Uuid;

impl Ledger {
    /// A record: its deviations, its durations with the clock of both ends, its temperature, its number.
    pub fn record(&mut self, data: &Value) -> Result<(), String> {
        let id: Uuid =
            data["specimen"]["id"].as_str().and_then(|id| id.parse().ok()).ok_or("a record of nothing")?;
        let vial = self.vial(id)?.clone();
        let of = |what: String| format!("record of {}: {what}", data["specimen"]["label"]);
        let loose = is_loose(&vial, &self.warmth);
        let mut blind = self.blind.clone();
        if loose {
            blind.push("temperature");
        }
        let expected = self.deviations(&vial);
        if let Some(differ) = compare(&expected, &data["deviations"], &blind) {
            return Err(of(differ));
        }
        durations(&vial, data).map_err(of)?;
        if !loose {
            self.temperature(&vial, data).map_err(of)?;
        }
        let status = data["status"].as_str();
        if (status == Some("void")) != vial.void.is_some() {
            return Err(of(format!("it says {status:?}")));
        }
        if vial.void.is_none()
            && let Some((_, reported)) = number(&vial)
        {
            let told = data["result"]["text"].as_str().unwrap_or_default();
            if reported.normalize().to_string() != told {
                return Err(of(format!("its number is {reported}, and it says {told}")));
            }
        }
        if !loose && vial.counted.is_none() {
            let counted = remembered(&vial, &self.warmth);
            self.vials.entry(id).and_modify(|vial| vial.counted = counted);
        }
        self.judged.records += 1;
        self.judged.deviations += expected.len() as u64;
        self.judged.temperatures += u64::from(!loose && vial.book.temperature.is_some());
        self.judged.loose += u64::from(loose);
        Ok(())
    }

    fn temperature(&self, vial: &Vial, data: &Value) -> Result<(), String> {
        let Some((counted, _)) = self.warmth.of(vial) else { return Ok(()) };
        let told = &data["temperature"];
        let figures = [
            ("below", counted.below_ns),
            ("above", counted.above_ns),
            ("withoutReading", counted.missing_ns),
        ];
        for (key, ns) in figures {
            let text = told[key]["text"].as_str().unwrap_or_default();
            let told: Decimal = text.parse().map_err(|_| format!("`{key}` is {text:?}"))?;
            let off = (told - Decimal::from_i128_with_scale(i128::from(ns), 9)).abs();
            // Whole microseconds are shared out, and tenths of a second are told.
            if off > Decimal::new(51, 3) {
                return Err(format!("`{key}` of the temperature is {told} s, and {ns} ns by the readings"));
            }
        }
        if told["readings"].as_u64() != Some(u64::from(counted.readings)) {
            return Err(format!(
                "{} readings, and {} were taken: {}",
                told["readings"],
                counted.readings,
                self.warmth.told(vial)
            ));
        }
        Ok(())
    }

    /// A result: the average of the specimens that count.
    pub fn result(&mut self, data: &Value) -> Result<(), String> {
        let id: Uuid =
            data["sample"]["id"].as_str().and_then(|id| id.parse().ok()).ok_or("a result of nothing")?;
        if let Some(bag) = self.bags.get_mut(&id) {
            bag.reported = !data["result"].is_null();
        }
        let Some(bag) = self.bags.get(&id).filter(|bag| !bag.odd && !bag.book.further) else { return Ok(()) };
        let numbers: Option<Vec<(i64, Decimal)>> = self
            .vials
            .values()
            .filter(|vial| vial.sample == id && vial.complete && vial.void.is_none())
            .map(number)
            .collect();
        let Some(numbers) = numbers.filter(|numbers| !numbers.is_empty()) else { return Ok(()) };
        let count = Decimal::from(numbers.len());
        let average = match bag.book.numbers.average.as_str() {
            "raise-mean-of-reported" => {
                (numbers.iter().map(|(_, reported)| *reported).sum::<Decimal>() / count).ceil()
            }
            "nearest-whole" => {
                let tenths: Decimal = numbers.iter().map(|(tenths, _)| Decimal::new(*tenths, 1)).sum();
                half_up(tenths / count, 0)
            }
            _ => return Ok(()),
        };
        let told = data["result"]["text"].as_str();
        if told.is_some_and(|told| told != average.normalize().to_string()) {
            return Err(format!("result of {}: {average}, and it says {told:?}", data["sample"]["label"]));
        }
        self.judged.results += 1;
        Ok(())
    }
}

/// Each interval of a record: nanoseconds, clock, and that both ends stand on it.
fn durations(vial: &Vial, data: &Value) -> Result<(), String> {
    for told in data["steps"].as_array().into_iter().flatten() {
        let name = told["name"].as_str().unwrap_or_default();
        let Some(step) = vial.book.steps.iter().position(|step| step.name == name && step.interval.is_some())
        else {
            continue;
        };
        let span = vial.span(step).ok_or_else(|| format!("{name} has a duration, and was never begun"))?;
        let Some((ns, boot_clock)) = Vial::lasted(&span) else { continue };
        let clock = if boot_clock { "boot-clock" } else { "wall-clock" };
        let duration = &told["duration"];
        if duration["exactNs"].as_i64() != Some(ns) || duration["clock"].as_str() != Some(clock) {
            return Err(format!("{name} lasted {ns} ns on the {clock}, and it says {duration}"));
        }
        let boot = |end: &str| told[end]["bootClock"]["boot"].as_str().map(str::to_owned);
        if (boot("begin") == boot("end")) != boot_clock {
            return Err(format!(
                "{name}: the ends stand on {:?} and {:?}, and the basis is {clock}",
                boot("begin"),
                boot("end")
            ));
        }
    }
    Ok(())
}

/// Rounds halves towards larger numbers.
fn half_up(value: Decimal, digits: u32) -> Decimal {
    let strategy = if value.is_sign_negative() {
        RoundingStrategy::MidpointTowardZero
    } else {
        RoundingStrategy::MidpointAwayFromZero
    };
    value.round_dp_with_strategy(digits, strategy)
}

/// The number of a vial in tenths, and as it is reported; `None` where a computed cotangent lies
/// so near to a half that a double cannot say.
fn number(vial: &Vial) -> Option<(i64, Decimal)> {
    let book = &vial.book;
    let marks = |level: Level| vial.levels.get(&level).map(|read| Decimal::from(read.marks(book)));
    let exact = match &book.numbers.height {
        None => Decimal::ONE_HUNDRED * marks(Level::Sand)? / marks(Level::Clay)?,
        Some((rule, [base, slope, inner, angle])) => {
            let height = marks(Level::Sediment)? * book.levels.mark;
            if rule == "linear-quotient" {
                Decimal::ONE_HUNDRED * (*base + *slope * height) / (*inner + *angle * height)
            } else {
                let [base, slope, inner, angle, level] =
                    [base, slope, inner, angle, &height].map(|v| v.to_f64().unwrap_or_default());
                let value = base + slope / (inner + angle * level).tan();
                let near = (value * 10.0 - 0.5).rem_euclid(1.0);
                if !(1e-6..1.0 - 1e-6).contains(&near) {
                    return None;
                }
                Decimal::from_f64(value)?
            }
        }
    };
    let ratio = match book.numbers.ratio.as_str() {
        "nearest-tenth" => half_up(exact, 1),
        _ => half_up(exact, 0),
    };
    let reported = match book.numbers.result.as_str() {
        "raise-to-whole" => ratio.ceil(),
        "nearest-whole" => half_up(exact, 0),
        _ => ratio,
    };
    let tenths = (ratio * Decimal::TEN).to_i64()?;
    Some((tenths, reported))
}
