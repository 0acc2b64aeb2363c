//! How a method makes its number, and how far numbers may lie apart: closed lists of named rules,
//! with their coefficients in the method file.

use super::Sourced;
use crate::domain::quantity::Range;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// How the number is made: closed lists of named rules.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CalculationRule {
    /// The formula of a single height; `None`: the ratio of sand to clay.
    #[serde(default)]
    pub height: Option<HeightFormula>,
    /// From the ratio, or from what the formula gives, to the value that is kept.
    pub ratio: Sourced<RatioRule>,
    /// From the ratio to the reported value of one specimen.
    pub result: Sourced<ResultRule>,
    /// From the specimens to the result of the sample.
    pub average: Sourced<AverageRule>,
}

/// From readings to the ratio.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RatioRule {
    /// To the nearest tenth, halves up.
    NearestTenth,
    /// To the nearest whole number, halves up.
    NearestWhole,
}

/// A number from one height H, in the unit of the readings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HeightFormula {
    /// Which formula.
    pub rule: Sourced<HeightRule>,
    /// Its coefficients a, b, c and d.
    pub coefficients: [Sourced<Decimal>; 4],
}

/// Formulas of one height.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeightRule {
    /// 100 (a + b H) / (c + d H), exactly: the cleanness value.
    LinearQuotient,
    /// a + b cot(c + d H), the angle in radians, to the ninth decimal: coarse durability.
    Cotangent,
}

/// From the ratio to the reported value of one specimen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResultRule {
    /// Raised to the next whole number; a whole number stays.
    RaiseToWhole,
    /// The number before any rounding to the nearest whole one, halves up.
    NearestWhole,
    /// The ratio as it is.
    Tenth,
}

/// From the specimens to the result of the sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AverageRule {
    /// Mean of the reported values, raised to the next whole number.
    RaiseMeanOfReported,
    /// Mean of the specimens' ratios to the nearest whole number, halves up.
    NearestWhole,
    /// Mean of the ratios before any rounding, to the nearest whole number, halves up.
    NearestWholeOfExact,
}

/// How many specimens, and how far apart they may lie.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReplicateRule {
    /// Specimens of a sample, unless the sample says otherwise.
    pub specimens: Sourced<u32>,
    /// Largest difference between two reported values; an agency's value.
    pub max_difference: Sourced<Decimal>,
    /// Further specimens that are run where the first lie further apart; unset: none is asked for.
    #[serde(default = "super::not_said", skip_serializing_if = "Sourced::is_not_said")]
    pub further_specimens: Sourced<u32>,
    /// What makes the result then; unset: all together.
    #[serde(default = "super::not_said", skip_serializing_if = "Sourced::is_not_said")]
    pub further_result: Sourced<FurtherRule>,
}

impl ReplicateRule {
    /// The further specimens alone make the result.
    pub fn further_alone(&self) -> bool {
        self.further_result.value == Some(FurtherRule::Alone)
    }
}

/// What makes the result of a sample whose first specimens lie too far apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FurtherRule {
    /// All specimens.
    Together,
    /// The further ones: the test is run again.
    Alone,
}

/// One class of the published precision, as printed (the printed d2s is not recomputed from 1s).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Precision {
    /// Which results the class is for, in words.
    pub class: String,
    /// The same in figures, ends included; `None`: only in words.
    #[serde(default)]
    pub results: Option<Sourced<Range>>,
    /// Single-operator standard deviation (1s).
    pub operator_1s: Sourced<Decimal>,
    /// Single-operator acceptable difference of two results (d2s).
    pub operator_d2s: Sourced<Decimal>,
    /// Multilaboratory standard deviation (1s).
    pub laboratory_1s: Sourced<Decimal>,
    /// Multilaboratory acceptable difference of two results (d2s).
    pub laboratory_d2s: Sourced<Decimal>,
    /// What is added to each of the four, in their order, for every unit by which a result lies
    /// under 100 (functional relations); `None`: nothing is.
    #[serde(default)]
    pub slopes: [Option<Sourced<Decimal>>; 4],
}

impl Precision {
    /// The four figures, in the order of the fields, for a result: constants, or the functional
    /// relation constant + slope x (100 - result). `None` where the file has none.
    pub fn at(&self, result: Decimal) -> [Option<Decimal>; 4] {
        let constants = [&self.operator_1s, &self.operator_d2s, &self.laboratory_1s, &self.laboratory_d2s]
            .map(|s| s.value);
        let mut figures = constants;
        for (figure, slope) in figures.iter_mut().zip(&self.slopes) {
            if let Some(slope) = slope {
                let distance = Decimal::ONE_HUNDRED.checked_sub(result);
                *figure = figure
                    .zip(slope.value)
                    .zip(distance)
                    .and_then(|((base, slope), distance)| base.checked_add(slope.checked_mul(distance)?));
            }
        }
        figures
    }
}
