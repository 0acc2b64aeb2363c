//! What came with the bag, and what was corrected of it.

use super::measure;
use crate::domain::intake::{Correction, Intake, Particulars};
use serde_json::{Map, Value, json};

/// Adds the particulars to a document's sample, if there are any or were any.
pub(super) fn add(sample: &mut Value, intake: &Intake) {
    if let (false, Value::Object(fields)) = (intake.is_silent(), sample) {
        fields.insert("particulars".to_owned(), particulars(&intake.particulars));
    }
}

/// What was said, under the names of documents.
fn particulars(said: &Particulars) -> Value {
    let mut fields: Map<String, Value> =
        said.words().into_iter().map(|(name, words)| (camel(name), json!(words))).collect();
    if let Some(limit) = &said.limit {
        let limit = json!({ "atLeast": limit.at_least.to_string(), "specification": limit.specification });
        fields.insert("limit".to_owned(), limit);
    }
    Value::Object(fields)
}

/// All corrections, oldest first: each from what stood there to what stood there next.
pub(super) fn changes(intake: &Intake) -> Vec<Value> {
    let after = intake.corrections.iter().skip(1).map(|c| &c.before).chain([&intake.particulars]);
    intake.corrections.iter().zip(after).map(|(correction, to)| change(correction, to)).collect()
}

fn change(correction: &Correction, to: &Particulars) -> Value {
    let Correction { id, before, reason, marked } = correction;
    json!({
        "id": id,
        "kind": "particulars-corrected",
        "what": format!("what came with the bag: {} corrected", to.differing(before).join(", ")),
        "from": particulars(before),
        "to": particulars(to),
        "who": measure::by(&marked.by),
        "when": measure::moment(&marked.moment),
        "reason": reason,
        "reasonPending": false,
        "reasonGiven": measure::marked(marked),
    })
}

fn camel(name: &str) -> String {
    let mut parts = name.split('-');
    let first = parts.next().unwrap_or_default().to_owned();
    parts.fold(first, |mut all, part| {
        let mut letters = part.chars();
        all.extend(letters.next().map(|c| c.to_ascii_uppercase()));
        all.push_str(letters.as_str());
        all
    })
}
