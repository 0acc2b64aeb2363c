//! The picture of the solution's temperature: stretches with their lowest and highest reading, and gaps
//! where there was none.

use super::forecast::{Crosses, Forecast, Refused, Then, forecast};
use super::ms;
use crate::domain::alarm::{Name, definition};
use crate::domain::bench::Bench;
use crate::domain::moment::{MINUTE, SECOND};
use crate::domain::quantity::{self, Quantity, Unit};
use crate::domain::units::Units;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::{Value, json};
use std::ops::Range;

/// Stretches of a picture: about one for each two or three points of a wide screen.
const STRETCHES: i64 = 480;

/// One reading: wall time in nanoseconds and what was read, or that nothing is read from then on.
pub type Reading = (i64, Option<Quantity>);

/// A stretch of time and what was read in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stretch {
    at_ns: i64,
    low: Decimal,
    high: Decimal,
}

/// What a forecast is made of: while this is the same, so is the forecast.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Basis {
    last_ns: i64,
    holds_ns: i64,
    limits: quantity::Range,
    unit: Unit,
}

/// A forecast as it was told, with what it was made of. To make one takes long.
#[derive(Debug, Clone)]
pub struct Made {
    of: Basis,
    told: Value,
}

/// The whole picture. A reading holds until the next one, as long as the settings say; then there is none.
/// `made`: the last forecast, which is told again where it still holds, or is replaced.
pub fn picture(
    bench: &Bench,
    readings: &[Reading],
    span: Range<i64>,
    units: Units,
    made: &mut Option<Made>,
) -> Value {
    let unit = bench.limits_in_force().map(|limits| limits.unit);
    let unit = unit.or_else(|| readings.iter().find_map(|(_, value)| value.as_ref()).map(|q| q.unit));
    let unit = unit.map(|unit| units.of(unit));
    let limits = bench.limits_in_force().map(|limits| units.range(&limits));
    let number = |value: Option<Decimal>| value.and_then(|v| v.to_f64());
    let runs = runs(readings, bench.stale_ns(), &span, |q| match unit {
        Some(unit) => q.convert(unit).map(|q| q.value),
        None => Some(q.value),
    });
    json!({
        "fromMs": ms(span.start),
        "toMs": ms(span.end),
        "unit": unit.map(Unit::symbol),
        "forecast": ahead(bench, readings, span.end, unit, made),
        "limits": limits.map(|limits| json!({ "min": number(limits.min), "max": number(limits.max) })),
        "runs": runs.iter().map(|run| run.iter().map(|s| {
            json!([ms(s.at_ns), number(Some(s.low)), number(Some(s.high))])
        }).collect::<Vec<_>>()).collect::<Vec<_>>(),
    })
}

/// A forecast is made from what was read without a gap in so long before.
const RECORD_NS: i64 = 60 * MINUTE;
/// Readings closer together than this count as one, their mean.
const BIN_NS: i64 = 30 * SECOND;

/// Where the temperature goes from here; null: nothing is read now, or nothing bounds it.
fn ahead(
    bench: &Bench,
    readings: &[Reading],
    now_ns: i64,
    unit: Option<Unit>,
    made: &mut Option<Made>,
) -> Value {
    let (Some(unit), Some(limits)) = (unit, bench.limits_in_force()) else { return Value::Null };
    let record = record(readings, bench.stale_ns(), now_ns);
    let Some(last) = record.last().map(|(minutes, _)| *minutes) else { return Value::Null };
    let last_ns = readings.last().map_or(now_ns, |(at_ns, _)| *at_ns);
    let of = Basis { last_ns, holds_ns: bench.stale_ns(), limits, unit };
    if let Some(made) = made.as_ref().filter(|made| made.of == of) {
        return made.told.clone();
    }
    let in_celsius = |value: Option<Decimal>| {
        let value = Quantity::new(value?, limits.unit).convert(Unit::Celsius)?;
        value.value.to_f64()
    };
    let told = match forecast(&record, in_celsius(limits.min), in_celsius(limits.max)) {
        Err(why) => {
            json!({ "refused": match why { Refused::Short => "short", Refused::Steady => "steady" } })
        }
        Ok(found) => told(&found, now_ns + minutes_ns(last), unit),
    };
    *made = Some(Made { of, told: told.clone() });
    told
}

