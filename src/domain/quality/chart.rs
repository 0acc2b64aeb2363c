//! A control chart of individuals with its moving range, over the unrounded results of one material.
//!
//! The centre is the mean, and the deviation is the mean of the moving ranges of two over d2 = 1.128
//! (Shewhart's chart of individuals; constants as handbooks print them). Rules of runs are Nelson's
//! (1984) and Western Electric's (1956). Decimals throughout: whether a point is a signal decides
//! something.

use rust_decimal::Decimal;
use serde::Serialize;

/// d2 for ranges of two, as handbooks print it.
const D2: Decimal = Decimal::from_parts(1128, 0, 0, false, 3);
/// D4 for ranges of two, as handbooks print it.
const D4: Decimal = Decimal::from_parts(3267, 0, 0, false, 3);
/// Fewest results that limits are made of. Common practice, no source; twenty and more are better.
pub const FEWEST: usize = 8;

/// Limits of a chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Results that they were made of.
    pub results: usize,
    /// The mean.
    pub centre: Decimal,
    /// Mean of the moving ranges of two.
    pub mean_range: Decimal,
}

impl Limits {
    /// Of so many results in the order of time; `None`: fewer than [`FEWEST`].
    pub fn of(values: &[Decimal]) -> Option<Self> {
        if values.len() < FEWEST {
            return None;
        }
        let mean = |values: &[Decimal]| {
            let sum = values.iter().try_fold(Decimal::ZERO, |sum, v| sum.checked_add(*v))?;
            sum.checked_div(Decimal::from(values.len()))
        };
        let limits =
            Self { results: values.len(), centre: mean(values)?, mean_range: mean(&ranges(values))? };
        Some(limits)
    }

    /// One standard deviation.
    pub fn deviation(&self) -> Decimal {
        self.mean_range / D2
    }

    /// The lower and the upper limit, three deviations from the centre.
    pub fn ends(&self) -> (Decimal, Decimal) {
        let three = Decimal::from(3) * self.deviation();
        (self.centre - three, self.centre + three)
    }

    /// The largest moving range.
    pub fn range_end(&self) -> Decimal {
        self.mean_range * D4
    }
}

/// Moving ranges of two; one fewer than there are values.
pub fn ranges(values: &[Decimal]) -> Vec<Decimal> {
    values.windows(2).filter_map(|pair| Some((*pair.get(1)? - *pair.first()?).abs())).collect()
}

/// A rule that a point completes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// Beyond three deviations.
    Beyond,
    /// The ninth in a row on one side of the centre.
    OneSide,
    /// The sixth in a row that rises, or falls.
    Trend,
    /// Two of three beyond two deviations, on one side.
    TwoOfThree,
    /// Four of five beyond one deviation, on one side.
    FourOfFive,
    /// The moving range is too large.
    Range,
}

impl Rule {
    /// In a sentence.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Beyond => "beyond three standard deviations",
            Self::OneSide => "the ninth in a row on one side of the centre",
            Self::Trend => "the sixth in a row that rises, or falls",
            Self::TwoOfThree => "two of three beyond two standard deviations on one side",
            Self::FourOfFive => "four of five beyond one standard deviation on one side",
            Self::Range => "further from the one before it than the range's limit",
        }
    }
}

/// Rules of zones beside the first three: more signals, also false ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Zones {
    /// They are left out.
    Out,
    /// They are held too.
    In,
}

/// Every point that completes a rule, by its index: strictly beyond; a point on the centre breaks a
/// run, and equal neighbours break a trend.
pub fn signals(values: &[Decimal], limits: &Limits, zones: Zones) -> Vec<(usize, Rule)> {
    let mut found = Vec::new();
    // Distances in deviations, without dividing: (x - centre) d2 against k times the mean range.
    let away: Vec<Decimal> = values.iter().map(|v| (*v - limits.centre) * D2).collect();
    for at in 0..values.len() {
        let last = |n: usize| at.checked_sub(n - 1).and_then(|from| away.get(from..=at));
        let beyond = |distances: &[Decimal], k: i64, side: Decimal| {
            let end = Decimal::from(k) * limits.mean_range;
            distances.iter().filter(|d| **d * side > end).count()
        };
        let on_one_side = |n: usize, k: i64, of: usize| {
            let own = away.get(at).copied().unwrap_or_default();
            let side = if own.is_sign_negative() { Decimal::NEGATIVE_ONE } else { Decimal::ONE };
            // The point itself completes the pattern.
            beyond(&[own], k, side) == 1 && last(n).is_some_and(|d| beyond(d, k, side) >= of)
        };
        let mut note = |yes: bool, rule: Rule| {
            if yes {
                found.push((at, rule));
            }
        };
        note(
            last(1).is_some_and(|d| beyond(d, 3, Decimal::ONE) + beyond(d, 3, Decimal::NEGATIVE_ONE) == 1),
            Rule::Beyond,
        );
        note(last(9).is_some_and(is_one_side), Rule::OneSide);
        note(at.checked_sub(5).and_then(|from| values.get(from..=at)).is_some_and(is_trend), Rule::Trend);
        note(zones == Zones::In && on_one_side(3, 2, 2), Rule::TwoOfThree);
        note(zones == Zones::In && on_one_side(5, 1, 4), Rule::FourOfFive);
        let range =
            at.checked_sub(1).and_then(|before| Some((*values.get(at)? - *values.get(before)?).abs()));
        note(range.is_some_and(|range| range > limits.range_end()), Rule::Range);
    }
    found
}

