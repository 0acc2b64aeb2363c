//! The picture of the solution's temperature: stretches with their lowest and highest reading, and gaps
//! where there was none.

use super::ms;
use crate::domain::bench::Bench;
use crate::domain::quantity::{Quantity, Unit};
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

/// The whole picture. A reading holds until the next one, as long as the settings say; then there is none.
pub fn picture(bench: &Bench, readings: &[Reading], span: Range<i64>) -> Value {
    let unit = bench.limits_in_force().map(|limits| limits.unit);
    let unit = unit.or_else(|| readings.iter().find_map(|(_, value)| value.as_ref()).map(|q| q.unit));
    let limits = bench.limits_in_force();
    let number = |value: Option<Decimal>| value.and_then(|v| v.to_f64());
    let runs = runs(readings, bench.stale_ns(), &span, |q| match unit {
        Some(unit) => q.convert(unit).map(|q| q.value),
        None => Some(q.value),
    });
    json!({
        "fromMs": ms(span.start),
        "toMs": ms(span.end),
        "unit": unit.map(Unit::symbol),
        "limits": limits.map(|limits| json!({ "min": number(limits.min), "max": number(limits.max) })),
        "runs": runs.iter().map(|run| run.iter().map(|s| {
            json!([ms(s.at_ns), number(Some(s.low)), number(Some(s.high))])
        }).collect::<Vec<_>>()).collect::<Vec<_>>(),
    })
}

/// What of a view the room page shows, for whoever looks without an account: nobody's name, nothing
/// that can be done, nothing of what was read or corrected. What is new in a view is not in it until
/// somebody puts it here.
pub fn shown(view: &Value) -> Value {
    let kept = |from: &Value, keys: &[&str]| -> Value {
        keys.iter().map(|key| ((*key).to_owned(), from[*key].clone())).collect()
    };
    let each = |from: &Value, shown: &dyn Fn(&Value) -> Value| -> Value {
        from.as_array().into_iter().flatten().map(shown).collect()
    };
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
        ],
    );
    room["fault"] = if view["fault"].is_null() { Value::Null } else { json!("…") };
    room["places"] = each(&view["places"], &|at| {
        let specimen = &at["specimen"];
        let mut place = json!({ "place": at["place"], "specimen": null });
        if !specimen.is_null() {
            let mut one = kept(specimen, &["id", "label", "begun", "complete", "running", "result", "fault"]);
            // Whether, not why: a reason is somebody's words.
            one["voided"] = if specimen["voided"].is_null() { Value::Null } else { json!("") };
            one["deviations"] = each(&specimen["deviations"], &|_| json!({}));
            place["specimen"] = one;
        }
        place
    });
    room["alarms"] = each(&view["alarms"], &|alarm| {
        let mut one =
            kept(alarm, &["occurrence", "key", "priority", "state", "text", "raisedMs", "clearedMs"]);
        one["acknowledgedBy"] = Value::Null;
        one
    });
    room["alarmsAside"] = json!([]);
    room
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
    use super::{Reading, Stretch, runs};
    use crate::domain::moment::{MINUTE, SECOND};
    use crate::domain::quantity::{Quantity, Unit};
    use rust_decimal::Decimal;

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
    fn a_reading_from_before_the_picture_only_says_that_there_is_no_gap() {
        let readings = [read(-10, "22.0"), read(5, "22.1")];
        assert_eq!(drawn(&readings), [vec![stretch(0, "22.1", "22.1")]]);
        assert!(drawn(&[read(-10, "22.0")]).is_empty());
    }
}
