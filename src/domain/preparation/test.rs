use super::constant::{change, division, minutes, water};
use super::*;
use crate::domain::method::Bound;
use rust_decimal::Decimal;
use serde_json::Value;

/// Made by `tests/outside/constant_mass.py` with Python's fractions; the first two pairs are those of
/// the worked example of the FOP for AASHTO T 255, recalled.
fn vectors() -> Value {
    serde_json::from_str(include_str!("../../../tests/data/constant_mass.json")).unwrap()
}

fn decimal(value: &Value) -> Decimal {
    value.as_str().unwrap().parse().unwrap()
}

#[test]
fn constant_mass_agrees_with_exact_fractions() {
    let vectors = vectors();
    let changes = vectors["changes"].as_array().unwrap();
    assert!(changes.len() > 400);
    for case in changes {
        let tare = decimal(&case["tare"]);
        let [earlier, later] = ["earlier", "later"].map(|key| decimal(&case[key]));
        let last_digit = [earlier, later]
            .map(|value| division(&Quantity::new(value, crate::domain::quantity::Unit::Gram)))
            .into_iter()
            .max()
            .unwrap();
        for (bound, met) in [(Bound::Under, "under"), (Bound::AtMost, "atMost")] {
            let criterion = Criterion { percent: decimal(&case["percent"]), bound, every_ns: None };
            assert_eq!(criterion.is_met(earlier - tare, later - tare), case[met] == true, "{case}");
            let found = change(earlier - tare, later - tare, last_digit, Some(&criterion)).unwrap();
            assert_eq!(found.percent, decimal(&case["change"]), "{case}");
            assert_eq!(found.coarse, case["coarse"] == true, "{case}");
            let verdict = match () {
                () if case["gained"] == true => Verdict::Gained,
                () if case[met] == true => Verdict::Constant,
                () => Verdict::Losing,
            };
            assert_eq!(found.verdict, verdict, "{case}");
        }
    }
    for case in vectors["water"].as_array().unwrap() {
        assert_eq!(
            water(decimal(&case["before"]), decimal(&case["dry"])),
            Some(decimal(&case["water"])),
            "{case}"
        );
    }
}

#[test]
fn nothing_is_taken_a_percentage_of_where_nothing_is_left() {
    let one = Decimal::ONE;
    assert_eq!(change(Decimal::ZERO, Decimal::ZERO, one, None), None);
    assert_eq!(change(-one, -one, one, None), None);
    assert_eq!(water(one, Decimal::ZERO), None);
    let unknown = change(one + one, one, one, None).unwrap();
    assert_eq!(unknown.verdict, Verdict::NoCriterion);
}

#[test]
fn lengths_of_time_are_said_in_minutes() {
    let s = crate::domain::moment::SECOND;
    let said = [1800, 100, 40, 0].map(|seconds| minutes(seconds * s));
    assert_eq!(said, ["30 min", "1 min 40 s", "40 s", "0 min"]);
}
