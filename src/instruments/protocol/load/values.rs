//! The single values of a shape file.
#![expect(clippy::option_option, reason = "absent, wrong and right are three things here")]

use super::super::speak::Template;
use super::super::{Scpi, Stability};
use super::{codes, measures};
use crate::domain::method::load::walk::{Node, Table, Walk, shown};
use crate::domain::moment::SECOND;
use crate::domain::quantity::{Kind, Quantity, Unit};
use crate::domain::reading::{InstrumentKind, Readability};
use crate::instruments::Request;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use std::time::Duration;
use toml::de::DeValue;

/// Speeds that serial ports know, bits a second.
const SPEEDS: [u32; 10] = [300, 600, 1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200];

pub(super) fn speed<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<u32> {
    let speeds = SPEEDS.map(|speed| speed.to_string()).join(", ");
    let expected = format!("bits a second, one of {speeds}");
    let node = walk.need(root, "speed", &expected)?;
    let speed = whole(&node).and_then(|speed| u32::try_from(speed).ok());
    let known = speed.filter(|speed| SPEEDS.contains(speed));
    if known.is_none() {
        walk.wrong(&node, expected);
    }
    known
}

fn whole(node: &Node<'_>) -> Option<u64> {
    match node.value {
        DeValue::Integer(digits) if digits.radix() == 10 => digits.as_str().parse().ok(),
        _ => None,
    }
}

/// How a value is asked for; the inner `None`: it is not.
pub(super) fn request<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Option<Request>> {
    if root.get("request").is_none() {
        return Some(None);
    }
    let table = walk.table(root, "request")?;
    walk.only(&table, &["send", "every-s", "answer-within-ms"]);
    let send = walk.need(&table, "send", "the bytes to send, as a text").and_then(|node| as_raw(walk, &node));
    let (every_ns, answer_within) = pace(walk, &table)?;
    Some(Some(Request { send: send?.into_bytes(), every_ns, answer_within }))
}

/// What it can be asked beside its values; the inner `None`: nothing.
pub(super) fn scpi<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Option<Scpi>> {
    if root.get("scpi").is_none() {
        return Some(None);
    }
    let table = walk.table(root, "scpi")?;
    walk.only(&table, &["identity", "errors"]);
    if root.get("request").is_none() {
        walk.fault(table.at, "scpi", "no `[request]`", "an instrument that is asked for its values too");
        return None;
    }
    let mut question = |key: &str| match table.get(key) {
        Some(node) => as_raw(walk, &node).map(|text| Some(text.into_bytes())),
        None => Some(None),
    };
    let (identity, errors) = (question("identity"), question("errors"));
    Some(Some(Scpi { identity: identity?, errors: errors? }))
}

/// How often, in nanoseconds, and how long for an answer.
pub(super) fn pace<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<(i64, Duration)> {
    let every = every(walk, table);
    let within = milliseconds(walk, table, "answer-within-ms");
    if let (Some(every), Some(within)) = (every, within)
        && within.as_nanos() > u128::try_from(every).unwrap_or_default()
    {
        walk.bad_value(table, "answer-within-ms", "no more time than `every-s` leaves");
        return None;
    }
    Some((every?, within?))
}

fn every<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<i64> {
    let expected = "seconds from 0.1 to 3600";
    let node = walk.need(table, "every-s", expected)?;
    let seconds = walk.as_decimal(&node)?;
    let ns = if seconds >= Decimal::new(1, 1) && seconds <= Decimal::from(3600) {
        seconds.checked_mul(SECOND.into()).and_then(|ns| ns.to_i64())
    } else {
        None
    };
    if ns.is_none() {
        walk.wrong(&node, expected);
    }
    ns
}

pub(super) fn milliseconds<'t>(walk: &mut Walk<'t>, table: &Table<'t>, key: &str) -> Option<Duration> {
    let expected = "a whole number of milliseconds from 10 to 60000";
    let node = walk.need(table, key, expected)?;
    let within = whole(&node).filter(|within| (10..=60_000).contains(within));
    if within.is_none() {
        walk.wrong(&node, expected);
    }
    within.map(Duration::from_millis)
}

/// A text as it stands, spaces and control characters included.
pub(super) fn as_raw<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<String> {
    match node.value {
        DeValue::String(text) if !text.is_empty() => Some(text.to_string()),
        _ => {
            walk.wrong(node, "a text that is not empty");
            None
        }
    }
}

/// The smallest step of the display. The own rule counts in it.
pub(super) fn readability<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    stability: Option<Stability>,
) -> Option<Option<Readability>> {
    let expected = "the smallest step of the display, a text such as `0.01 g`";
    let node = match root.get("readability") {
        Some(node) => node,
        None if stability == Some(Stability::OwnRule) => walk.need(root, "readability", expected)?,
        None => return Some(None),
    };
    let step = match node.value {
        DeValue::String(text) => Quantity::from_text(text),
        _ => None,
    };
    let step = step.filter(|step| step.unit.kind() == Kind::Mass).and_then(Readability::new);
    if step.is_none() {
        walk.wrong(&node, expected);
    }
    step.map(Some)
}

type Units = (Vec<(String, Unit)>, Option<Unit>);

/// The table of texts on the wire, and the unit of lines that name none.
pub(super) fn units<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    kind: Option<InstrumentKind>,
) -> Option<Units> {
    let codes = codes(measures(kind));
    let fixed = match root.get("unit") {
        Some(node) => walk.as_word(&node, &codes).map(Some),
        None => Some(None),
    };
    let mut known = Some(Vec::new());
    if root.get("units").is_some() {
        let table = walk.table(root, "units")?;
        for name in table.names() {
            let Some(node) = table.get(&name) else { continue };
            if name.trim_matches(' ') != name || name.is_empty() {
                walk.fault(node.at, &node.key, format!("`{name}`"), "a text without spaces around it");
                known = None;
            }
            match (walk.as_word(&node, &codes), &mut known) {
                (Some(unit), Some(known)) => known.push((name, unit)),
                _ => known = None,
            }
        }
    }
    Some((known?, fixed?))
}

/// How the simulated instrument says it.
pub(super) fn template<'t>(walk: &mut Walk<'t>, root: &Table<'t>, key: &str) -> Option<Template> {
    let node = walk.need(root, key, "a line with the fields `{sign}`, `{value}`, `{unit}`")?;
    let text = as_raw(walk, &node)?;
    match Template::parse(&text) {
        Ok(template) => Some(template),
        Err(expected) => {
            walk.fault(node.at, &node.key, shown(node.value), expected);
            None
        }
    }
}
