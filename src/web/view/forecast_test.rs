//! Against curves that another tool fitted: tests/data/README.md.

use super::*;
use serde_json::Value;

struct Case {
    readings: Vec<Reading>,
    limit: f64,
    all: Value,
}

fn case(name: &str) -> Case {
    let vectors: Value =
        serde_json::from_str(include_str!("../../../tests/data/forecast_vectors.json")).unwrap();
    let all = vectors["newton"].as_array().unwrap().iter().find(|case| case["name"] == name).unwrap().clone();
    let numbers = |key: &str| -> Vec<f64> {
        all[key].as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
    };
    let readings = numbers("t_min").into_iter().zip(numbers("y_C")).collect();
    Case { readings, limit: all["limit"].as_f64().unwrap(), all }
}

impl Case {
    fn forecast(&self) -> Forecast {
        forecast(&self.readings, Some(19.0), Some(self.limit)).unwrap()
    }

    fn number(&self, path: &str) -> f64 {
        self.all.pointer(path).and_then(Value::as_f64).unwrap_or_else(|| panic!("{path}"))
    }

    fn span(&self) -> f64 {
        self.readings.last().unwrap().0 - self.readings[0].0
    }
}

fn close(found: f64, wanted: f64, within: f64, what: &str) {
    assert!((found - wanted).abs() <= within, "{what}: {found} beside {wanted}");
}

#[test]
fn a_clean_record_says_when_it_leaves_with_the_interval_of_the_other_tool() {
    let case = case("noise_free_warming");
    let found = case.forecast();
    close(found.best.a, case.number("/fit/a"), 0.001, "a");
    close(found.best.k, case.number("/fit/k"), 0.000_01, "k");
    close(found.from_k, case.number("/profile95/k_range/0"), 0.000_2, "slowest");
    close(found.to_k, case.number("/profile95/k_range/1"), 0.000_2, "fastest");
    let Some(Leaves::At { best, soonest, latest }) = found.leaves else { panic!("{:?}", found.leaves) };
    close(best + case.span(), case.number("/truth/cross_min"), 0.01, "best");
    close(soonest + case.span(), case.number("/profile95/lo"), 0.05, "soonest");
    close(latest + case.span(), case.number("/profile95/hi"), 0.05, "latest");
}

#[test]
fn one_spike_does_not_move_the_moment_by_ten_minutes() {
    let case = case("warming_outlier");
    let found = case.forecast();
    // Least squares alone says 50.9 min there; the truth is 41.6.
    close(found.best.reaches(case.limit).unwrap(), case.number("/cross_huber"), 0.5, "with Huber's weights");
}

#[test]
fn what_never_leaves_is_given_no_moment() {
    let case = case("never_leaves");
    let found = case.forecast();
    close(found.best.a, case.number("/huber/a"), 0.1, "a");
    assert!(!matches!(found.leaves, Some(Leaves::At { .. })), "{:?}", found.leaves);
}

#[test]
fn a_short_or_a_steady_record_is_refused() {
    let case = case("noise_free_warming");
    assert_eq!(forecast(&case.readings[..8], None, Some(25.0)), Err(Refused::Short), "seven minutes");
    let steady: Vec<Reading> = (0..40).map(|n| (f64::from(n), 22.0 + 0.02 * f64::from(n % 3))).collect();
    assert_eq!(forecast(&steady, Some(19.0), Some(25.0)), Err(Refused::Steady));
    assert_eq!(forecast(&[], None, None), Err(Refused::Short));
}

#[test]
fn the_band_holds_the_true_curve_and_widens() {
    for name in ["noise_free_warming", "never_leaves"] {
        let case = case(name);
        let found = case.forecast();
        let truth =
            Curve { a: case.number("/truth/a"), b: case.number("/truth/b"), k: case.number("/truth/k") };
        for point in &found.band {
            let true_value = truth.at(case.span() + point.ahead);
            assert!(
                point.low <= true_value && true_value <= point.high,
                "{name}: {point:?} beside {true_value}"
            );
        }
        let width = |point: &Point| point.high - point.low;
        let (first, last) = (found.band.first().unwrap(), found.band.last().unwrap());
        assert!(width(last) > width(first), "{name}");
        close(last.ahead, case.span(), 0.001, "no further than the record is long");
    }
}

#[test]
fn the_factor_is_students() {
    // Tables of Student's t, 0.975: 5 degrees 2.571, 28 degrees 2.048, 100 degrees 1.984.
    for (degrees, factor) in [(5.0, 2.571), (28.0, 2.048), (100.0, 1.984)] {
        close(student(degrees), factor, 0.001, "Student's factor");
    }
}
