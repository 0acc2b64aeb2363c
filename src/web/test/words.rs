//! Every language has every word, with the same fillings, and the pages ask for none that is not there.

use super::LANGUAGES;
use regex::Regex;
use std::collections::{BTreeMap, BTreeSet};

fn words(language: &str) -> BTreeMap<String, String> {
    let (_, text) = LANGUAGES.iter().find(|(tag, _)| *tag == language).unwrap();
    serde_json::from_str(text).unwrap()
}

fn page_files() -> Vec<(String, String)> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/src/web");
    let pages = std::fs::read_dir(format!("{folder}/page")).unwrap().map(|entry| entry.unwrap().path());
    // The words around a report and on a label.
    let files = pages.chain(["report.rs", "samples/label.rs"].map(|name| format!("{folder}/{name}").into()));
    let read = |path: std::path::PathBuf| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        Some((name, std::fs::read_to_string(&path).ok()?))
    };
    files.filter_map(read).collect()
}

#[test]
fn every_language_has_the_same_keys_and_fillings() {
    let fillings = Regex::new(r"\{(\w+)\}").unwrap();
    let filled = |text: &str| -> BTreeSet<String> {
        fillings.captures_iter(text).map(|found| found[1].to_owned()).collect()
    };
    let english = words("en");
    for (language, _) in LANGUAGES {
        let other = words(language);
        assert_eq!(
            other.keys().collect::<Vec<_>>(),
            english.keys().collect::<Vec<_>>(),
            "{language} has other keys than English"
        );
        for (key, text) in &other {
            assert!(!text.trim().is_empty(), "{language}: `{key}` says nothing");
            assert_eq!(filled(text), filled(&english[key]), "{language}: `{key}` is filled in otherwise");
        }
    }
}

#[test]
fn the_pages_ask_for_words_that_are_there_and_no_word_lies_about() {
    let english = words("en");
    // `t("key"`, `count("key"` (its forms follow), `{{key}}`, and the beginning of a composed one.
    let asked = Regex::new(r#"\bt\((?:\w+[\w. >=0]*\? )?"([a-z][\w.-]*)"|: "([a-z][\w-]*\.[\w.-]+)"\s*[,)]|\bcount\("([a-z][\w.-]*)"|\{\{([a-z][\w.-]*)\}\}"#).unwrap();
    let composed = Regex::new(r#"\bt\(`([a-z][\w-]*\.)\$\{|\bnamed\("(\w+)""#).unwrap();
    let mut used = BTreeSet::new();
    let mut begun = BTreeSet::new();
    let mut missing = Vec::new();
    for (name, text) in page_files() {
        for found in asked.captures_iter(&text) {
            if let Some(key) = found.get(1).or(found.get(2)).or(found.get(4)) {
                used.insert(key.as_str().to_owned());
                if !english.contains_key(key.as_str()) && key.as_str() != "language" {
                    missing.push(format!("{name}: {}", key.as_str()));
                }
            } else if let Some(key) = found.get(3) {
                for form in ["one", "other"] {
                    let key = format!("{}.{form}", key.as_str());
                    if !english.contains_key(&key) {
                        missing.push(format!("{name}: {key}"));
                    }
                    used.insert(key);
                }
            }
        }
        for found in composed.captures_iter(&text) {
            let begin = found.get(1).or(found.get(2)).unwrap().as_str().trim_end_matches('.');
            begun.insert(format!("{begin}."));
        }
    }
    assert!(missing.is_empty(), "the English file lacks: {missing:?}");
    assert!(used.len() > 100, "the pages were not looked through: {}", used.len());
    let titles = ["menu.", "title."];
    let idle: Vec<_> = english
        .keys()
        .filter(|key| !used.contains(*key))
        .filter(|key| !begun.iter().map(String::as_str).chain(titles).any(|begin| key.starts_with(begin)))
        .collect();
    assert!(idle.is_empty(), "nobody asks for: {idle:?}");
}
