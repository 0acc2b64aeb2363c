//! How far the specimens that count lie apart, beside the method's published precision.
//!
//! ASTM C670: the range of n results of one operator exceeds f(n) times the standard deviation in
//! one case of twenty. Where the method prints a difference for two results, that figure is taken
//! as printed and never computed again from the deviation.

use crate::domain::method::{Confidence, Method, Precision};
use crate::domain::quantity::{Quantity, Side, Unit};
use rust_decimal::Decimal;

/// f(n) for n = 2 to 10 results, in tenths: 95 % points of the studentized range without end to its
/// degrees of freedom, as ASTM C670 rounds them (from memory; they agree with the computed points
/// 2.7718, 3.3145, 3.6332, 3.8577, 4.0301, 4.1696, 4.2863, 4.3865 and 4.4741).
const MULTIPLIERS: [i64; 9] = [28, 33, 36, 39, 40, 42, 43, 44, 45];

/// The multiple of the standard deviation that the range of so many results may reach.
pub fn multiplier(results: usize) -> Option<Decimal> {
    let tenths = MULTIPLIERS.get(results.checked_sub(2)?)?;
    Some(Decimal::new(*tenths, 1))
}

/// How far results may lie apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Allowed {
    /// Standard deviation of the class at the mean; `None`: the file has none.
    pub deviation: Option<Decimal>,
    /// The multiple of it; `None`: the printed difference of two stands.
    pub multiplier: Option<Decimal>,
    /// The largest range.
    pub range: Decimal,
}

/// The specimens of a sample beside the published precision.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Comparison<'a> {
    /// The class that was taken; `None`: the method has none for such results.
    pub class: Option<&'a Precision>,
    /// Several classes held, and the one with the larger deviation was taken.
    pub of_several: bool,
    /// How many results.
    pub results: usize,
    /// Their mean.
    pub mean: Decimal,
    /// Largest less smallest.
    pub range: Decimal,
    /// For one operator; `None`: no figure.
    pub operator: Option<Allowed>,
    /// For two laboratories with one result each; `None`: no figure. For information: one
    /// laboratory's specimens are not compared with it.
    pub laboratories: Option<Allowed>,
}

impl Comparison<'_> {
    /// Further apart than one operator's results should; `None`: no figure to say so.
    pub fn is_outside(&self) -> Option<bool> {
        self.operator.map(|allowed| self.range > allowed.range)
    }

    /// How well the figures are known.
    pub fn confidence(&self) -> Option<Confidence> {
        self.class.map(|class| class.operator_d2s.confidence)
    }
}

/// Compares reported results, as the published figures do; `None`: fewer than two, or the method
/// has no precision at all.
pub fn compare<'a>(results: &[Decimal], method: &'a Method) -> Option<Comparison<'a>> {
    let (largest, smallest) = (results.iter().max()?, results.iter().min()?);
    if results.len() < 2 || method.precision.is_empty() {
        return None;
    }
    let sum = results.iter().try_fold(Decimal::ZERO, |sum, value| sum.checked_add(*value))?;
    let mean = sum.checked_div(Decimal::from(results.len()))?;
    let (class, of_several) = class(&method.precision, mean);
    let figures = class.map(|class| class.at(mean)).unwrap_or_default();
    let [operator_1s, operator_d2s, laboratory_1s, laboratory_d2s] = figures;
    Some(Comparison {
        class,
        of_several,
        results: results.len(),
        mean,
        range: largest - smallest,
        operator: allowed(results.len(), operator_1s, operator_d2s),
        laboratories: allowed(2, laboratory_1s, laboratory_d2s),
    })
}

/// The class whose results the mean belongs to. A mean at the end of two classes is in neither by
/// its words: the one with the larger deviation is taken then.
fn class(classes: &[Precision], mean: Decimal) -> (Option<&Precision>, bool) {
    let mean_of = Quantity::new(mean, Unit::One);
    let holds = |class: &&Precision| {
        let range = class.results.as_ref().and_then(|results| results.value);
        range.is_some_and(|range| range.side(&mean_of) == Some(Side::Within))
    };
    let holding: Vec<&Precision> = classes.iter().filter(holds).collect();
    let deviation = |class: &&&Precision| class.at(mean).first().copied().flatten();
    (holding.iter().max_by_key(deviation).copied(), holding.len() > 1)
}

