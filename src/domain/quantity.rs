//! Exact quantities: decimals with a unit from a fixed list of UCUM codes.
//!
//! A validator of UCUM alone would accept `C`, which is coulomb; the closed list cannot.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;
use std::fmt;

/// The units that a method, an instrument or a record may name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Unit {
    /// Gram.
    #[serde(rename = "g")]
    Gram,
    /// Kilogram.
    #[serde(rename = "kg")]
    Kilogram,
    /// International avoirdupois pound.
    #[serde(rename = "[lb_av]")]
    Pound,
    /// International avoirdupois ounce.
    #[serde(rename = "[oz_av]")]
    Ounce,
    /// Degree Celsius.
    #[serde(rename = "Cel")]
    Celsius,
    /// Degree Fahrenheit.
    #[serde(rename = "[degF]")]
    Fahrenheit,
    /// International inch.
    #[serde(rename = "[in_i]")]
    Inch,
    /// Millimetre.
    #[serde(rename = "mm")]
    Millimetre,
    /// Second.
    #[serde(rename = "s")]
    Second,
    /// Minute.
    #[serde(rename = "min")]
    Minute,
    /// Day.
    #[serde(rename = "d")]
    Day,
    /// Millilitre.
    #[serde(rename = "mL")]
    Millilitre,
    /// Litre.
    #[serde(rename = "L")]
    Litre,
    /// Percent.
    #[serde(rename = "%")]
    Percent,
    /// Dimensionless; the sand equivalent itself.
    #[serde(rename = "1")]
    One,
    /// Complete cycles of the shaker a minute.
    #[serde(rename = "{cycles}/min")]
    CyclesPerMinute,
}

/// What a unit measures. Two quantities compare only within one kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Grams, kilograms, pounds, ounces.
    Mass,
    /// Degrees Celsius or Fahrenheit.
    Temperature,
    /// Inches or millimetres.
    Length,
    /// Seconds, minutes, days.
    Time,
    /// Millilitres or litres.
    Volume,
    /// Everything that stands alone.
    Other,
}

impl Unit {
    /// Every unit, in the order of the documentation.
    pub const ALL: [Self; 16] = [
        Self::Gram,
        Self::Kilogram,
        Self::Pound,
        Self::Ounce,
        Self::Celsius,
        Self::Fahrenheit,
        Self::Inch,
        Self::Millimetre,
        Self::Second,
        Self::Minute,
        Self::Day,
        Self::Millilitre,
        Self::Litre,
        Self::Percent,
        Self::One,
        Self::CyclesPerMinute,
    ];

    /// The UCUM code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Gram => "g",
            Self::Kilogram => "kg",
            Self::Pound => "[lb_av]",
            Self::Ounce => "[oz_av]",
            Self::Celsius => "Cel",
            Self::Fahrenheit => "[degF]",
            Self::Inch => "[in_i]",
            Self::Millimetre => "mm",
            Self::Second => "s",
            Self::Minute => "min",
            Self::Day => "d",
            Self::Millilitre => "mL",
            Self::Litre => "L",
            Self::Percent => "%",
            Self::One => "1",
            Self::CyclesPerMinute => "{cycles}/min",
        }
    }

    /// What people write.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Pound => "lb",
            Self::Ounce => "oz",
            Self::Celsius => "°C",
            Self::Fahrenheit => "°F",
            Self::Inch => "in",
            Self::One => "",
            Self::CyclesPerMinute => "cycles/min",
            other => other.code(),
        }
    }

    /// The unit of a UCUM code of the list.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|u| u.code() == code)
    }

    /// What the unit measures.
    pub const fn kind(self) -> Kind {
        match self {
            Self::Gram | Self::Kilogram | Self::Pound | Self::Ounce => Kind::Mass,
            Self::Celsius | Self::Fahrenheit => Kind::Temperature,
            Self::Inch | Self::Millimetre => Kind::Length,
            Self::Second | Self::Minute | Self::Day => Kind::Time,
            Self::Millilitre | Self::Litre => Kind::Volume,
            Self::Percent | Self::One | Self::CyclesPerMinute => Kind::Other,
        }
    }

    /// `(numerator, denominator, offset)`: value in the kind's base = (value - offset) * n / d.
    /// All factors are exact by definition (pound 453.59237 g, inch 25.4 mm, °F by 5/9).
    const fn to_base(self) -> (i64, i64, i64) {
        match self {
            Self::Kilogram | Self::Litre => (1000, 1, 0),
            Self::Pound => (45_359_237, 100_000, 0),
            Self::Ounce => (45_359_237, 1_600_000, 0),
            Self::Fahrenheit => (5, 9, 32),
            Self::Inch => (254, 10, 0),
            Self::Minute => (60, 1, 0),
            Self::Day => (86_400, 1, 0),
            _ => (1, 1, 0),
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// A decimal value with its unit. The scale (digits after the point) is kept as it was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Quantity {
    /// The value, with the digits that were read.
    #[serde(with = "rust_decimal::serde::str")]
    pub value: Decimal,
    /// Its unit.
    pub unit: Unit,
}

impl Quantity {
    /// A quantity.
    pub const fn new(value: Decimal, unit: Unit) -> Self {
        Self { value, unit }
    }

    /// A value and its UCUM code with a space between: `0.01 g`. `None` for anything else.
    pub fn from_text(text: &str) -> Option<Self> {
        let (value, code) = text.split_once(' ')?;
        let plain = value.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'-'));
        let value = Decimal::from_str_exact(value).ok().filter(|_| plain)?;
        Some(Self::new(value, Unit::from_code(code)?))
    }

    /// Exact comparison, also across units of one kind: both sides are brought to one
    /// denominator as whole numbers, so no limit is ever rounded.
    /// `None` for different kinds, or for numbers too large to be a reading.
    pub fn compare(&self, other: &Self) -> Option<Ordering> {
        if self.unit == other.unit {
            return Some(self.value.cmp(&other.value));
        }
        if self.unit.kind() != other.unit.kind() || self.unit.kind() == Kind::Other {
            return None;
        }
        let ((an, ad, ao), (bn, bd, bo)) = (self.unit.to_base(), other.unit.to_base());
        let left = self.value.checked_sub(ao.into())?.checked_mul((an * bd).into())?;
        let right = other.value.checked_sub(bo.into())?.checked_mul((bn * ad).into())?;
        Some(left.cmp(&right))
    }

    /// The value in another unit of the same kind, for display and for means; at most 28 digits.
    pub fn convert(&self, unit: Unit) -> Option<Self> {
        if self.unit == unit {
            return Some(*self);
        }
        if self.unit.kind() != unit.kind() || self.unit.kind() == Kind::Other {
            return None;
        }
        let ((an, ad, ao), (bn, bd, bo)) = (self.unit.to_base(), unit.to_base());
        let value = self
            .value
            .checked_sub(ao.into())?
            .checked_mul((an * bd).into())?
            .checked_div((ad * bn).into())?
            .checked_add(bo.into())?;
        Some(Self { value: value.normalize(), unit })
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.unit == Unit::One {
            write!(f, "{}", self.value)
        } else {
            write!(f, "{} {}", self.value, self.unit)
        }
    }
}

