//! `docs/methods.md` explains every key and word that the loader knows, and no other.

use super::super::*;
use std::collections::BTreeSet;

const PAGE: &str = include_str!("../../../../../docs/methods.md");
/// The keys of values and ranges, which are explained once for all.
const GENERAL: [&str; 6] = ["value", "min", "max", "unit", "source", "confidence"];

/// Every method file that is at hand: all shapes of tables occur in one of them.
fn files() -> Vec<(String, String)> {
    let mut files = Vec::new();
    for folder in ["config/methods", "tests/data"] {
        let folder = format!("{}/{folder}", env!("CARGO_MANIFEST_DIR"));
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "toml") {
                files.push((path.display().to_string(), std::fs::read_to_string(&path).unwrap()));
            }
        }
    }
    files
}

/// `step.3.window` and `step.4.window` are one key.
fn without_numbers(key: &str) -> String {
    key.split('.').filter(|part| part.parse::<u32>().is_err()).collect::<Vec<_>>().join(".")
}

/// The keys that the loader knows, and the words of its closed lists in back quotes.
fn known() -> (BTreeSet<String>, BTreeSet<String>) {
    let (mut keys, mut words) = (BTreeSet::new(), BTreeSet::new());
    for (file, text) in files() {
        let document = DeTable::parse(&text).unwrap();
        let mut walk = Walk::new(&file, &text);
        method(&mut walk, &Table::root(document.get_ref()), &file, &text).unwrap();
        for (table, names) in walk.known {
            if names.iter().any(|name| name.starts_with('`')) {
                words.extend(names);
                continue;
            }
            let value = names.iter().any(|name| name == "source");
            let own = names.iter().filter(|name| !value || !GENERAL.contains(&name.as_str()));
            let table = without_numbers(&table);
            keys.extend(
                own.map(|name| if table.is_empty() { name.clone() } else { format!("{table}.{name}") }),
            );
        }
    }
    keys.extend(GENERAL.map(str::to_owned));
    (keys, words)
}

/// The keys that begin a row of one of the page's tables of keys.
fn documented() -> BTreeSet<String> {
    let page = PAGE.split("## What comes along").next().unwrap();
    let rows = page.lines().filter_map(|line| line.strip_prefix("| `")?.split_once('`'));
    rows.map(|(key, _)| key.to_owned()).collect()
}

#[test]
fn the_page_explains_every_key_of_the_loader_and_no_other() {
    let (known, documented) = (known().0, documented());
    assert!(known.len() > 80, "{known:?}");
    let missing: Vec<_> = known.difference(&documented).collect();
    assert!(missing.is_empty(), "the page does not explain {missing:?}");
    let unknown: Vec<_> = documented.difference(&known).collect();
    assert!(unknown.is_empty(), "the page explains {unknown:?}, which the loader does not know");
}

#[test]
fn the_page_explains_every_word_of_the_closed_lists() {
    let words = known().1;
    assert!(words.len() > 30, "{words:?}");
    let missing: Vec<_> = words.iter().filter(|word| !PAGE.contains(word.as_str())).collect();
    assert!(missing.is_empty(), "the page does not explain {missing:?}");
}

#[test]
fn the_page_lists_every_file_that_comes_along() {
    let table = PAGE.split("## What comes along").nth(1).unwrap();
    for (file, _) in files().iter().filter(|(file, _)| file.contains("config/methods")) {
        let name = Path::new(file).file_stem().unwrap().to_string_lossy().into_owned();
        assert!(table.contains(&format!("`{name}`")), "{name} is not listed");
    }
}
