//! Values with their source: `{ value, unit, source, confidence }` and `{ min, max, unit, … }`.
//!
//! Digits are taken from the text as they stand there, never through binary floating point.
//! An outer `None` is a fault, already noted; an inner `None` is a value that is not there.
#![expect(clippy::option_option, reason = "absent, wrong and right are three things here")]

use super::walk::{Node, Table, Walk, listed, shown};
use crate::domain::method::{Confidence, Requirement, Sourced};
use crate::domain::moment::{MINUTE, SECOND};
use crate::domain::quantity::{Kind, Range, Unit};
use rust_decimal::Decimal;
use std::ops::RangeInclusive;
use toml::de::DeValue;

const CONFIDENCES: [(&str, Confidence); 7] = [
    ("read", Confidence::Read),
    ("secondary", Confidence::Secondary),
    ("from-memory", Confidence::FromMemory),
    ("derived", Confidence::Derived),
    ("common-practice", Confidence::CommonPractice),
    ("agency", Confidence::Agency),
    ("unknown", Confidence::Unknown),
];

/// Which units a value may have.
#[derive(Clone, Copy)]
pub(crate) enum Units {
    /// Any unit of one kind.
    Of(Kind),
    /// This unit and no other.
    Only(Unit),
    /// Any unit of the list.
    Any,
    /// A number that stands alone: `1`, or no unit at all.
    Bare,
}

impl Units {
    fn allow(self, unit: Unit) -> bool {
        match self {
            Self::Of(kind) => unit.kind() == kind,
            Self::Only(only) => unit == only,
            Self::Any => true,
            Self::Bare => unit == Unit::One,
        }
    }

    fn listed(self) -> String {
        let codes: Vec<_> = Unit::ALL.into_iter().filter(|unit| self.allow(*unit)).map(Unit::code).collect();
        if let [code] = codes.as_slice() { format!("`{code}`") } else { format!("one of {}", listed(&codes)) }
    }
}

/// Two ends of a window of time with their shared source, in nanoseconds.
pub(super) struct Window {
    pub(super) min_ns: Sourced<i64>,
    pub(super) max_ns: Sourced<i64>,
}

impl<'t> Walk<'t> {
    /// A number with a unit.
    pub(super) fn decimal(&mut self, table: &Table<'t>, key: &str, units: Units) -> Option<Sourced<Decimal>> {
        let inner = self.table(table, key)?;
        self.only(&inner, &["value", "unit", "source", "confidence"]);
        let number = inner.get("value").map(|node| self.as_decimal(&node));
        let unit = self.unit(&inner, units, number.is_some());
        let sourced = self.sourced(&inner, number.is_some());
        let value = transposed(number)?;
        unit?;
        Some(sourced?.with(value))
    }

    /// A number that must not be negative.
    pub(super) fn amount(&mut self, table: &Table<'t>, key: &str, units: Units) -> Option<Sourced<Decimal>> {
        let sourced = self.decimal(table, key, units)?;
        if sourced.value.is_some_and(|value| value.is_sign_negative() && !value.is_zero()) {
            self.bad_value(table, key, "a number that is not negative");
            return None;
        }
        Some(sourced)
    }

    /// A number above nought.
    pub(crate) fn positive(
        &mut self,
        table: &Table<'t>,
        key: &str,
        units: Units,
    ) -> Option<Sourced<Decimal>> {
        let sourced = self.decimal(table, key, units)?;
        if sourced.value.is_some_and(|value| value <= Decimal::ZERO) {
            self.bad_value(table, key, "a number above 0");
            return None;
        }
        Some(sourced)
    }

    /// A duration, in nanoseconds.
    pub(crate) fn duration(&mut self, table: &Table<'t>, key: &str) -> Option<Sourced<i64>> {
        let inner = self.table(table, key)?;
        self.only(&inner, &["value", "unit", "source", "confidence"]);
        let node = inner.get("value");
        let number = node.as_ref().map(|node| self.as_decimal(node));
        let unit = self.unit(&inner, Units::Of(Kind::Time), node.is_some());
        let sourced = self.sourced(&inner, node.is_some());
        let value = transposed(number)?;
        let ns = match (node, value, unit?) {
            (Some(node), Some(value), Some(unit)) => Some(self.nanoseconds(&node, value, unit)?),
            _ => None,
        };
        Some(sourced?.with(ns))
    }

