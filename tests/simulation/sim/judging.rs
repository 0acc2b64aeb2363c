//! A published record or result, held against the model.

use super::expected::compare;
use super::ledger::Ledger;
use super::vial::{Span, Vial};
use super::warmth::{is_loose, remembered};
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use rust_decimal::{Decimal, RoundingStrategy};
use serde_json::Value;
use stillstand::domain::method::{Edge, Level};
use stillstand::domain::moment::Moment;
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
            let watch = if differ.contains("temperature") { self.warmth.told(&vial) } else { String::new() };
            return Err(of(format!("{differ} {watch}")));
        }
        let (durations, steps) = steps(&vial, data).map_err(of)?;
        self.preparation(&vial, &data["preparation"]).map_err(of)?;
        if !loose {
            self.temperature(&vial, data).map_err(of)?;
        }
        let status = data["status"].as_str();
        if (status == Some("void")) != vial.void.is_some() {
            return Err(of(format!("it says {status:?}")));
        }
        if data["result"].is_null() != vial.void.is_some() {
            return Err(of(format!("its result is {}", data["result"])));
        }
        if vial.void.is_none()
            && let Some((_, reported)) = number(&vial)
        {
            let told = data["result"]["text"].as_str().unwrap_or_default();
            if reported.normalize().to_string() != told {
                return Err(of(format!("its number is {reported}, and it says {told}")));
            }
            self.judged.numbers += 1;
        }
        if !loose && vial.counted.is_none() {
            let counted = remembered(&vial, &self.warmth);
            self.vials.entry(id).and_modify(|vial| vial.counted = counted);
        }
        self.judged.records += 1;
        self.judged.durations += durations;
        self.judged.steps += steps;
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
            bag.closed |= bag.reported;
        }
        let Some(bag) = self.bags.get(&id).filter(|bag| !bag.odd && !bag.book.further) else { return Ok(()) };
        let stand = self.vials.values().filter(|vial| vial.sample == id && vial.void.is_none());
        let (complete, at_work): (Vec<&Vial>, Vec<&Vial>) = stand.partition(|vial| vial.complete);
        // Fewer than are planned or at work: there is none, and one that was there is void.
        let wanted = usize::try_from(bag.planned).unwrap_or(usize::MAX).max(complete.len() + at_work.len());
        if complete.is_empty() || complete.len() < wanted {
            if !data["result"].is_null() {
                return Err(format!(
                    "{}: {} of {wanted} have no result",
                    data["sample"]["label"],
                    complete.len()
                ));
            }
            self.judged.void_results += 1;
            return Ok(());
        }
        let numbers: Option<Vec<(i64, Decimal)>> = complete.into_iter().map(number).collect();
        let Some(numbers) = numbers else { return Ok(()) };
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
        if told != Some(average.normalize().to_string().as_str()) {
            return Err(format!("result of {}: {average}, and it says {told:?}", data["sample"]["label"]));
        }
        self.judged.results += 1;
        Ok(())
    }
}

/// The steps of a record are just those that the model knows of, each once, in their order: an
/// interval that began, with nanoseconds and clock; a mark or a level, with its instant. Gives how
/// many durations and other steps there were.
fn steps(vial: &Vial, data: &Value) -> Result<(u64, u64), String> {
    let book = &vial.book;
    let own = |step: usize| book.points.iter().position(|p| p.step == step && p.edge != Edge::Begin);
    let is_there = |step: &usize| match book.steps[*step].interval {
        Some(_) => vial.span(*step).is_some(),
        None => own(*step).is_some_and(|at| vial.marks[at].is_some()),
    };
    let wanted: Vec<usize> = (0..book.steps.len()).filter(is_there).collect();
    let names: Vec<&str> = wanted.iter().map(|step| book.steps[*step].name.as_str()).collect();
    let told = data["steps"].as_array().ok_or("no steps at all")?;
    let has: Vec<&str> = told.iter().map(|step| step["name"].as_str().unwrap_or_default()).collect();
    if has != names {
        return Err(format!("its steps are {names:?}, and it has {has:?}"));
    }
    let (mut durations, mut others) = (0, 0);
    for (step, told) in wanted.into_iter().zip(told) {
        let span = vial.span(step).filter(|_| book.steps[step].interval.is_some());
        if let Some(span) = span {
            duration(vial, &span, told)?;
            durations += 1;
        } else {
            let mark = own(step).and_then(|at| vial.marks[at]);
            mark.map_or(Err("a step without an instant".to_owned()), |mark| instant(&mark, &told["at"]))?;
            others += 1;
        }
    }
    Ok((durations, others))
}

/// One interval of a record. One that nobody ended lasts until the last instant of the specimen.
fn duration(vial: &Vial, span: &Span, told: &Value) -> Result<(), String> {
    let name = &told["name"];
    if span.end.is_some() == told["end"].is_null() {
        return Err(format!("{name} ended: {}, and it says {}", span.end.is_some(), told["end"]));
    }
    let until = Span { end: Some(span.end.unwrap_or((vial.last_moment(), true))), ..*span };
    let (ns, boot_clock) = Vial::lasted(&until).ok_or("an interval without an end")?;
    let clock = if boot_clock { "boot-clock" } else { "wall-clock" };
    let duration = &told["duration"];
    if duration["exactNs"].as_i64() != Some(ns) || duration["clock"].as_str() != Some(clock) {
        return Err(format!("{name} lasted {ns} ns on the {clock}, and it says {duration}"));
    }
    instant(&span.begin, &told["begin"])?;
    span.end.map_or(Ok(()), |(end, _)| instant(&end, &told["end"]))
}

/// An instant of a record, on the clock that ran since the machine's start.
pub fn instant(moment: &Moment, told: &Value) -> Result<(), String> {
    let clock = &told["bootClock"];
    let seconds = Decimal::from_i128_with_scale(i128::from(moment.boot_ns), 9);
    let same = clock["boot"].as_str() == Some(moment.boot.to_string().as_str())
        && clock["text"].as_str().and_then(|text| text.parse().ok()) == Some(seconds);
    if same { Ok(()) } else { Err(format!("an instant is {moment:?}, and it says {told}")) }
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
