//! What waits for review: a line for every page, and the list for its own page.

use super::ms;
use crate::domain::bench::{Bench, by_text};
use crate::domain::review::{MOST_WAITING, OwnWork, Reviews, State, Waiting};
use serde_json::{Value, json};
use uuid::Uuid;

/// How many wait; nothing where nothing is reviewed.
pub(super) fn line(bench: &Bench) -> Value {
    if bench.settings.review == Reviews::Off {
        return Value::Null;
    }
    let count = |state| bench.for_review.values().filter(|waiting| waiting.state == state).count();
    json!({ "waiting": count(State::Preliminary), "returned": count(State::Returned) })
}

/// The list: what waited longest first; what was returned behind it.
pub fn page(bench: &Bench, zone: &str) -> Value {
    let mut waiting: Vec<(&Uuid, &Waiting)> = bench.for_review.iter().collect();
    waiting.sort_by_key(|(_, waiting)| (waiting.state == State::Returned, waiting.since.wall_ns));
    json!({
        "station": { "title": bench.title, "rehearsal": bench.rehearsal, "zone": zone },
        "on": bench.settings.review == Reviews::On,
        "ownWork": bench.settings.own_work == OwnWork::May || !bench.people.is_kept(),
        "full": bench.for_review.len() >= MOST_WAITING,
        "items": waiting.into_iter().map(|(id, waiting)| one(bench, *id, waiting)).collect::<Vec<_>>(),
    })
}

fn one(bench: &Bench, sample: Uuid, waiting: &Waiting) -> Value {
    json!({
        "sample": sample,
        "label": waiting.label,
        "method": bench.methods.get(&waiting.method).map(|method| &method.title),
        "result": waiting.result,
        "records": waiting.records,
        "deviations": waiting.deviations,
        "state": waiting.state,
        "sinceMs": ms(waiting.since.wall_ns),
        "last": waiting.last.as_ref().map(|review| json!({
            "decision": review.decision,
            "by": by_text(&review.marked.by),
            "reason": review.reason,
            "atMs": ms(review.marked.moment.wall_ns),
        })),
    })
}