/// Nanoseconds of minutes.
#[expect(
    clippy::cast_possible_truncation,
    reason = "minutes of a day at most; a part of a nanosecond is nothing"
)]
fn minutes_ns(minutes: f64) -> i64 {
    (minutes * 60e9) as i64
}

/// The last readings without a gap, as minutes from `now_ns` (negative) and degrees Celsius; none if the
/// last one no longer holds.
fn record(readings: &[Reading], holds_ns: i64, now_ns: i64) -> Vec<(f64, f64)> {
    let mut bins: Vec<(i64, Vec<f64>)> = Vec::new();
    let mut next = now_ns;
    for (at_ns, reading) in readings.iter().rev() {
        let celsius = reading.and_then(|q| q.convert(Unit::Celsius)?.value.to_f64());
        let Some(celsius) = celsius.filter(|_| next - at_ns <= holds_ns && now_ns - at_ns <= RECORD_NS)
        else {
            break;
        };
        next = *at_ns;
        match bins.last_mut() {
            Some((first, values)) if *first - at_ns < BIN_NS => values.push(celsius),
            _ => bins.push((*at_ns, vec![celsius])),
        }
    }
    let minutes = |ns: i64| Decimal::new(ns / 1_000_000, 3).to_f64().unwrap_or_default() / 60.0;
    let mean =
        |values: &[f64]| values.iter().sum::<f64>() / f64::from(u32::try_from(values.len()).unwrap_or(1));
    bins.iter().rev().map(|(at_ns, values)| (minutes(at_ns - now_ns), mean(values))).collect()
}

/// A forecast in the unit of the picture.
fn told(found: &Forecast, from_ns: i64, unit: Unit) -> Value {
    let shown = |celsius: f64| if unit == Unit::Fahrenheit { celsius * 1.8 + 32.0 } else { celsius };
    let at = |ahead: f64| ms(from_ns + minutes_ns(ahead));
    let then = |kind: &str, Then { best, soonest, latest }: Then| {
        json!({
            "kind": kind, "bestMin": best.round(), "soonestMin": soonest.floor(), "latestMin": latest.ceil(),
        })
    };
    json!({
        "band": found.band.iter().map(|point| {
            json!([at(point.ahead), shown(point.low), shown(point.middle), shown(point.high)])
        }).collect::<Vec<_>>(),
        "crosses": found.crosses.map(|crosses| match crosses {
            Crosses::Leaves(at) => then("leaves", at),
            Crosses::Returns(at) => then("returns", at),
            Crosses::NotBefore(soonest) => json!({ "kind": "not-before", "soonestMin": soonest.floor() }),
        }),
    })
}

fn kept(from: &Value, keys: &[&str]) -> Value {
    keys.iter().map(|key| ((*key).to_owned(), from[*key].clone())).collect()
}

fn each(from: &Value, shown: impl Fn(&Value) -> Value) -> Value {
    from.as_array().into_iter().flatten().map(shown).collect()
}

/// That there is something, not what.
fn hushed(words: &Value) -> Value {
    if words.is_null() { Value::Null } else { json!("…") }
}

/// What of a view the room page shows, for whoever looks without an account: nobody's name, nothing
/// that can be done, nothing of what was read or corrected. What is new in a view is not in it until
/// somebody puts it here.
pub fn shown(view: &Value) -> Value {
    let mut room = kept(
        view,
        &[
            "station",
            "now",
            "sequence",
            "waiting",
            "unconfirmed",
            "consumers",
            "probe",
            "room",
            "instruments",
            "outputs",
        ],
    );
    room["fault"] = hushed(&view["fault"]);
    room["places"] = each(&view["places"], |at| {
        let specimen = &at["specimen"];
        let mut place = json!({ "place": at["place"], "specimen": null });
        if !specimen.is_null() {
            let mut one = kept(specimen, &["id", "label", "begun", "complete", "running", "result", "fault"]);
            // Whether, not why: a reason is somebody's words.
            one["voided"] = if specimen["voided"].is_null() { Value::Null } else { json!("") };
            one["deviations"] = each(&specimen["deviations"], |_| json!({}));
            place["specimen"] = one;
        }
        place
    });
    room["alarms"] = each(&view["alarms"], |alarm| {
        let mut one =
            kept(alarm, &["occurrence", "key", "priority", "state", "text", "raisedMs", "clearedMs"]);
        one["acknowledgedBy"] = Value::Null;
        one["text"] = alarm_text(&alarm["key"], &alarm["text"]);
        one
    });
    // How many, not which: who put one aside and why is not for everybody.
    room["aside"] = json!(view["alarmsAside"].as_array().map_or(0, Vec::len));
    room["alarmsAside"] = json!([]);
    room
}

