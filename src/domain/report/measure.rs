//! The small shapes inside a document: instants, measurements, weighings.

use super::put;
use crate::domain::moment::{Basis, Elapsed, Moment, WallState};
use crate::domain::quantity::{Quantity, Range, Unit};
use crate::domain::reading::{Applied, Certificate, Wire};
use crate::domain::specimen::judge::seconds;
use crate::domain::specimen::{By, Marked, Weighing};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::{Value, json};

/// RFC 3339 in UTC with milliseconds; the lowest instant if it lies outside the calendar.
pub fn time(wall_ns: i64) -> String {
    let stamp = jiff::Timestamp::from_nanosecond(i128::from(wall_ns)).unwrap_or(jiff::Timestamp::MIN);
    format!("{stamp:.3}")
}

/// A number as JSON: what a reader may compute with, never what anything was decided by.
pub(super) fn number(value: Decimal) -> Value {
    if value.fract().is_zero()
        && let Some(whole) = value.to_i64()
    {
        return json!(whole);
    }
    value.to_f64().map_or(Value::Null, |v| json!(v))
}

/// A figure: the digits as they stand, a number for machines, and the unit's UCUM code.
pub fn figure(value: Decimal, unit: Unit) -> Value {
    json!({ "value": number(value), "text": value.to_string(), "unit": unit.code() })
}

pub(super) fn quantity(quantity: &Quantity) -> Value {
    figure(quantity.value, quantity.unit)
}

pub(super) fn range(range: &Range) -> Value {
    let end = |v: Option<Decimal>| v.map(|v| v.normalize().to_string());
    json!({ "min": end(range.min), "max": end(range.max), "unit": range.unit.code() })
}

/// A duration in seconds at the method's resolution, with the exact nanoseconds beside it.
pub(super) fn duration(elapsed: Elapsed, resolution_ns: i64) -> Value {
    let text = seconds(elapsed.ns, resolution_ns);
    json!({
        "value": text.parse::<Decimal>().map_or(Value::Null, number),
        "text": text,
        "unit": Unit::Second.code(),
        "exactNs": elapsed.ns,
        "clock": match elapsed.basis { Basis::BootClock => "boot-clock", Basis::WallClock => "wall-clock" },
    })
}

pub(super) fn by(by: &By) -> Value {
    json!({ "person": by.person, "via": by.via })
}

/// An instant on both clocks: wall time for people, the boot clock for whoever checks a duration.
pub(super) fn moment(moment: &Moment) -> Value {
    json!({
        "time": time(moment.wall_ns),
        "bootClock": {
            "boot": moment.boot,
            // As text: nanoseconds outgrow the whole numbers of a double within four months.
            "text": Decimal::from_i128_with_scale(i128::from(moment.boot_ns), 9).to_string(),
            "unit": Unit::Second.code(),
        },
        "wallClock": match moment.wall {
            WallState::Synchronised => "synchronised",
            WallState::Unsynchronised => "unsynchronised",
            WallState::Unknown => "unknown",
        },
        "stamp": serde_json::to_value(moment.stamp).unwrap_or(Value::Null),
        "doubtNs": moment.doubt_ns,
    })
}

pub(super) fn marked(marked: &Marked) -> Value {
    let mut value = moment(&marked.moment);
    put(&mut value, "by", by(&marked.by));
    value
}

/// A weighing with its origin down to the raw bytes.
pub(super) fn weighing(weighing: &Weighing) -> Value {
    let mut value = quantity(&weighing.mass);
    put(&mut value, "id", json!(weighing.id));
    put(&mut value, "at", moment(&weighing.moment));
    put(&mut value, "origin", origin(&weighing.wire, weighing.mass.unit));
    if let Some(confirmed) = &weighing.confirmed {
        put(&mut value, "confirmed", marked(confirmed));
    }
    value
}

/// Instrument, port and bytes; who called the mass stable, where that was not the balance, and the
/// lines that it stands on; what was read, where that was corrected.
fn origin(wire: &Wire, unit: Unit) -> Value {
    let mut value = json!({ "instrument": wire.instrument, "port": wire.port, "raw": wire.raw });
    if let Value::Object(fields) = &mut value {
        if let Some(stable_by) = wire.stable_by {
            fields.insert("stableBy".to_owned(), json!(stable_by));
        }
        if !wire.lines.is_empty() {
            fields.insert("lines".to_owned(), json!(wire.lines));
        }
        if let Some(corrected) = &wire.corrected {
            let mut correction = applied(&corrected.applied, unit);
            if let Value::Object(inner) = &mut correction {
                inner.insert("certificate".to_owned(), certificate(&corrected.certificate));
            }
            fields.insert("correction".to_owned(), correction);
        }
    }
    value
}

/// What was read and what was added to it.
pub fn applied(applied: &Applied, unit: Unit) -> Value {
    json!({ "reading": figure(applied.reading, unit), "added": figure(applied.correction, unit) })
}

/// A certificate as documents name it.
pub(super) fn certificate(certificate: &Certificate) -> Value {
    json!({ "number": certificate.number, "date": certificate.date })
}

/// A quantity with the correction that made it, where one did.
pub(super) fn corrected(of: &Quantity, how: Option<&Applied>) -> Value {
    let mut value = quantity(of);
    if let (Value::Object(fields), Some(how)) = (&mut value, how) {
        fields.insert("correction".to_owned(), applied(how, of.unit));
    }
    value
}
