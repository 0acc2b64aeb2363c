//! What a document is found by, and the line of a list that shows it. PURE.

use crate::journal::{ListedFound, ListedRow, OutboxRow, SHORTEST};
use serde_json::{Value, json};
use std::collections::BTreeSet;

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

/// People whom a document names.
const PEOPLE: [&str; 6] = [
    "/data/specimen/registered/by/person",
    "/data/sample/registered/by/person",
    "/data/readings/clay/by/person",
    "/data/readings/sand/by/person",
    "/data/readings/sediment/by/person",
    "/data/review/authorised/person",
];

/// The entry of a document in the list; `None`: it is of a kind that nobody looks for.
pub fn listed(row: &OutboxRow) -> Option<ListedRow> {
    if !KINDS.contains(&row.kind.as_str()) {
        return None;
    }
    let document: Value = serde_json::from_str(&row.payload).unwrap_or_default();
    let items = |place: &str| document.pointer(place).and_then(Value::as_array).into_iter().flatten();
    let operators = items("/data/review/operators").filter_map(|operator| text(operator, "/person"));
    let deciders = items("/data/review/decisions").filter_map(|decision| text(decision, "/who/person"));
    let named = PEOPLE.iter().filter_map(|place| text(&document, place));
    let people: BTreeSet<String> = named.chain(operators).chain(deciders).map(str::to_lowercase).collect();

    let mut words: BTreeSet<String> = people.iter().cloned().collect();
    words.extend(REMEMBERED.iter().filter_map(|place| text(&document, place)).map(str::to_lowercase));
    let particulars = document.pointer("/data/sample/particulars").and_then(Value::as_object);
    words.extend(
        particulars.into_iter().flatten().filter_map(|(_, said)| said.as_str()).map(str::to_lowercase),
    );
    words.extend(items("/data/deviations").filter_map(|d| text(d, "/code")).map(str::to_lowercase));
    words.insert(row.number.to_string());
    let mut lines: Vec<String> =
        words.iter().flat_map(|line| beginnings(line)).collect::<BTreeSet<_>>().into_iter().collect();
    lines.extend(words);
    lines.push(tag(Property::Id, &row.id));
    lines.extend(people.iter().map(|person| tag(Property::Person, person)));
    let equipment: BTreeSet<&str> = items("/data/equipment").filter_map(|item| text(item, "/id")).collect();
    lines.extend(equipment.into_iter().map(|item| tag(Property::Item, item)));
    let or_unknown = |place: &str| text(&document, place).unwrap_or("unknown").to_owned();
    lines.push(tag(Property::Status, &or_unknown("/data/status")));
    lines.push(tag(Property::Method, &or_unknown("/data/method/id")));
    lines.push(tag(Property::Deviations, if deviations(&document) > 0 { "yes" } else { "no" }));
    Some(ListedRow {
        number: row.number,
        kind: row.kind.clone(),
        subject: row.subject.clone(),
        label: text(&document, "/data/sample/label").unwrap_or_default().to_lowercase(),
        made_ns: row.made_at_ns,
        // Each on a line of its own: nothing that is looked for spans two of them.
        words: lines.join("\n"),
    })
}

/// A property that is chosen as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Property {
    /// How the document stands.
    Status,
    /// The method file.
    Method,
    /// Whether deviations are recorded, `yes` or `no`.
    Deviations,
    /// A person whom the document names.
    Person,
    /// An item of equipment that was used.
    Item,
    /// The document itself.
    Id,
}

/// Characters that mean nothing to anybody (Unicode's private use area) mark what people cannot type.
const PROPERTY: char = '\u{e000}';
const VALUE_ENDS: char = '\u{e001}';
const BEGINS: char = '\u{e002}';
const ONE: char = '\u{e003}';

