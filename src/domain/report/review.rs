//! Who worked on it, what reviewers decided, and who answers for it. Nothing where no register is
//! kept and nothing was decided.

use super::measure;
use crate::domain::review::{Decision, Operator, Reviewed, State};
use crate::domain::specimen::Specimen;
use crate::domain::specimen::sample::Sample;
use serde_json::{Value, json};
use std::collections::BTreeSet;

pub(super) fn add_to_record(specimen: &Specimen, data: &mut Value) {
    let operators = specimen.operators.iter().map(operator).collect();
    add(operators, &specimen.reviews, specimen.standing(), data);
}

/// The people of all its specimens, void ones too; how each stood, the records say.
pub(super) fn add_to_result(sample: &Sample, specimens: &[&Specimen], data: &mut Value) {
    // A result tells of them only where somebody decided of it: its records have told already.
    if sample.reviews.is_empty() {
        return;
    }
    let people: BTreeSet<_> =
        specimens.iter().flat_map(|s| &s.operators).map(|operator| (&operator.name, operator.id)).collect();
    let operators = people.iter().map(|(name, id)| json!({ "person": name, "id": id })).collect();
    add(operators, &sample.reviews, sample.standing_result(), data);
}

fn add(operators: Vec<Value>, reviews: &[Reviewed], stands: State, data: &mut Value) {
    let Value::Object(fields) = data else { return };
    if operators.is_empty() && reviews.is_empty() {
        return;
    }
    let approved =
        reviews.last().filter(|last| last.decision == Decision::Approved && stands == State::Approved);
    let authorised = approved.map(|review| {
        json!({
            "person": review.marked.by.person,
            "id": review.person,
            "when": measure::moment(&review.marked.moment),
        })
    });
    let review = json!({
        "operators": operators,
        "decisions": reviews.iter().map(decision).collect::<Vec<_>>(),
        // Nobody, once something was corrected.
        "authorised": authorised,
    });
    fields.insert("review".to_owned(), review);
}

fn operator(operator: &Operator) -> Value {
    json!({
        "person": operator.name,
        "id": operator.id,
        "step": operator.step,
        "at": measure::time(operator.moment.wall_ns),
        "qualification": operator.qualification,
        "until": operator.until,
    })
}

fn decision(review: &Reviewed) -> Value {
    json!({
        "id": review.id,
        "decision": review.decision,
        "document": { "id": review.document, "number": review.number },
        "version": review.version,
        "who": measure::by(&review.marked.by),
        "person": review.person,
        "when": measure::moment(&review.marked.moment),
        "reason": Some(&review.reason).filter(|reason| !reason.is_empty()),
    })
}
