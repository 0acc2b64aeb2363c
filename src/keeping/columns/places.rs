//! Cells that no single place of a document holds. PURE.

#![expect(clippy::unnecessary_wraps, reason = "the list of columns takes functions of one shape")]

use super::{names, plain};
use crate::keeping::words::text;
use serde_json::Value;

fn items<'a>(document: &'a Value, place: &str) -> impl Iterator<Item = &'a Value> + use<'a> {
    document.pointer(place).and_then(Value::as_array).into_iter().flatten()
}

/// Texts that people typed, for people: between a semicolon and a space, each once.
fn listed<'a>(texts: impl Iterator<Item = &'a str>) -> Option<String> {
    let mut listed: Vec<&str> = Vec::new();
    for text in texts {
        if !listed.contains(&text) {
            listed.push(text);
        }
    }
    (!listed.is_empty()).then(|| listed.join("; "))
}

pub(super) fn number(document: &Value) -> Option<String> {
    text(document, "/sequence").map(|s| s.trim_start_matches('0').to_owned())
}

pub(super) fn deviations(document: &Value) -> Option<String> {
    Some(crate::keeping::words::deviations(document).to_string())
}

pub(super) fn first_instant(document: &Value) -> Option<String> {
    let mut steps = items(document, "/data/steps");
    steps.find_map(|step| text(step, "/begin/time").or_else(|| text(step, "/at/time"))).map(str::to_owned)
}

/// The last interval before the first reading: what stood, settled. By its place in the method, since
/// the names of steps are the laboratory's.
pub(super) fn settled(document: &Value) -> Option<String> {
    let mut last = None;
    for step in items(document, "/data/steps") {
        match text(step, "/kind") {
            Some("reading") => break,
            Some("interval") => last = Some(step),
            _ => {}
        }
    }
    last.and_then(|step| text(step, "/duration/text")).map(str::to_owned)
}

pub(super) fn before_rounding(document: &Value) -> Option<String> {
    let part = |key: &str| document.pointer(&format!("/data/calculation/exact/{key}")).and_then(plain);
    match (part("numerator"), part("denominator")) {
        (Some(numerator), Some(denominator)) => Some(format!("{numerator}/{denominator}")),
        _ => document.pointer("/data/calculation/unrounded").and_then(plain),
    }
}

pub(super) fn reading_unit(document: &Value) -> Option<String> {
    let of = |level: &str| document.pointer(&format!("/data/readings/{level}/unit")).and_then(plain);
    of("clay").or_else(|| of("sediment")).or_else(|| of("sand"))
}

pub(super) fn operators(document: &Value) -> Option<String> {
    listed(items(document, "/data/review/operators").filter_map(|operator| text(operator, "/person")))
}

pub(super) fn corrections(document: &Value) -> Option<String> {
    Some(items(document, "/data/changes").count().to_string())
}

pub(super) fn reasons_pending(document: &Value) -> Option<String> {
    let pending = |change: &&Value| change.get("reasonPending") == Some(&Value::Bool(true));
    Some(items(document, "/data/changes").filter(pending).count().to_string())
}

pub(super) fn incidents(document: &Value) -> Option<String> {
    let incidents = document.pointer("/data/incidents")?;
    let mut found: Vec<&str> = items(incidents, "/notes").filter_map(|note| text(note, "/kind")).collect();
    found.extend(items(incidents, "/places").filter_map(|change| text(change, "/change")));
    let there = |place: &str| incidents.pointer(place).is_some_and(|value| !value.is_null());
    found.extend(there("/interruption").then_some("interrupted"));
    found.extend(text(incidents, "/lateLine/standing"));
    Some(found.join(";"))
}

pub(super) fn equipment(document: &Value) -> Option<String> {
    listed(items(document, "/data/equipment").filter_map(|item| text(item, "/id")))
}

fn in_doubt(document: &Value) -> impl Iterator<Item = &Value> {
    let good = |state: Option<&str>| matches!(state, None | Some("good" | "due-soon"));
    items(document, "/data/equipment").filter(move |item| !good(text(item, "/state")))
}

pub(super) fn equipment_in_doubt(document: &Value) -> Option<String> {
    listed(in_doubt(document).filter_map(|item| text(item, "/id")))
}