/// A word by which one property is chosen, so that no other text is taken for it. The index knows three
/// characters in a row: values that many documents have are one such group, and cost one look.
pub fn tag(property: Property, value: &str) -> String {
    let value = value.to_lowercase();
    let (name, often): (char, &[&str]) = match property {
        Property::Status => ('s', &["preliminary", "approved", "returned", "void"]),
        Property::Deviations => ('d', &["yes", "no"]),
        Property::Method => ('m', &[]),
        Property::Person => ('p', &[]),
        Property::Item => ('i', &[]),
        Property::Id => ('n', &[]),
    };
    let short = often
        .iter()
        .position(|known| *known == value)
        .and_then(|at| char::from_digit(u32::try_from(at).ok()?, 10));
    match short {
        Some(short) => [PROPERTY, name, short].iter().collect(),
        None => format!("{PROPERTY}{name}{PROPERTY}{value}{VALUE_ENDS}"),
    }
}

/// What is found by one or two characters: the beginnings of its words. Further inside they would
/// stand in nearly every document.
fn beginnings(line: &str) -> Vec<String> {
    let letters: Vec<char> = line.chars().collect();
    let begins = |at: &usize| {
        let at = *at;
        !letters[at].is_whitespace() && (at == 0 || !letters[at - 1].is_alphanumeric())
    };
    let starts = (0..letters.len()).filter(begins);
    starts
        .flat_map(|at| {
            let one = begins_with(&letters[at..=at]);
            let two = letters.get(at..at + 2).filter(|two| !two[1].is_whitespace()).map(begins_with);
            std::iter::once(one).chain(two)
        })
        .collect()
}

fn begins_with(letters: &[char]) -> String {
    let fill = if letters.len() == 1 { Some(ONE) } else { None };
    std::iter::once(BEGINS).chain(fill).chain(letters.iter().copied()).collect()
}

/// The words of what somebody typed, as the list knows them: wherever they stand, or, of one or two
/// characters, where a word begins so. An identity is one of a document.
pub fn sought(typed: &str) -> Vec<String> {
    let word = |word: &str| {
        let letters: Vec<char> = word.to_lowercase().chars().filter(|c| !c.is_control()).collect();
        let text: String = letters.iter().collect();
        if uuid::Uuid::try_parse(&text).is_ok_and(|id| id.hyphenated().to_string() == text) {
            tag(Property::Id, &text)
        } else if letters.len() < SHORTEST {
            begins_with(&letters)
        } else {
            text
        }
    };
    typed.split_whitespace().filter(|w| w.chars().any(|c| !c.is_control())).map(word).collect()
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
        let id = "019f0000-0000-7000-8000-000000000bba";
        for typed in ["q-17", "Q-17-1", "ada brook", "T 176 Q-17", "42", "17", "4", "b", "ook", id] {
            assert!(finds(&words, typed), "{typed}: {words}");
        }
        // Two characters are looked for where a word begins: no word of it begins with `ro`.
        for typed in
            ["q-18", "q-17 bob", "ro", "z", "019f0000-0000-7000-8000-000000000bbb", "status", "\0\u{7}x"]
        {
            assert!(!finds(&words, typed), "{typed}: {words}");
        }
        assert_eq!(sought(" \0 \t"), [""; 0]);
    }

    #[test]
    fn properties_are_found_by_their_whole_value() {
        let words = listed(&row(&record())).unwrap().words;
        let has = |property, value| words.contains(&tag(property, value));
        assert!(has(Property::Status, "preliminary") && !has(Property::Status, "void"));
        assert!(has(Property::Deviations, "no") && !has(Property::Deviations, "yes"));
        assert!(has(Property::Person, "Ada Brook") && !has(Property::Person, "Ada"));
        assert!(has(Property::Method, "aashto-t176-mechanical") && !has(Property::Method, "aashto-t176"));
        assert!(!has(Property::Status, "of nobody"));
        // What people type is no property, whatever it looks like.
        let mut record = record();
        record["data"]["sample"]["label"] = json!("deviations=yes= status=void=");
        let words = listed(&row(&record)).unwrap().words;
        assert!(!words.contains(&tag(Property::Status, "void")) && finds(&words, "status=void="));
    }

    #[test]
    fn every_word_that_is_looked_for_is_long_enough_for_the_index() {
        for typed in ["4", "42", "a b", "q-17", "é", "%"] {
            assert!(sought(typed).iter().all(|word| word.chars().count() >= SHORTEST), "{typed}");
        }
        for property in [Property::Status, Property::Person, Property::Item] {
            assert!(tag(property, "").chars().count() >= SHORTEST);
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