    /// A count within bounds.
    pub(super) fn count(
        &mut self,
        table: &Table<'t>,
        key: &str,
        bounds: RangeInclusive<u32>,
    ) -> Option<Sourced<u32>> {
        let sourced = self.decimal(table, key, Units::Bare)?;
        let Some(value) = sourced.value else { return Some(sourced.without()) };
        match u32::try_from(value) {
            Ok(count) if value.fract().is_zero() && bounds.contains(&count) => {
                Some(sourced.with(Some(count)))
            }
            _ => {
                self.bad_value(
                    table,
                    key,
                    &format!("a whole number from {} to {}", bounds.start(), bounds.end()),
                );
                None
            }
        }
    }

    /// A text with its source.
    pub(super) fn sourced_text(&mut self, table: &Table<'t>, key: &str) -> Option<Sourced<String>> {
        let inner = self.table(table, key)?;
        self.only(&inner, &["value", "source", "confidence"]);
        let text = inner.get("value").map(|node| self.as_text(&node));
        let sourced = self.sourced(&inner, text.is_some());
        Some(sourced?.with(transposed(text)?))
    }

    /// A named rule of a closed list with its source.
    pub(super) fn rule<T: Copy>(
        &mut self,
        table: &Table<'t>,
        key: &str,
        list: &[(&str, T)],
    ) -> Option<Sourced<T>> {
        let inner = self.table(table, key)?;
        self.only(&inner, &["value", "source", "confidence"]);
        let rule = inner.get("value").map(|node| self.as_word(&node, list));
        let sourced = self.sourced(&inner, rule.is_some());
        Some(sourced?.with(transposed(rule)?))
    }

    /// Limits with their source. Neither end: no limit.
    pub(super) fn range(&mut self, table: &Table<'t>, key: &str, units: Units) -> Option<Sourced<Range>> {
        let inner = self.table(table, key)?;
        self.only(&inner, &["min", "max", "unit", "source", "confidence"]);
        let limits = self.limits(&inner, units);
        let sourced = self.sourced(&inner, inner.get("min").or(inner.get("max")).is_some());
        Some(sourced?.with(limits?))
    }

    /// A window of time with its source.
    pub(super) fn window(&mut self, table: &Table<'t>, key: &str) -> Option<Window> {
        let inner = self.table(table, key)?;
        self.only(&inner, &["min", "max", "unit", "source", "confidence"]);
        let limits = self.limits(&inner, Units::Of(Kind::Time));
        let sourced = self.sourced(&inner, inner.get("min").or(inner.get("max")).is_some());
        let limits = limits?;
        let min = self.end_ns(&inner, "min", limits, |range| range.min);
        let max = self.end_ns(&inner, "max", limits, |range| range.max);
        let sourced = sourced?;
        Some(Window { min_ns: sourced.clone().with(min?), max_ns: sourced.with(max?) })
    }

    fn end_ns(
        &mut self,
        inner: &Table<'t>,
        key: &str,
        limits: Option<Range>,
        end: fn(&Range) -> Option<Decimal>,
    ) -> Option<Option<i64>> {
        let Some((node, range)) = inner.get(key).zip(limits) else { return Some(None) };
        let Some(value) = end(&range) else { return Some(None) };
        self.nanoseconds(&node, value, range.unit).map(Some)
    }

    /// A requirement in words, with figures where it has a range.
    pub(super) fn requirement(&mut self, table: &Table<'t>) -> Option<Requirement> {
        self.only(table, &["name", "text", "min", "max", "unit", "source", "confidence"]);
        let name = self.text(table, "name");
        let text = self.text(table, "text");
        let limits = self.limits(table, Units::Any);
        let sourced = self.sourced(table, table.get("min").or(table.get("max")).is_some());
        let Sourced { source, confidence, .. } = sourced?;
        Some(Requirement { name: name?, text: text?, limits: limits?, source, confidence })
    }

    /// `min`, `max` and `unit` of a table; `Some(None)` where it has neither end.
    fn limits(&mut self, table: &Table<'t>, units: Units) -> Option<Option<Range>> {
        let (low, high) = (table.get("min"), table.get("max"));
        let min = low.as_ref().map(|node| self.as_decimal(node));
        let max = high.as_ref().map(|node| self.as_decimal(node));
        let unit = self.unit(table, units, low.is_some() || high.is_some());
        let (min, max) = (transposed(min)?, transposed(max)?);
        if let (Some(low), Some(a), Some(b)) = (&low, min, max)
            && a > b
        {
            self.fault(
                low.at,
                &low.key,
                format!("{a}, which is over `max` = {b}"),
                "a `min` that is not over `max`",
            );
            return None;
        }
        let unit = unit?;
        if min.is_none() && max.is_none() {
            return Some(None);
        }
        Some(Some(Range { min, max, unit: unit? }))
    }

