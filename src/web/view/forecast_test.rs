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
    let Some(Crosses::Leaves(Then { best, soonest, latest })) = found.crosses else {
        panic!("{:?}", found.crosses)
    };
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
    assert_eq!(found.crosses, Some(Crosses::NotBefore(case.span())), "no further than the readings go back");
}

/// Readings of a true curve, one a minute for so many minutes.
fn read(minutes: u32, value: impl Fn(f64) -> f64) -> Vec<Reading> {
    (0..=minutes).map(|n| (f64::from(n), value(f64::from(n)))).collect()
}

#[test]
fn a_straight_drift_is_never_said_to_stay_within_its_limits() {
    // A tenth of a degree in four minutes: 25 °C is reached after 160 minutes, a straight line knows no end.
    let drift = |from: f64| read(40, move |at| from + 0.025 * at);
    let far = forecast(&drift(20.0), Some(19.0), Some(25.0)).unwrap();
    assert_eq!(far.crosses, Some(Crosses::NotBefore(40.0)), "{far:?}");
    // At 24.2 after the record, 25 is 32 minutes away: the straight line must be among the curves.
    let near = forecast(&drift(23.2), Some(19.0), Some(25.0)).unwrap();
    let Some(Crosses::NotBefore(soonest)) = near.crosses else { panic!("{:?}", near.crosses) };
    close(soonest, 32.0, 0.5, "as soon as the straight line gets there");
    let point = near.band.last().unwrap();
    assert!(point.low <= 25.2 && 25.2 <= point.high, "the band holds the line: {point:?}");
    // And for three hours of record it speaks of one hour.
    let long = forecast(&read(180, |at| 20.0 + 0.01 * at), Some(19.0), Some(25.0)).unwrap();
    assert_eq!(long.crosses, Some(Crosses::NotBefore(60.0)));
}

#[test]
fn outside_its_limits_it_is_told_when_it_comes_back_and_nothing_of_staying_within() {
    // Newton's law: from 16 °C towards 28, a sixtieth of the way each minute; 19 °C after 60·ln(12/9) = 17.26
    // minutes, 25 °C after 60·ln(12/3) = 83.2.
    let warming = |minutes: u32| read(minutes, |at| 28.0 - 12.0 * (-at / 60.0).exp());
    let found = forecast(&warming(12), Some(19.0), Some(25.0)).unwrap();
    let Some(Crosses::Returns(Then { best, soonest, latest })) = found.crosses else {
        panic!("{:?}", found.crosses)
    };
    close(best, 5.26, 0.1, "back within limits");
    assert!(soonest <= best && best <= latest && latest <= 12.0, "{soonest} {best} {latest}");
    // The same the other way round: cooling from above.
    let cooling: Vec<Reading> = warming(12).iter().map(|(at, value)| (*at, 44.0 - value)).collect();
    let found = forecast(&cooling, Some(19.0), Some(25.0)).unwrap();
    assert!(matches!(found.crosses, Some(Crosses::Returns(_))), "{:?}", found.crosses);
    // Beyond the limit it moves away from: nothing to say.
    let found = forecast(&warming(100), Some(19.0), Some(25.0)).unwrap();
    assert_eq!(found.crosses, None);
    // Too far outside to be back as far as the forecast reaches.
    let far = read(12, |at| 13.0 - 3.0 * (-at / 30.0).exp());
    assert_eq!(forecast(&far, Some(19.0), Some(25.0)).unwrap().crosses, None);
}

#[test]
fn where_curve_and_last_reading_are_on_two_sides_of_a_limit_nothing_is_said() {
    let mut readings = read(20, |at| 28.0 - 6.0 * (-at / 60.0).exp());
    readings.last_mut().unwrap().1 = 25.5;
    assert_eq!(forecast(&readings, Some(19.0), Some(25.0)).unwrap().crosses, None);
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
