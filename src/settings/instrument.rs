//! What the settings say of one very instrument: the smallest step of its display, and the
//! correction of its certificate.

use super::model::{CorrectionSettings, Instrument};
use crate::domain::quantity::{Kind, Quantity, Unit};
use crate::domain::reading::{Certificate, Correction, InstrumentKind, Readability, Rule};
use rust_decimal::Decimal;

/// A key under the instrument, and what is wrong with it.
pub type Wrong = (String, String);

impl Instrument {
    /// The smallest step of its display, where it is set.
    ///
    /// # Errors
    /// Key and fault.
    pub fn readability(&self) -> Result<Option<Readability>, Wrong> {
        let Some(text) = &self.readability else { return Ok(None) };
        let wrong = |what: &str| ("readability".to_owned(), format!("`{text}` {what}"));
        if self.kind != InstrumentKind::Balance {
            return Err(wrong("is of no use here; only a balance has a readability"));
        }
        Quantity::from_text(text)
            .filter(|step| step.unit.kind() == Kind::Mass)
            .and_then(Readability::new)
            .map(Some)
            .ok_or_else(|| {
                wrong("is no smallest step of a balance; give a number and a unit, such as `0.01 g`")
            })
    }

    /// The correction of its certificate, where it is set.
    ///
    /// # Errors
    /// All keys with faults.
    pub fn correction(&self) -> Result<Option<Correction>, Vec<Wrong>> {
        self.correction.as_ref().map(|correction| read(correction, self.kind)).transpose()
    }
}

fn read(given: &CorrectionSettings, kind: InstrumentKind) -> Result<Correction, Vec<Wrong>> {
    let mut wrong: Vec<Wrong> = Vec::new();
    let mut fault = |key: &str, what: String| wrong.push((format!("correction.{key}"), what));
    if given.certificate.trim().is_empty() || given.certificate.chars().count() > 60 {
        fault("certificate", "give the certificate's number, at most 60 characters".to_owned());
    }
    if given.date.parse::<jiff::civil::Date>().is_err() {
        fault(
            "date",
            format!("`{}` is no day; give the day of the calibration, such as 2026-03-01", given.date),
        );
    }
    let measures = if kind == InstrumentKind::Balance { Kind::Mass } else { Kind::Temperature };
    let unit = Unit::from_code(&given.unit).filter(|unit| unit.kind() == measures);
    if unit.is_none() {
        let known: Vec<_> =
            Unit::ALL.iter().filter(|u| u.kind() == measures).map(|u| format!("`{}`", u.code())).collect();
        fault("unit", format!("`{}` is no unit of this instrument; use {}", given.unit, known.join(", ")));
    }
    let mut number = |key: &str, text: &str| {
        let number = decimal(text);
        if number.is_none() {
            fault(key, format!("`{text}` is no plain decimal, such as -0.12"));
        }
        number
    };
    let rule = match (&given.offset, &given.points) {
        (Some(offset), None) => number("offset", offset).map(Rule::Offset),
        (None, Some(points)) => {
            let read: Vec<_> = points
                .iter()
                .map(|point| {
                    let at = number("points.reading", &point.reading);
                    at.zip(number("points.correction", &point.correction))
                })
                .collect();
            read.into_iter().collect::<Option<Vec<_>>>().map(Rule::Points)
        }
        _ => {
            fault("offset", "give either `offset` or `points`".to_owned());
            None
        }
    };
    let certificate = Certificate { number: given.certificate.trim().to_owned(), date: given.date.clone() };
    match (unit, rule) {
        (Some(unit), Some(rule)) if wrong.is_empty() => Correction::new(certificate, unit, rule)
            .map_err(|what| vec![("correction.points".to_owned(), what)]),
        _ => Err(wrong),
    }
}

/// A plain decimal of at most 12 digits.
fn decimal(text: &str) -> Option<Decimal> {
    let digits = text.bytes().filter(u8::is_ascii_digit).count();
    let plain = text.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'-' | b'+'));
    Decimal::from_str_exact(text).ok().filter(|_| plain && digits <= 12)
}
