//! What was once stored or sent, frozen: read by today's code, whatever was added since.
//!
//! `BLESS=1 cargo test --lib frozen` writes the files that are missing under `tests/frozen`, and
//! never changes one that is there. Files that were written belong into the same commit.

mod events;
mod messages;

use super::*;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::PathBuf;

/// What is missing, told at the end, all at once.
#[derive(Debug, Default)]
struct Missing(Vec<String>);

impl Missing {
    /// The text of a frozen file; where there is none, this one is written, or missed.
    fn frozen(&mut self, name: &str, today: &str) -> Option<String> {
        let path = folder().join(name);
        if !path.exists() {
            if !blessing() {
                self.0.push(format!("tests/frozen/{name}"));
                return None;
            }
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, today).unwrap();
        }
        Some(std::fs::read_to_string(&path).unwrap())
    }

    fn tell(self) {
        assert!(
            self.0.is_empty(),
            "nothing is frozen yet for what is new; `BLESS=1 cargo test --lib frozen` writes:\n{}",
            self.0.join("\n")
        );
    }
}

/// Files are being written, so others may see them come.
fn blessing() -> bool {
    std::env::var_os("BLESS").is_some_and(|bless| bless == "1")
}

fn folder() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/frozen"))
}

/// Names of the frozen files below a folder, in order.
fn names(below: &str) -> Vec<String> {
    let entries = std::fs::read_dir(folder().join(below)).into_iter().flatten();
    let mut names: Vec<_> =
        entries.map(|e| format!("{below}/{}", e.unwrap().file_name().to_string_lossy())).collect();
    names.sort();
    names
}

/// Where something stands inside a value; the places of a list are one.
fn shape(value: &Value) -> BTreeSet<String> {
    fn walk(value: &Value, at: &str, found: &mut BTreeSet<String>) {
        match value {
            Value::Object(fields) => fields.iter().for_each(|(key, inner)| {
                let path = format!("{at}/{key}");
                walk(inner, &path, found);
                found.insert(path);
            }),
            Value::Array(items) => items.iter().for_each(|inner| walk(inner, &format!("{at}/*"), found)),
            _ => {}
        }
    }
    let mut found = BTreeSet::new();
    walk(value, "", &mut found);
    found
}

/// What of `old` is not in `new`, or is something else there.
fn lost(old: &Value, new: &Value, at: &str) -> Vec<String> {
    match (old, new) {
        (Value::Object(old), Value::Object(new)) => old
            .iter()
            .flat_map(|(key, was)| {
                let path = format!("{at}/{key}");
                new.get(key).map_or_else(|| vec![format!("{path} is gone")], |is| lost(was, is, &path))
            })
            .collect(),
        (Value::Array(old), Value::Array(new)) if old.len() == new.len() => old
            .iter()
            .zip(new)
            .enumerate()
            .flat_map(|(n, (was, is))| lost(was, is, &format!("{at}/{n}")))
            .collect(),
        _ if old == new => Vec::new(),
        _ => vec![format!("{at} was {old} and is {new}")],
    }
}

#[test]
fn what_is_gone_or_changed_is_found_and_what_was_added_is_not() {
    use serde_json::json;
    let old = json!({ "a": 1, "b": [{ "c": "x" }], "d": null });
    assert!(lost(&old, &json!({ "a": 1, "b": [{ "c": "x", "new": 0 }], "d": null, "e": 5 }), "").is_empty());
    let found = lost(&old, &json!({ "a": "1", "b": [{}] }), "");
    assert_eq!(found, ["/a was 1 and is \"1\"", "/b/0/c is gone", "/d is gone"]);
    assert_eq!(shape(&old).into_iter().collect::<Vec<_>>(), ["/a", "/b", "/b/*/c", "/d"]);
}
