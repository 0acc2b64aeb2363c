//! What a document is found by, and the line of a list that shows it. PURE.

use crate::journal::{ListedFound, ListedRow, OutboxRow};
use serde_json::{Value, json};

/// Kinds of document that people look for.
pub const KINDS: [&str; 2] = ["record", "result"];

/// Labels and names under which a person remembers a test.
const REMEMBERED: [&str; 10] = [
    "/data/specimen/label",
    "/data/sample/label",
    "/data/method/id",
    "/data/method/standard",
    "/data/method/title",
    "/data/result/text",
    "/data/specimen/registered/by/person",
    "/data/sample/registered/by/person",
    "/data/readings/clay/by/person",
    "/data/readings/sand/by/person",
];

/// The text at a place of a document.
pub fn text<'a>(document: &'a Value, pointer: &str) -> Option<&'a str> {
    document.pointer(pointer).and_then(Value::as_str)
}

/// How many deviations a document shows: those of a record, or those of all specimens of a result.
pub fn deviations(document: &Value) -> u64 {
    if let Some(own) = document.pointer("/data/deviations").and_then(Value::as_array) {
        return own.len() as u64;
    }
    let specimens = document.pointer("/data/specimens").and_then(Value::as_array);
    specimens.into_iter().flatten().filter_map(|s| s.get("deviations")?.as_u64()).sum()
}

/// The entry of a document in the list; `None`: it is of a kind that nobody looks for.
pub fn listed(row: &OutboxRow) -> Option<ListedRow> {
    if !KINDS.contains(&row.kind.as_str()) {
        return None;
    }
    let document: Value = serde_json::from_str(&row.payload).unwrap_or_default();
    let mut words = String::new();
    let mut add = |word: &str| {
        // Each on a line of its own: nothing that is looked for spans two of them.
        words.push_str(&word.to_lowercase());
        words.push('\n');
    };
    REMEMBERED.iter().filter_map(|place| text(&document, place)).for_each(&mut add);
    let particulars = document.pointer("/data/sample/particulars").and_then(Value::as_object);
    particulars.into_iter().flatten().filter_map(|(_, said)| said.as_str()).for_each(&mut add);
    let codes = document.pointer("/data/deviations").and_then(Value::as_array);
    codes.into_iter().flatten().filter_map(|d| d.get("code")?.as_str()).for_each(&mut add);
    add(&row.number.to_string());
    add(&row.id);
    for (name, value) in [
        ("status", text(&document, "/data/status").unwrap_or("unknown")),
        ("method", text(&document, "/data/method/id").unwrap_or("unknown")),
        ("deviations", if deviations(&document) > 0 { "yes" } else { "no" }),
    ] {
        add(&tag(name, value));
    }
    Some(ListedRow {
        number: row.number,
        kind: row.kind.clone(),
        subject: row.subject.clone(),
        made_ns: row.made_at_ns,
        words,
    })
}

/// A word by which one property is chosen, so that no other text is taken for it.
pub fn tag(name: &str, value: &str) -> String {
    format!("{name}={value}=")
}

/// The words of what somebody typed, in small letters.
pub fn sought(typed: &str) -> Vec<String> {
    typed.split_whitespace().map(str::to_lowercase).collect()
}

/// The line of a list for one document.
pub fn line(row: &OutboxRow, found: &ListedFound) -> Value {
    let ms = |ns: i64| ns.div_euclid(1_000_000);
    let mut line = json!({
        "number": row.number,
        "id": row.id,
        "kind": row.kind,
        "dayMs": ms(found.day_ns),
        "madeMs": ms(row.made_at_ns),
        "takenMs": row.acked_at_ns.map(ms),
        "replacedBy": found.replaced_by,
        "removed": row.payload.is_empty(),
    });
    let document: Value = serde_json::from_str(&row.payload).unwrap_or_default();
    let at = |pointer: &str| document.pointer(pointer).cloned().unwrap_or_default();
    if let (false, Value::Object(fields)) = (row.payload.is_empty(), &mut line) {
        let label = ["/data/specimen/label", "/data/sample/label"];
        for (key, value) in [
            ("label", label.iter().find_map(|place| document.pointer(place)).cloned().unwrap_or_default()),
            ("sample", at("/data/sample/label")),
            ("sampleId", at("/data/sample/id")),
            ("project", at("/data/sample/particulars/project")),
            ("method", at("/data/method/title")),
            ("quantity", at("/data/result/name")),
            ("result", at("/data/result/text")),
            ("status", at("/data/status")),
            ("version", at("/data/version")),
            ("deviations", json!(deviations(&document))),
        ] {
            fields.insert(key.to_owned(), value);
        }
    }
    line
}

#[cfg(test)]
mod test {
    use super::*;

    fn row(payload: &Value) -> OutboxRow {
        OutboxRow {
            number: 17,
            id: "019f0000-0000-7000-8000-000000000bba".to_owned(),
            kind: "record".to_owned(),
            topic: "t".to_owned(),
            subject: "s".to_owned(),
            payload: payload.to_string(),
            made_at_ns: 1_790_000_000_000_000_000,
            acked_at_ns: None,
        }
    }

    fn record() -> Value {
        serde_json::from_str(include_str!("../../tests/frozen/record-v1.json")).unwrap()
    }

    fn finds(words: &str, typed: &str) -> bool {
        sought(typed).iter().all(|word| words.contains(word.as_str()))
    }

    #[test]
    fn a_record_is_found_by_what_a_person_remembers_of_it() {
        let words = listed(&row(&record())).unwrap().words;
        for typed in ["q-17", "Q-17-1", "ada brook", "T 176 Q-17", "42", "17", "status=preliminary="] {
            assert!(finds(&words, typed), "{typed}: {words}");
        }
        for typed in ["q-18", "q-17 bob", "status=void=", "deviations=yes="] {
            assert!(!finds(&words, typed), "{typed}: {words}");
        }
    }

    #[test]
    fn the_line_shows_the_document_and_of_a_removed_one_only_that_it_is_gone() {
        let found = ListedFound { number: 17, day_ns: 1_780_000_000_000_000_000, replaced_by: Some(20) };
        let line_of = line(&row(&record()), &found);
        assert_eq!(
            (&line_of["label"], &line_of["result"], &line_of["deviations"], &line_of["replacedBy"]),
            (&json!("Q-17-1"), &json!("42"), &json!(0), &json!(20))
        );
        assert_eq!(line_of["dayMs"], json!(1_780_000_000_000_i64));
        let gone = OutboxRow { payload: String::new(), ..row(&json!({})) };
        let line = line(&gone, &found);
        assert_eq!((&line["removed"], line.get("label")), (&json!(true), None));
    }

    #[test]
    fn weighings_are_not_listed() {
        assert_eq!(listed(&OutboxRow { kind: "weighing".to_owned(), ..row(&record()) }), None);
    }
}
