//! When a mass is stable whose line does not say so.

use super::*;
use crate::domain::moment::{Moment, test::at};
use crate::domain::reading::Readability;

const MS: i64 = 1_000_000;

fn readability(text: &str) -> Readability {
    Readability::new(Quantity::from_text(text).unwrap()).unwrap()
}

fn rule() -> Weighings {
    Weighings::new(Stability::OwnRule, Some(readability("0.01 g")))
}

/// The instant in milliseconds at which each thing happened, and what.
fn story(rule: &mut Weighings, readings: impl IntoIterator<Item = (i64, String)>) -> Vec<(i64, String)> {
    readings
        .into_iter()
        .filter_map(|(ms, mass)| {
            let told = match rule.settle(quantity(&mass, Unit::Gram), at(ms * MS), &mass) {
                Settled::Nothing => return None,
                Settled::Released => "released".to_owned(),
                Settled::Stable { mass, .. } => format!("stable {}", mass.value),
                Settled::NotStable { mass } => format!("not stable {}", mass.value),
            };
            Some((ms, told))
        })
        .collect()
}

/// Masses in turn, one each `every` milliseconds from `from` on.
fn each(from: i64, every: i64, count: i64, masses: &[&str]) -> Vec<(i64, String)> {
    (0..count).zip(masses.iter().cycle()).map(|(n, mass)| (from + n * every, (*mass).to_owned())).collect()
}

#[test]
fn five_readings_over_two_seconds_within_a_division_are_stable_and_not_earlier() {
    let cases: [(i64, &[&str], Option<i64>); 8] = [
        // The fifth reading comes at 2 s exactly.
        (500, &["52.30"], Some(2000)),
        // Faster: two seconds must have passed. Slower: five readings must have come.
        (100, &["52.30"], Some(2000)),
        (490, &["52.30"], Some(2450)),
        (1000, &["52.30"], Some(4000)),
        // A trembling last digit rises nowhere.
        (500, &["52.30", "52.31"], Some(2000)),
        // Two divisions apart is not within one.
        (500, &["52.30", "52.32"], None),
        // A division up each second: two divisions within the two seconds.
        (1000, &["52.30", "52.31", "52.32", "52.33", "52.34", "52.35"], None),
        // So slow that five are never within 15 s of each other.
        (4000, &["52.30"], None),
    ];
    for (every, masses, due) in cases {
        let told = story(&mut rule(), each(0, every, 14_000 / every, masses));
        let stable = told.iter().find(|(_, what)| what.starts_with("stable")).map(|(ms, _)| *ms);
        assert_eq!(stable, due, "{masses:?} each {every} ms: {told:?}");
    }
}

#[test]
fn a_trend_is_not_stable_even_within_one_division() {
    // Four of five at the lower step, the last at the upper: by least squares, with the times 0 to
    // 2 s about their mean of 1 s, the slope is 1 * 1 / 2.5 = 0.4 divisions a second, in 5 s two.
    let mut rule = rule();
    let rising = ["52.30", "52.30", "52.30", "52.30", "52.31"];
    assert_eq!(story(&mut rule, each(0, 500, 5, &rising)), []);
    // One in the middle has no slope.
    let flicker = ["52.30", "52.30", "52.31", "52.30", "52.30"];
    let told = story(&mut super::settling::rule(), each(0, 500, 5, &flicker));
    assert_eq!(told, [(2000, "stable 52.30".to_owned())]);
}

#[test]
fn a_load_is_weighed_once_and_again_only_after_it_changed_by_more_than_five_divisions() {
    let mut rule = rule();
    assert_eq!(story(&mut rule, each(0, 250, 40, &["52.30"])), [(2000, "stable 52.30".to_owned())]);
    // Creeps up by five divisions: the same load. By six: another.
    assert_eq!(story(&mut rule, each(10_000, 250, 40, &["52.35"])), []);
    assert_eq!(story(&mut rule, each(20_000, 250, 40, &["52.36"])), [(22_000, "stable 52.36".to_owned())]);
    // Taken off and the same put on again: two identical lines, two weighings.
    assert_eq!(story(&mut rule, each(30_000, 250, 12, &["0.00"])), []);
    assert_eq!(story(&mut rule, each(33_000, 250, 40, &["52.36"])), [(35_000, "stable 52.36".to_owned())]);
    // A lifted vessel that was tared away is less than nothing, and no load.
    assert_eq!(story(&mut rule, each(43_000, 250, 80, &["-85.10"])), []);
}

#[test]
fn what_does_not_settle_in_time_is_for_a_person_and_is_not_weighed_by_itself() {
    let mut rule = rule();
    let draught = ["52.30", "52.33", "52.29", "52.34", "52.31"];
    let told = story(&mut rule, each(0, 500, 60, &draught));
    assert_eq!(told, [(15_000, "not stable 52.30".to_owned())]);
    // It settles at last: a person was asked about this load already.
    assert_eq!(story(&mut rule, each(30_000, 500, 20, &["52.31"])), []);
    assert_eq!(story(&mut rule, each(40_000, 500, 1, &["0.00"])), [(40_000, "released".to_owned())]);
    assert_eq!(story(&mut rule, each(41_000, 500, 20, &["52.31"])), [(43_000, "stable 52.31".to_owned())]);
}

