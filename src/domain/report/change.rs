//! What was corrected, for the documents: only a document with corrections has these keys, and
//! says so by the version of its schema.

use super::measure;
use super::record::reading;
use crate::domain::bench::{point_text, withdrawn_text};
use crate::domain::method::{Level, Method, Point};
use crate::domain::specimen::correction::{Corrected, Correction, Withdrawn};
use crate::domain::specimen::{Issued, Specimen};
use serde_json::{Map, Value, json};

/// Adds the keys of a document that has a history.
pub(super) fn add(data: &mut Value, issued: Option<&Issued>, changes: Vec<Value>) {
    let version = issued.map_or(1, |i| i.version);
    let Value::Object(fields) = data else { return };
    fields.insert("version".to_owned(), json!(version));
    if version == 1 && changes.is_empty() {
        return;
    }
    if let Some((id, number)) = issued.and_then(|i| i.replaces) {
        fields.insert("replaces".to_owned(), json!({ "id": id, "number": number }));
    }
    fields.insert("changes".to_owned(), Value::Array(changes));
}

/// All corrections of a specimen, oldest first.
pub(super) fn changes(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Value> {
    specimen.corrections.iter().map(|c| Value::Object(change(c, method, points))).collect()
}

/// The same, naming the specimen, for the result of its sample.
pub(super) fn changes_named(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Value> {
    let named = |c: &Correction| {
        let mut fields = change(c, method, points);
        fields.insert("specimen".to_owned(), json!({ "id": specimen.id, "label": specimen.label }));
        Value::Object(fields)
    };
    specimen.corrections.iter().map(named).collect()
}

fn change(correction: &Correction, method: &Method, points: &[Point]) -> Map<String, Value> {
    let point = |at: &usize| points.get(*at).map_or_else(|| "?".to_owned(), |p| point_text(method, p));
    let (kind, what, from, to) = match &correction.what {
        Corrected::Withdrawn { what } => {
            let from = match what {
                Withdrawn::Reading { reading: r, .. } => reading(r, method),
                other => measure::marked(&other.marked()),
            };
            let text = format!("{}: taken back", withdrawn_text(what, method, points));
            ("withdrawn", text, from, Value::Null)
        }
        Corrected::Time { point: at, from, to } => {
            let text = format!("{}: the time was corrected", point(at));
            ("time-corrected", text, measure::marked(from), measure::marked(to))
        }
        Corrected::Reading { of, readings } => {
            let [from, to] = readings.as_ref();
            let word = match of {
                Level::Clay => "clay",
                Level::Sand => "sand",
            };
            let text = format!("the {word} reading was corrected");
            ("reading-corrected", text, reading(from, method), reading(to, method))
        }
        Corrected::Void => {
            ("voided", "given up after its record was made".to_owned(), Value::Null, Value::Null)
        }
    };
    let reason = correction.reason.as_ref();
    let value = json!({
        "id": correction.id,
        "kind": kind,
        "what": what,
        "from": from,
        "to": to,
        "who": measure::by(&correction.marked.by),
        "when": measure::moment(&correction.marked.moment),
        "reason": reason.map(|r| &r.text),
        "reasonPending": reason.is_none(),
        "reasonGiven": reason.map(|r| measure::marked(&r.marked)),
    });
    match value {
        Value::Object(fields) => fields,
        _ => Map::new(),
    }
}