    /// The unit: needed where there is a number, checked wherever it stands.
    fn unit(&mut self, table: &Table<'t>, units: Units, needed: bool) -> Option<Option<Unit>> {
        match table.get("unit") {
            Some(node) => {
                let code = if let DeValue::String(code) = node.value { Unit::from_code(code) } else { None };
                if let Some(unit) = code.filter(|unit| units.allow(*unit)) {
                    return Some(Some(unit));
                }
                self.wrong(&node, units.listed());
                None
            }
            None if matches!(units, Units::Bare) => Some(Some(Unit::One)),
            None if needed => {
                self.fault(table.at, &table.path("unit"), "nothing", units.listed());
                None
            }
            None => Some(None),
        }
    }

    /// Source and confidence of a table, with the value still to come.
    pub(crate) fn sourced(&mut self, table: &Table<'t>, has_value: bool) -> Option<Sourced<()>> {
        let source = self.text(table, "source");
        let confidence = self.word(table, "confidence", &CONFIDENCES)?;
        if has_value && confidence == Confidence::Unknown {
            let at = table.get("confidence").map_or(table.at, |node| node.at);
            let expected = "no value, or a confidence that says how well the value is known";
            self.fault(at, &table.path("confidence"), "`unknown` beside a value", expected);
            return None;
        }
        Some(Sourced { value: None, source: source?, confidence })
    }

    /// Notes that a value, of the right type and unit, makes no sense.
    pub(crate) fn bad_value(&mut self, table: &Table<'t>, key: &str, expected: &str) {
        let node = table.get(key).and_then(|node| match node.value {
            DeValue::Table(_) => self.as_table(node)?.get("value"),
            _ => Some(node),
        });
        if let Some(node) = node {
            self.fault(node.at, &node.key, shown(node.value), expected);
        }
    }

    /// The digits of a number, as they stand in the text.
    pub(crate) fn as_decimal(&mut self, node: &Node<'t>) -> Option<Decimal> {
        let digits = match node.value {
            DeValue::Integer(digits) if digits.radix() == 10 => digits.as_str(),
            DeValue::Float(digits) => digits.as_str(),
            DeValue::String(digits) => digits.as_ref(),
            _ => "",
        };
        let plain = !digits.contains('_') && digits.bytes().any(|byte| byte.is_ascii_digit());
        let number = if plain { Decimal::from_str_exact(digits).ok() } else { None };
        if number.is_none() {
            self.wrong(node, "a decimal number such as 14.9, of at most 28 digits");
        }
        number
    }

    /// A time in nanoseconds, exactly.
    fn nanoseconds(&mut self, node: &Node<'t>, value: Decimal, unit: Unit) -> Option<i64> {
        let ns = exact_nanoseconds(value, unit);
        if ns.is_none() {
            self.wrong(
                node,
                "a time that is not negative and a whole number of nanoseconds, at most 292 years",
            );
        }
        ns
    }
}

/// Whole numbers only: a product of decimals may be rounded, a product of integers may not.
fn exact_nanoseconds(value: Decimal, unit: Unit) -> Option<i64> {
    let factor = match unit {
        Unit::Second => SECOND,
        Unit::Minute => MINUTE,
        Unit::Day => 24 * 60 * MINUTE,
        _ => return None,
    };
    let value = value.normalize();
    let product = value.mantissa().checked_mul(i128::from(factor))?;
    let scale = 10_i128.checked_pow(value.scale())?;
    let ns = i64::try_from(product / scale).ok()?;
    (product % scale == 0 && ns >= 0).then_some(ns)
}

impl<T> Sourced<T> {
    /// The same source for another value.
    pub(super) fn with<U>(self, value: Option<U>) -> Sourced<U> {
        Sourced { value, source: self.source, confidence: self.confidence }
    }

    fn without<U>(self) -> Sourced<U> {
        self.with(None)
    }
}

/// Absent is fine; present and wrong is not.
fn transposed<T>(read: Option<Option<T>>) -> Option<Option<T>> {
    match read {
        None => Some(None),
        Some(None) => None,
        Some(Some(value)) => Some(Some(value)),
    }
}
