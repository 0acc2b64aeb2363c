//! The small shapes inside a document: instants, measurements, weighings.

use super::put;
use crate::domain::moment::{Basis, Elapsed, Moment, Stamp, WallState};
use crate::domain::quantity::{Quantity, Range, Unit};
use crate::domain::reading::{Applied, Certificate, StableBy, Wire};
use crate::domain::specimen::judge::seconds;
use crate::domain::specimen::{By, Marked, Weighing};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

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
/// Fields stand in the order of their names, as in every document.
#[derive(Debug, Serialize)]
#[serde(rename_all = "camelCase")]
struct MomentTold {
    boot_clock: BootClock,
    doubt_ns: i64,
    stamp: Stamp,
    time: String,
    wall_clock: WallState,
}

#[derive(Debug, Serialize)]
struct BootClock {
    boot: Uuid,
    /// As text: nanoseconds outgrow the whole numbers of a double within four months.
    text: String,
    unit: &'static str,
}

impl MomentTold {
    fn of(moment: &Moment) -> Self {
        Self {
            boot_clock: BootClock {
                boot: moment.boot,
                text: Decimal::from_i128_with_scale(i128::from(moment.boot_ns), 9).to_string(),
                unit: Unit::Second.code(),
            },
            doubt_ns: moment.doubt_ns,
            stamp: moment.stamp,
            time: time(moment.wall_ns),
            wall_clock: moment.wall,
        }
    }
}

pub(super) fn moment(moment: &Moment) -> Value {
    tree(&MomentTold::of(moment))
}

pub(super) fn marked(marked: &Marked) -> Value {
    let mut value = moment(&marked.moment);
    put(&mut value, "by", by(&marked.by));
    value
}

/// A weighing with its origin down to the raw bytes. It is by far the most frequent document, and goes
/// into text without a tree between; fields stand in the order of their names.
#[derive(Debug, Serialize)]
pub(super) struct WeighingTold<'a> {
    at: MomentTold,
    #[serde(skip_serializing_if = "Option::is_none")]
    confirmed: Option<Value>,
    id: Uuid,
    origin: Origin<'a>,
    text: String,
    unit: &'static str,
    value: Value,
    /// Who asked for the mass and so weighed it, where that is a person with a name.
    #[serde(rename = "weighedBy", skip_serializing_if = "Option::is_none")]
    weighed_by: Option<Value>,
}

/// Instrument, port and bytes; who called the mass stable, where that was not the balance, and the
/// lines that it stands on; what was read, where that was corrected.
#[derive(Debug, Serialize)]
#[serde(rename_all = "camelCase")]
struct Origin<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    correction: Option<Value>,
    instrument: &'a str,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    lines: &'a [String],
    port: &'a str,
    raw: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    stable_by: Option<StableBy>,
}

impl<'a> WeighingTold<'a> {
    pub(super) fn of(weighing: &'a Weighing) -> Self {
        Self {
            at: MomentTold::of(&weighing.moment),
            confirmed: weighing.confirmed.as_ref().map(marked),
            id: weighing.id,
            origin: Origin::of(&weighing.wire, weighing.mass.unit),
            text: weighing.mass.value.to_string(),
            unit: weighing.mass.unit.code(),
            value: number(weighing.mass.value),
            weighed_by: weighing.asked.as_ref().filter(|by| by.person.is_some()).map(by),
        }
    }

    /// It says who weighed.
    pub(super) const fn tells_who(&self) -> bool {
        self.weighed_by.is_some()
    }

    /// It says what only the fuller schema knows.
    pub(super) fn tells_more(&self) -> bool {
        let Origin { correction, lines, stable_by, .. } = &self.origin;
        self.confirmed.is_some() || correction.is_some() || stable_by.is_some() || !lines.is_empty()
    }
}

impl<'a> Origin<'a> {
    fn of(wire: &'a Wire, unit: Unit) -> Self {
        let correction = wire.corrected.as_ref().map(|corrected| {
            let mut correction = applied(&corrected.applied, unit);
            put(&mut correction, "certificate", certificate(&corrected.certificate));
            correction
        });
        Self {
            correction,
            instrument: &wire.instrument,
            lines: &wire.lines,
            port: &wire.port,
            raw: &wire.raw,
            stable_by: wire.stable_by,
        }
    }
}

pub(super) fn weighing(weighing: &Weighing) -> Value {
    tree(&WeighingTold::of(weighing))
}

/// The same as a part of a document that is still being made.
fn tree(part: &impl Serialize) -> Value {
    // Plain data with string keys, which always serialises.
    serde_json::to_value(part).unwrap_or_default()
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