fn is_one_side(away: &[Decimal]) -> bool {
    away.iter().all(|d| *d > Decimal::ZERO) || away.iter().all(|d| *d < Decimal::ZERO)
}

fn is_trend(values: &[Decimal]) -> bool {
    let steps = || values.windows(2).filter_map(|pair| Some(*pair.get(1)? - *pair.first()?));
    steps().all(|step| step > Decimal::ZERO) || steps().all(|step| step < Decimal::ZERO)
}

#[cfg(test)]
mod test {
    use super::*;
    use serde_json::Value;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn vectors() -> Value {
        serde_json::from_str(include_str!("../../../tests/data/control_chart_vectors.json")).unwrap()
    }

    fn list(values: &Value) -> Vec<Decimal> {
        values.as_array().unwrap().iter().map(|v| dec(&v.to_string())).collect()
    }

    /// Limits by which a value is its own distance in deviations.
    fn unit() -> Limits {
        Limits { results: 20, centre: Decimal::ZERO, mean_range: D2 }
    }

    #[test]
    fn the_limits_of_individuals_are_those_of_the_handbook() {
        // NIST/SEMATECH e-Handbook, 6.3.2.2, flow rate: published to the fourth decimal.
        let example = &vectors()["individuals_flowrate"];
        let values = list(&example["x"]);
        let limits = Limits::of(&values).unwrap();
        let published = &example["published"];
        assert_eq!(limits.centre, dec(&published["mean"].to_string()));
        assert_eq!(limits.mean_range.round_dp(4), dec(&published["MRbar"].to_string()));
        let (lower, upper) = limits.ends();
        assert_eq!(upper.round_dp(4), dec(&published["UCL"].to_string()));
        assert_eq!(lower.round_dp(4), dec(&published["LCL"].to_string()));
        let range_end = dec(&example["MR_UCL"].to_string());
        assert!((limits.range_end() - range_end).abs() < dec("0.01"), "{}", limits.range_end());
        assert_eq!(ranges(&values), list(&example["MR"]));
        assert_eq!(signals(&values, &limits, Zones::In), []);
    }

    #[test]
    fn each_rule_is_signalled_where_another_tool_signals_it() {
        let vectors = vectors();
        let mut seen = 0;
        for (name, case) in vectors["nelson"].as_object().unwrap() {
            let values = list(&case["z"]);
            let found = signals(&values, &unit(), Zones::In);
            for (rule, key) in [
                (Rule::Beyond, "WE1"),
                (Rule::OneSide, "N2"),
                (Rule::Trend, "N3"),
                (Rule::TwoOfThree, "WE2"),
                (Rule::FourOfFive, "N6"),
            ] {
                // Theirs are counted from 1.
                let ours: Vec<u64> =
                    found.iter().filter(|(_, r)| *r == rule).map(|(at, _)| *at as u64 + 1).collect();
                let theirs: Vec<u64> = case["flags"][key]
                    .as_array()
                    .map(|flags| flags.iter().map(|f| f.as_u64().unwrap()).collect())
                    .unwrap_or_default();
                seen += theirs.len();
                assert_eq!(ours, theirs, "{name}, {key}");
            }
        }
        assert!(seen >= 3, "{seen}");
    }

    #[test]
    fn exactly_three_deviations_are_not_beyond() {
        let at = |text: &str| signals(&[dec(text)], &unit(), Zones::Out);
        assert_eq!(at("3"), []);
        assert_eq!(at("-3.0001"), [(0, Rule::Beyond)]);
    }

    #[test]
    fn six_that_rise_are_a_trend_and_two_of_three_far_out_a_signal_only_where_zones_are_held() {
        let rising = ["-1.2", "-0.9", "-0.3", "-0.2", "0.6", "1.4"].map(dec);
        assert_eq!(signals(&rising, &unit(), Zones::Out), [(5, Rule::Trend)]);
        let far = ["2.1", "0.1", "2.2"].map(dec);
        assert_eq!(signals(&far, &unit(), Zones::Out), []);
        assert_eq!(signals(&far, &unit(), Zones::In), [(2, Rule::TwoOfThree)]);
        // On two sides they are none.
        assert_eq!(signals(&["2.1", "0.1", "-2.2"].map(dec), &unit(), Zones::In), []);
    }

    #[test]
    fn few_results_have_no_limits() {
        assert_eq!(Limits::of(&[dec("42"); FEWEST - 1]), None);
        let same = Limits::of(&[dec("42"); FEWEST]).unwrap();
        assert_eq!(same.ends(), (dec("42"), dec("42")));
    }
}
