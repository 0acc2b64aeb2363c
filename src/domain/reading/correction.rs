//! The correction of a reading from the instrument's certificate: an offset, or points with straight
//! lines between them. Exact decimals; nothing is ever carried on beyond the points.

use crate::domain::quantity::{Quantity, Unit};
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};

/// Digits that an interpolated correction has more than the certificate's own corrections.
const MORE_DIGITS: u32 = 2;

/// The certificate that a correction was taken from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Certificate {
    /// Its number.
    pub number: String,
    /// The day of the calibration, `2026-03-01`.
    pub date: String,
}

/// What was read and what was added to it, in the unit of the corrected value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Applied {
    /// What the instrument said.
    #[serde(with = "rust_decimal::serde::str")]
    pub reading: Decimal,
    /// What was added.
    #[serde(with = "rust_decimal::serde::str")]
    pub correction: Decimal,
}

/// How a value was corrected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Corrected {
    /// The figures.
    #[serde(flatten)]
    pub applied: Applied,
    /// The certificate.
    pub certificate: Certificate,
}

/// What the certificate says is to be added to a reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Rule {
    /// The same for every reading.
    Offset(Decimal),
    /// Readings and what is to be added at each; straight lines between them. In rising order.
    Points(Vec<(Decimal, Decimal)>),
}

/// The correction of one instrument.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Correction {
    certificate: Certificate,
    unit: Unit,
    rule: Rule,
}

impl Correction {
    /// A correction; `unit` is that of readings and corrections.
    ///
    /// # Errors
    /// What is wrong with the points: fewer than two, or not in rising order of their readings.
    pub fn new(certificate: Certificate, unit: Unit, rule: Rule) -> Result<Self, String> {
        if let Rule::Points(points) = &rule {
            if points.len() < 2 {
                return Err("give at least two points, or an offset".to_owned());
            }
            let rising = |pair: &[(Decimal, Decimal)]| matches!(pair, [a, b] if a.0 < b.0);
            if !points.windows(2).all(rising) {
                return Err("give the points in rising order of their readings, each once".to_owned());
            }
        }
        Ok(Self { certificate, unit, rule })
    }

    /// The unit of its readings.
    pub const fn unit(&self) -> Unit {
        self.unit
    }

    /// The corrected value and how it came about. Between two points the correction is rounded, half
    /// away from zero, to two digits more than the certificate's own.
    ///
    /// # Errors
    /// What the certificate covers, for a reading outside of it or in another unit.
    pub fn of(&self, reading: &Quantity) -> Result<(Quantity, Corrected), String> {
        let number = &self.certificate.number;
        if reading.unit != self.unit {
            return Err(format!("certificate {number} corrects readings in {} only", self.unit));
        }
        let correction = match &self.rule {
            Rule::Offset(offset) => *offset,
            Rule::Points(points) => between(points, reading.value).ok_or_else(|| {
                let ends = points.first().zip(points.last());
                ends.map_or_else(String::new, |((low, _), (high, _))| {
                    format!("certificate {number} covers {low} to {high} {}", self.unit)
                })
            })?,
        };
        let value = reading.value.checked_add(correction);
        let value = value.ok_or_else(|| format!("certificate {number} covers no such reading"))?;
        let applied = Applied { reading: reading.value, correction };
        Ok((Quantity::new(value, self.unit), Corrected { applied, certificate: self.certificate.clone() }))
    }

    /// The certificate.
    pub const fn certificate(&self) -> &Certificate {
        &self.certificate
    }
}