#[test]
fn while_something_is_poured_the_time_begins_anew_for_a_minute_in_all() {
    let pour =
        |seconds: i64| (0..seconds * 2).map(|n| (n * 500, format!("{}.00", 50 + n))).collect::<Vec<_>>();
    let mut poured = pour(40);
    poured.extend(each(40_000, 500, 10, &["130.00"]));
    assert_eq!(story(&mut rule(), poured), [(42_000, "stable 130.00".to_owned())]);
    assert_eq!(
        story(&mut rule(), pour(70)),
        [(60_000, "not stable 170.00".to_owned()), (60_500, "released".to_owned())]
    );
}

#[test]
fn another_unit_or_no_multiple_of_the_readability_is_refused_with_its_reason() {
    let rule = Weighings::new(Stability::OwnRule, Some(readability("0.05 g")));
    let refused = |value: &str, unit| rule.refuses(&Said::Unmarked { quantity: quantity(value, unit) });
    assert_eq!(refused("52.35", Unit::Gram), None);
    assert_eq!(refused("52.350", Unit::Gram), None, "more digits of the same multiple");
    let why = refused("52.31", Unit::Gram).unwrap();
    assert_eq!(why, "a multiple of the readability 0.05 g, in place of 52.31 g");
    let why = refused("0.05235", Unit::Kilogram).unwrap();
    assert_eq!(why, "a mass in g, as the readability 0.05 g is, in place of 0.05235 kg");
    // Without a readability nothing is refused.
    let free = Weighings::new(Stability::Marked, None);
    assert_eq!(free.refuses(&Said::Mass { quantity: quantity("52.31", Unit::Kilogram) }), None);
}

#[test]
fn a_stable_mass_names_the_lines_that_it_stands_on() {
    let mut rule = rule();
    let masses = ["60.00", "52.30", "52.31", "52.30", "52.31", "52.30"];
    let lines = masses.iter().zip(0..).find_map(|(mass, n): (_, i64)| {
        match rule.settle(quantity(mass, Unit::Gram), at(n * 500 * MS), &format!("line {n}")) {
            Settled::Stable { lines, .. } => Some(lines),
            _ => None,
        }
    });
    assert_eq!(lines.unwrap(), ["line 1", "line 2", "line 3", "line 4", "line 5"]);
}

#[test]
fn a_clock_that_steps_back_and_a_pause_prove_nothing() {
    let mut rule = rule();
    assert_eq!(story(&mut rule, each(100_000, 500, 4, &["52.30"])), []);
    assert_eq!(story(&mut rule, each(90_000, 500, 4, &["52.30"])), []);
    // An hour later: four readings from before the pause do not count.
    assert_eq!(
        story(&mut rule, each(3_600_000, 500, 4, &["52.30"])),
        [(3_600_000, "not stable 52.30".into())]
    );
}

/// By definition, with fractions of whole numbers, over the readings that are left.
fn by_definition(readings: &[(i64, i64)]) -> bool {
    (0..readings.len()).any(|from| {
        let part = &readings[from..];
        let (Some(first), Some(last)) = (part.first(), part.last()) else { return false };
        if part.len() < 5 || last.0 - first.0 < 2000 {
            return false;
        }
        let values = part.iter().map(|(_, steps)| *steps);
        let n = i128::try_from(part.len()).unwrap();
        let (mut st, mut sv, mut stv, mut stt) = (0_i128, 0_i128, 0_i128, 0_i128);
        for (ms, steps) in part {
            let (t, v) = (i128::from(*ms), i128::from(*steps));
            (st, sv, stv, stt) = (st + t, sv + v, stv + t * v, stt + t * t);
        }
        let level = (n * stv - st * sv).abs() * 5000 * 2 <= n * stt - st * st;
        values.clone().max().unwrap() - values.min().unwrap() <= 1 && level
    })
}

proptest! {
    #[test]
    fn nothing_is_called_stable_that_is_not_by_definition(
        gaps in proptest::collection::vec((40_i64..900, 5228_i64..=5233), 1..60),
    ) {
        let mut rule = rule();
        let (mut ms, mut readings) = (0, Vec::new());
        for (gap, steps) in gaps {
            ms += gap;
            readings.push((ms, steps));
            let mass = Quantity::new(Decimal::new(steps, 2), Unit::Gram);
            if let Settled::Stable { mass: taken, lines } = rule.settle(mass, at(ms * MS), "x") {
                prop_assert_eq!(taken, mass);
                prop_assert!(by_definition(&readings), "{:?}", readings);
                prop_assert!(lines.len() >= 5);
            }
        }
    }

    #[test]
    fn memory_stays_small_however_fast_and_long_the_stream_is(
        gap_us in 1_i64..100_000, count in 100_i64..3000, flicker: bool,
    ) {
        let mut rule = rule();
        let mut most = 0;
        for n in 0..count {
            let steps = if flicker { 5230 + n % 2 } else { 5230 };
            let moment: Moment = at(n * gap_us * 1000);
            let mass = Quantity::new(Decimal::new(steps, 2), Unit::Gram);
            if let Settled::Stable { lines, .. } = rule.settle(mass, moment, "x") {
                most = most.max(lines.len());
            }
        }
        prop_assert!(most <= 60, "{} lines", most);
    }
}
