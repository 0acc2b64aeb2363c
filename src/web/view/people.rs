//! The register of people: a line for every page, and the whole for its own page. No hash of a code
//! or badge leaves the station.

use super::ms;
use crate::domain::bench::Bench;
use crate::domain::moment::Moment;
use crate::domain::review::{Person, SignedOn};
use serde_json::{Value, json};

/// Who is signed on; nothing where nobody is registered.
pub(super) fn line(bench: &Bench, now: &Moment) -> Value {
    if !bench.people.is_kept() {
        return Value::Null;
    }
    json!({ "needed": bench.needs_sign_on(), "on": on(bench, now) })
}

fn on(bench: &Bench, now: &Moment) -> Vec<Value> {
    let one = |on: SignedOn<'_>| {
        json!({
            "id": on.person.id,
            "name": on.person.name,
            "roles": on.person.roles,
            "sinceMs": ms(on.since.moment.wall_ns),
        })
    };
    bench.people.signed_on(now, bench.settings.sign_on_hours).into_iter().map(one).collect()
}

/// The whole register, those who left last.
pub fn page(bench: &Bench, now: &Moment, zone: &str) -> Value {
    let mut persons: Vec<&Person> = bench.people.persons.values().map(|person| &**person).collect();
    persons.sort_by_key(|person| (person.left.is_some(), person.name.to_lowercase()));
    json!({
        "station": { "title": bench.title, "rehearsal": bench.rehearsal, "zone": zone },
        "kept": bench.people.is_kept(),
        "needed": bench.needs_sign_on(),
        "hours": bench.settings.sign_on_hours,
        "qualification": bench.settings.qualification,
        "methods": super::lists::methods(bench).iter()
            .map(|m| json!({ "id": m["id"], "title": m["title"] })).collect::<Vec<_>>(),
        "on": on(bench, now),
        "persons": persons.into_iter().map(|person| one(bench, person, now)).collect::<Vec<_>>(),
    })
}

fn one(bench: &Bench, person: &Person, now: &Moment) -> Value {
    let title = |id: &String| {
        let method = bench.current.get(id).and_then(|digest| bench.methods.get(digest));
        method.map_or_else(|| id.clone(), |method| method.title.clone())
    };
    let qualifications = person.qualifications.iter().map(|(method, held)| {
        json!({
            "method": method,
            "title": title(method),
            "until": held.until,
            "expired": held.until_wall_ns.is_some_and(|until| now.wall_ns >= until),
            "note": held.note,
            "by": held.marked.by.person,
            "atMs": ms(held.marked.moment.wall_ns),
        })
    });
    json!({
        "id": person.id,
        "name": person.name,
        "earlierNames": person.earlier_names,
        "roles": person.roles,
        "hasCode": person.code.is_some(),
        "hasBadge": person.badge.is_some(),
        "left": person.left.as_ref().map(|(reason, marked)| json!({
            "reason": reason, "by": marked.by.person, "atMs": ms(marked.moment.wall_ns),
        })),
        "registeredBy": person.registered.by.person,
        "registeredMs": ms(person.registered.moment.wall_ns),
        "qualifications": qualifications.collect::<Vec<_>>(),
    })
}