/// The text of an alarm for whoever looks without an account: what the journal's fault says holds paths
/// and words of the system.
fn alarm_text(key: &Value, text: &Value) -> Value {
    let fault = definition(Name::NotKept);
    if *key == json!(fault.name.as_str()) { json!(fault.condition) } else { text.clone() }
}

/// What of other stations the room page shows, for whoever looks without an account, made of what is named as
/// [`shown`] is: nothing that can be done next, and neither paths nor words of the system or of the broker.
pub fn others(stations: &Value) -> Value {
    let mut shown = kept(stations, &["follows", "linked", "cut", "silentMs"]);
    shown["why"] = hushed(&stations["why"]);
    shown["stations"] = each(&stations["stations"], |one| {
        let mut shown = kept(one, &["id", "stand", "presence", "said"]);
        shown["refused"] = hushed(&one["refused"]);
        if !one["said"].is_null() {
            shown["said"] = said(&one["said"]);
        }
        shown
    });
    shown
}

fn said(of: &Value) -> Value {
    let mut shown = kept(
        of,
        &[
            "title",
            "rehearsal",
            "clockRuns",
            "atMs",
            "ageMs",
            "clockOffMs",
            "waiting",
            "temperature",
            "moreAlarms",
            "alarmsAside",
            "results",
            "moreResults",
            "earlierMissing",
        ],
    );
    shown["places"] = each(&of["places"], |place| {
        let keys = ["place", "label", "complete", "voided", "running", "deviations", "result"];
        let mut shown = kept(place, &keys);
        shown["next"] = Value::Null;
        shown
    });
    shown["alarms"] = each(&of["alarms"], |alarm| {
        let mut shown = kept(alarm, &["alarm", "priority", "state"]);
        shown["text"] = alarm_text(&alarm["alarm"], &alarm["text"]);
        shown
    });
    shown
}

/// What of the day's samples the room page shows: results, and how they stand to their limits.
pub fn results(list: &Value) -> Value {
    let reported = list["samples"].as_array().into_iter().flatten().filter(|s| !s["reported"].is_null());
    let line = |s: &Value| {
        json!({
            "id": s["id"], "label": s["label"], "reported": s["reported"], "verdict": s["verdict"],
        })
    };
    json!({ "day": list["day"], "zone": list["zone"], "samples": reported.map(line).collect::<Vec<_>>() })
}

/// Stretches that follow each other without a gap.
fn runs(
    readings: &[Reading],
    holds_ns: i64,
    span: &Range<i64>,
    value: impl Fn(&Quantity) -> Option<Decimal>,
) -> Vec<Vec<Stretch>> {
    let width = ((span.end - span.start) / STRETCHES).max(1);
    let mut runs: Vec<Vec<Stretch>> = Vec::new();
    let mut last: Option<i64> = None;
    for (at_ns, reading) in readings {
        let Some(read) = reading.as_ref().and_then(&value) else {
            last = None;
            continue;
        };
        let goes_on = last.is_some_and(|at| at_ns - at <= holds_ns);
        last = Some(*at_ns);
        if *at_ns < span.start {
            continue;
        }
        if !goes_on || runs.is_empty() {
            runs.push(Vec::new());
        }
        let Some(run) = runs.last_mut() else { continue };
        let at_ns = span.start + (at_ns - span.start) / width * width;
        match run.last_mut() {
            Some(stretch) if stretch.at_ns == at_ns => {
                stretch.low = stretch.low.min(read);
                stretch.high = stretch.high.max(read);
            }
            _ => run.push(Stretch { at_ns, low: read, high: read }),
        }
    }
    runs
}

#[cfg(test)]
mod test {
    use super::{Basis, Made, Reading, Stretch, picture, record, runs};
    use crate::domain::bench::Bench;
    use crate::domain::moment::{MINUTE, SECOND};
    use crate::domain::quantity::{Quantity, Unit};
    use crate::domain::units::Units;
    use rust_decimal::Decimal;
    use serde_json::{Value, json};
    use std::collections::BTreeMap;
    use std::sync::Arc;