fn allowed(results: usize, deviation: Option<Decimal>, printed: Option<Decimal>) -> Option<Allowed> {
    if let (2, Some(range)) = (results, printed) {
        return Some(Allowed { deviation, multiplier: None, range });
    }
    let multiplier = multiplier(results)?;
    Some(Allowed { deviation, multiplier: Some(multiplier), range: deviation?.checked_mul(multiplier)? })
}

#[cfg(test)]
mod test {
    use super::*;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn method(id: &str) -> Method {
        let text = std::fs::read_to_string(format!("config/methods/{id}.toml")).unwrap();
        crate::domain::method::load(&format!("{id}.toml"), &text).unwrap()
    }

    fn values(text: &str) -> Vec<Decimal> {
        text.split(' ').map(dec).collect()
    }

    #[test]
    fn the_multipliers_are_the_points_of_the_studentized_range_to_the_tenth() {
        // Points computed by another tool: tests/data/README.md.
        let text = include_str!("../../../tests/data/precision_vectors.json");
        let vectors: serde_json::Value = serde_json::from_str(text).unwrap();
        let rows = vectors["studentized_range_p95"].as_array().unwrap();
        assert_eq!(rows.len(), 9);
        for row in rows {
            let n = usize::try_from(row["n"].as_u64().unwrap()).unwrap();
            let to_the_tenth = dec(&row["q"].to_string()).round_dp(1);
            assert_eq!(multiplier(n), Some(to_the_tenth), "{n}");
        }
        assert_eq!((multiplier(0), multiplier(1), multiplier(11)), (None, None, None));
    }

    #[test]
    fn two_results_are_held_to_the_printed_difference_of_their_class() {
        // D2419, precision, from memory: d2s 8.2 under 80, 4.2 over 80.
        let method = method("aashto-t176-mechanical");
        for (results, class, range, outside) in [
            ("42 50", "under 80", "8.2", false),
            ("42 51", "under 80", "8.2", true),
            ("84 88", "over 80", "4.2", false),
            ("84 89", "over 80", "4.2", true),
        ] {
            let found = compare(&values(results), &method).unwrap();
            let allowed = found.operator.unwrap();
            assert_eq!(
                (found.class.unwrap().class.as_str(), allowed.range, allowed.multiplier, found.is_outside()),
                (class, dec(range), None, Some(outside)),
                "{results}"
            );
        }
    }

    #[test]
    fn more_than_two_are_held_to_a_multiple_of_the_deviation() {
        let method = method("aashto-t176-mechanical");
        // 3.3 x 2.9 = 9.57; 3.6 x 2.9 = 10.44 (multipliers of C670, deviation of D2419).
        let three = compare(&values("42 44 52"), &method).unwrap();
        assert_eq!((three.operator.unwrap().range, three.is_outside()), (dec("9.57"), Some(true)));
        let four = compare(&values("42 44 52 45"), &method).unwrap();
        assert_eq!((four.operator.unwrap().range, four.is_outside()), (dec("10.44"), Some(false)));
        let many = compare(&[dec("42"); 11], &method).unwrap();
        assert_eq!((many.operator, many.is_outside()), (None, None));
        assert!(compare(&values("42"), &method).is_none());
    }

    #[test]
    fn a_mean_in_neither_class_takes_the_larger_deviation_and_says_so() {
        let method = method("aashto-t176-mechanical");
        let found = compare(&values("78 82"), &method).unwrap();
        assert_eq!((found.class.unwrap().class.as_str(), found.of_several), ("under 80", true));
    }

    #[test]
    fn a_functional_relation_is_taken_at_the_mean_and_only_where_it_holds() {
        // European cross-testing: r1 = 1.4 + 0.03 (100 - X); at 55.5 that is 2.735.
        let method = method("en-933-8");
        let found = compare(&values("54 57"), &method).unwrap();
        assert_eq!((found.operator.unwrap().range, found.is_outside()), (dec("2.735"), Some(true)));
        let outside = compare(&values("70 72"), &method).unwrap();
        assert_eq!((outside.class, outside.is_outside()), (None, None));
    }
}