pub(super) fn equipment_doubts(document: &Value) -> Option<String> {
    let states = listed(in_doubt(document).filter_map(|item| text(item, "/state")))?;
    Some(states.replace("; ", ";"))
}

/// Where a use of solution stands, and its batch, if one was noted.
fn batch_of<'a>(document: &'a Value, used: &Value) -> Option<&'a Value> {
    let id = text(used, "/batch")?;
    items(document, "/data/solution/batches").find(|batch| text(batch, "/id") == Some(id))
}

/// Something of the batch that the first step drew from.
fn first_batch(document: &Value, place: &str) -> Option<String> {
    let first = items(document, "/data/solution/uses").next()?;
    batch_of(document, first)?.pointer(place).and_then(plain)
}

pub(super) fn solution_made(document: &Value) -> Option<String> {
    first_batch(document, "/made")
}

pub(super) fn solution_expires(document: &Value) -> Option<String> {
    first_batch(document, "/expires")
}

pub(super) fn solution_recipe(document: &Value) -> Option<String> {
    first_batch(document, "/recipe/id")
}

pub(super) fn solution_lot(document: &Value) -> Option<String> {
    first_batch(document, "/bought/lot")
}

pub(super) fn solution_stock(document: &Value) -> Option<String> {
    first_batch(document, "/stock/id")
}

/// Steps that draw solution: the first fills the cylinder, the last is the irrigation.
pub(super) fn solution_irrigation(document: &Value) -> Option<String> {
    let uses: Vec<&Value> = items(document, "/data/solution/uses").collect();
    let [_, .., last] = uses.as_slice() else { return None };
    text(last, "/batch").map(str::to_owned)
}

pub(super) fn steps_skipped(document: &Value) -> Option<String> {
    document.pointer("/data/preparation")?;
    let skipped = |step: &&Value| text(step, "/standing") == Some("skipped");
    Some(items(document, "/data/preparation/steps").filter(skipped).count().to_string())
}

pub(super) fn uncertainty(document: &Value) -> Option<String> {
    let places = ["/data/acceptance/uncertainty/expanded", "/data/uncertainty/expanded"];
    places.iter().find_map(|place| document.pointer(place).and_then(plain))
}

pub(super) fn repeated(document: &Value) -> Option<String> {
    Some(document.pointer("/data/repeat").is_some().to_string())
}

/// Specimens that do not count, where a result lists them; the list of a repeat is the older one.
fn not_counted(result: &Value) -> &'static str {
    let there = |place: &str| result.pointer(place).is_some();
    if there("/data/notCounted") { "/data/notCounted" } else { "/data/repeat/notCounted" }
}

pub(super) fn not_counted_count(result: &Value) -> Option<String> {
    let others = result.pointer(not_counted(result)).and_then(Value::as_array)?;
    Some(others.len().to_string())
}

pub(super) fn not_counted_ids(result: &Value) -> Option<String> {
    names(result, not_counted(result), "/id", ";")
}

pub(super) fn not_counted_whys(result: &Value) -> Option<String> {
    names(result, not_counted(result), "/why", ";")
}

/// The entry of a record's specimen in a list of its sample's result.
fn entry<'a>(record: &Value, result: &'a Value, list: &str) -> Option<&'a Value> {
    let id = text(record, "/data/specimen/id")?;
    items(result, list).find(|entry| text(entry, "/id") == Some(id))
}

pub(super) fn counts(record: &Value, result: &Value) -> Option<String> {
    Some(entry(record, result, "/data/specimens").is_some().to_string())
}

/// Only a result that has a reason to lists who does not count; that a specimen was given up, its
/// own record says.
pub(super) fn why_not(record: &Value, result: &Value) -> Option<String> {
    if entry(record, result, "/data/specimens").is_some() {
        return None;
    }
    let told = entry(record, result, not_counted(result)).and_then(|entry| text(entry, "/why"));
    told.or_else(|| text(record, "/data/status").filter(|status| *status == "void")).map(str::to_owned)
}

pub(super) fn replaced_by(record: &Value, result: &Value) -> Option<String> {
    entry(record, result, "/data/notCounted")?.pointer("/replacedBy/label").and_then(plain)
}

pub(super) fn counted_in(_: &Value, result: &Value) -> Option<String> {
    text(result, "/id").map(str::to_owned)
}