    fn read(at_s: i64, celsius: &str) -> Reading {
        (at_s * SECOND, Some(Quantity::new(celsius.parse().unwrap(), Unit::Celsius)))
    }

    fn drawn(readings: &[Reading]) -> Vec<Vec<Stretch>> {
        runs(readings, 30 * SECOND, &(0..480 * MINUTE), |q| Some(q.value))
    }

    fn stretch(at_min: i64, low: &str, high: &str) -> Stretch {
        let number = |text: &str| text.parse::<Decimal>().unwrap();
        Stretch { at_ns: at_min * MINUTE, low: number(low), high: number(high) }
    }

    #[test]
    fn what_falls_into_one_stretch_shows_its_lowest_and_highest() {
        let readings = [read(0, "22.0"), read(20, "22.4"), read(40, "21.9"), read(65, "22.1")];
        assert_eq!(drawn(&readings), [vec![stretch(0, "21.9", "22.4"), stretch(1, "22.1", "22.1")]]);
    }

    #[test]
    fn silence_and_a_probe_that_is_out_are_gaps() {
        let out = (70 * SECOND, None);
        let readings = [read(0, "22.0"), read(31, "22.1"), read(60, "22.2"), out, read(75, "22.3")];
        let starts: Vec<_> = drawn(&readings).iter().map(|run| run[0].at_ns / SECOND).collect();
        assert_eq!(starts, [0, 0, 60], "31 s without a word is a gap, and so is the time without a probe");
    }

    #[test]
    fn a_forecast_looks_at_the_last_readings_without_a_gap_and_only_while_they_hold() {
        let minute = |n: i64| read(n * 60, "22.0");
        let readings: Vec<Reading> = (0..30).filter(|n| *n != 9).map(minute).collect();
        let holds = 70 * SECOND;
        let found = record(&readings, holds, 29 * MINUTE);
        assert_eq!((found.len(), found[0].0.round(), found[19].0.round()), (20, -19.0, 0.0));
        assert!(record(&readings, holds, 31 * MINUTE).is_empty(), "nothing is read now");
        let often: Vec<Reading> = (0..1200).map(|s| read(s, "22.0")).collect();
        assert!(record(&often, holds, 1200 * SECOND).len() <= 41, "thinned");
    }

    #[test]
    fn a_forecast_is_made_once_for_a_reading_and_anew_for_the_next() {
        let text = include_str!("../../../config/methods/aashto-t176-mechanical.toml");
        let method = crate::domain::method::load("aashto-t176-mechanical.toml", text).unwrap();
        let bench = Bench {
            current: [(method.id.clone(), "digest".to_owned())]
                .into_iter()
                .collect::<BTreeMap<_, _>>()
                .into(),
            methods: BTreeMap::from([("digest".to_owned(), Arc::new(method))]).into(),
            ..Bench::default()
        };
        let warming = |n: i64| read(n * 20, &format!("{}", Decimal::new(22_000 + n * 10, 3)));
        let readings: Vec<Reading> = (0..61).map(warming).collect();
        let now = 1200 * SECOND;
        let forecast = |readings: &[Reading], now_ns: i64, made: &mut Option<Made>| {
            picture(&bench, readings, 0..now_ns, Units::default(), made)["forecast"].clone()
        };
        let mut made = None;
        let first = forecast(&readings, now, &mut made);
        assert!(first["band"].is_array(), "{first}");
        // Whatever stands there is told again for the same reading, without work.
        made.as_mut().unwrap().told = json!("as before");
        assert_eq!(forecast(&readings, now + 10 * SECOND, &mut made), "as before");
        assert_eq!(
            forecast(&readings, now + 31 * SECOND, &mut made),
            Value::Null,
            "it does not hold any more"
        );
        let more: Vec<Reading> = (0..62).map(warming).collect();
        assert!(forecast(&more, now + 20 * SECOND, &mut made)["band"].is_array());
        let Basis { last_ns, .. } = made.unwrap().of;
        assert_eq!(last_ns, 1220 * SECOND);
    }

    #[test]
    fn a_reading_from_before_the_picture_only_says_that_there_is_no_gap() {
        let readings = [read(-10, "22.0"), read(5, "22.1")];
        assert_eq!(drawn(&readings), [vec![stretch(0, "22.1", "22.1")]]);
        assert!(drawn(&[read(-10, "22.0")]).is_empty());
    }
}