fn between(points: &[(Decimal, Decimal)], reading: Decimal) -> Option<Decimal> {
    if let Some((_, there)) = points.iter().find(|(at, _)| *at == reading) {
        return Some(*there);
    }
    let own = points.iter().map(|(_, correction)| correction.scale()).max()?;
    let digits = own.saturating_add(MORE_DIGITS);
    let around = points.windows(2).find_map(|pair| match pair {
        [low, high] if low.0 < reading && reading < high.0 => Some((*low, *high)),
        _ => None,
    });
    let ((low, at_low), (high, at_high)) = around?;
    let rise = at_high.checked_sub(at_low)?.checked_mul(reading.checked_sub(low)?)?;
    let correction = rise.checked_div(high.checked_sub(low)?)?.checked_add(at_low)?;
    let rounded = correction.round_dp_with_strategy(digits, RoundingStrategy::MidpointAwayFromZero);
    // Digits that the division left behind and that say nothing.
    let mut plain = rounded.normalize();
    plain.rescale(plain.scale().max(own));
    Some(plain)
}

#[cfg(test)]
mod test {
    use super::*;

    fn decimal(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn correction(rule: Rule) -> Correction {
        let certificate = Certificate { number: "K 17".to_owned(), date: "2026-03-01".to_owned() };
        Correction::new(certificate, Unit::Celsius, rule).unwrap()
    }

    fn points(texts: &[(&str, &str)]) -> Rule {
        Rule::Points(texts.iter().map(|(at, c)| (decimal(at), decimal(c))).collect())
    }

    fn corrected(correction: &Correction, reading: &str) -> Result<String, String> {
        let reading = Quantity::new(decimal(reading), Unit::Celsius);
        correction.of(&reading).map(|(value, _)| value.value.to_string())
    }

    #[test]
    fn an_offset_is_added_exactly_and_the_reading_stays_beside_it() {
        // Another tool's vector: 22.4 with -0.12 is 22.28.
        let offset = correction(Rule::Offset(decimal("-0.12")));
        let (value, how) = offset.of(&Quantity::new(decimal("22.4"), Unit::Celsius)).unwrap();
        assert_eq!(value.to_string(), "22.28 °C");
        let Applied { reading, correction } = how.applied;
        assert_eq!((reading.to_string(), correction.to_string()), ("22.4".into(), "-0.12".into()));
        assert_eq!((how.certificate.number.as_str(), how.certificate.date.as_str()), ("K 17", "2026-03-01"));
    }

    #[test]
    fn between_two_points_the_correction_lies_on_their_straight_line() {
        // A thermometer that read 0.02, 20.11 and 30.16 where 0, 20 and 30 were true.
        let three = correction(points(&[("0.02", "-0.02"), ("20.11", "-0.11"), ("30.16", "-0.16")]));
        for (reading, value) in [
            ("0.02", "0.00"),
            ("20.11", "20.00"),
            ("30.16", "30.00"),
            // By fractions: -0.11 - 0.05 * 229/1005 = -0.12139…, to two digits more than 0.01.
            ("22.40", "22.2786"),
            // Half way between the upper two: -0.135.
            ("25.135", "25.000"),
            // By fractions: -0.02 - 0.09 * 998/2009 = -0.06470…
            ("10.00", "9.9353"),
        ] {
            assert_eq!(corrected(&three, reading).unwrap(), value, "{reading}");
        }
    }

    #[test]
    fn beyond_the_points_there_is_no_correction_and_the_range_is_told() {
        let two = correction(points(&[("15", "0.1"), ("30", "0.2")]));
        for reading in ["14.99", "30.01", "-20", "79228162514264337593543950335"] {
            assert_eq!(corrected(&two, reading).unwrap_err(), "certificate K 17 covers 15 to 30 °C");
        }
        let fahrenheit = Quantity::new(decimal("72.3"), Unit::Fahrenheit);
        assert!(two.of(&fahrenheit).unwrap_err().contains("readings in °C only"));
    }

    #[test]
    fn points_that_make_no_line_are_refused() {
        let certificate = Certificate { number: "K 17".to_owned(), date: "2026-03-01".to_owned() };
        for texts in [&[("15", "0.1")][..], &[("15", "0.1"), ("15", "0.2")], &[("30", "0.1"), ("15", "0.2")]]
        {
            assert!(Correction::new(certificate.clone(), Unit::Celsius, points(texts)).is_err(), "{texts:?}");
        }
    }
}