/// Where a value lies against two inclusive limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Under the lower limit.
    Below,
    /// Between the limits, ends included.
    Within,
    /// Over the upper limit.
    Above,
}

/// Inclusive limits in the method's own unit; a missing end is no limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Range {
    /// Smallest value allowed.
    pub min: Option<Decimal>,
    /// Largest value allowed.
    pub max: Option<Decimal>,
    /// Unit of both.
    pub unit: Unit,
}

impl Range {
    /// On which side of the limits a reading lies; `None` if it cannot be compared.
    pub fn side(&self, reading: &Quantity) -> Option<Side> {
        let against = |limit: Option<Decimal>| limit.map(|v| reading.compare(&Quantity::new(v, self.unit)));
        match (against(self.min), against(self.max)) {
            (Some(None), _) | (_, Some(None)) => None,
            (Some(Some(Ordering::Less)), _) => Some(Side::Below),
            (_, Some(Some(Ordering::Greater))) => Some(Side::Above),
            _ => Some(Side::Within),
        }
    }
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.min, self.max) {
            (Some(a), Some(b)) => write!(f, "{a} to {b} {}", self.unit),
            (Some(a), None) => write!(f, "at least {a} {}", self.unit),
            (None, Some(b)) => write!(f, "at most {b} {}", self.unit),
            (None, None) => f.write_str("no limit"),
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;

    fn q(text: &str, unit: Unit) -> Quantity {
        Quantity::new(text.parse().unwrap(), unit)
    }

    #[test]
    fn the_same_warmth_in_the_other_unit_is_not_rounded_across_a_limit() {
        let celsius = Range { min: Some(19.into()), max: Some(25.into()), unit: Unit::Celsius };
        // 66.2 °F is 19 °C exactly, 77 °F is 25 °C exactly (ISO 80000-5: t_F = 9/5 t_C + 32).
        assert_eq!(celsius.side(&q("66.2", Unit::Fahrenheit)), Some(Side::Within));
        assert_eq!(celsius.side(&q("66.1999", Unit::Fahrenheit)), Some(Side::Below));
        assert_eq!(celsius.side(&q("77.0", Unit::Fahrenheit)), Some(Side::Within));
        assert_eq!(celsius.side(&q("77.0001", Unit::Fahrenheit)), Some(Side::Above));
        let fahrenheit = Range { min: Some(67.into()), max: Some(77.into()), unit: Unit::Fahrenheit };
        // 67 °F is 19.444… °C: no finite decimal, so a rounded limit would be wrong on one side.
        assert_eq!(fahrenheit.side(&q("19.4444", Unit::Celsius)), Some(Side::Below));
        assert_eq!(fahrenheit.side(&q("19.4445", Unit::Celsius)), Some(Side::Within));
    }

    #[test]
    fn masses_convert_by_their_definitions() {
        assert_eq!(q("1", Unit::Pound).convert(Unit::Gram), Some(q("453.59237", Unit::Gram)));
        assert_eq!(q("16", Unit::Ounce).compare(&q("1", Unit::Pound)), Some(Ordering::Equal));
        assert_eq!(q("1", Unit::Gram).compare(&q("1", Unit::Celsius)), None);
    }

    #[test]
    fn every_unit_is_found_by_its_code_and_serialises_as_it() {
        for unit in Unit::ALL {
            assert_eq!(Unit::from_code(unit.code()), Some(unit));
            assert_eq!(serde_json::to_value(unit).unwrap(), unit.code());
        }
        assert_eq!(Unit::from_code("C"), None);
    }
}
