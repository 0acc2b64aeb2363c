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
    // Asked for by name; what is asked for in a roundabout way stands there as a text of its own.
    let asked = Regex::new(r#"\bt\("([\w.-]+)"|\{\{([\w.-]+)\}\}"#).unwrap();
    let counted = Regex::new(r#"\bcount\("([\w.-]+)""#).unwrap();
    let quoted = Regex::new(r#""([a-z][\w-]*\.[\w.-]+)""#).unwrap();
    let composed = Regex::new(r#"\bt\(`([\w-]+\.)\$\{|\bnamed\("(\w+)""#).unwrap();
    let (mut used, mut begun, mut missing) = (BTreeSet::new(), BTreeSet::new(), Vec::new());
    for (name, text) in page_files() {
        let direct = asked.captures_iter(&text).filter_map(|found| found.get(1).or(found.get(2)));
        let direct = direct.map(|key| key.as_str().to_owned()).filter(|key| key != "language");
        let forms = counted.captures_iter(&text).flat_map(|found| {
            let key = found[1].to_owned();
            ["one", "other"].map(|form| format!("{key}.{form}"))
        });
        for key in direct.chain(forms) {
            if !english.contains_key(&key) {
                missing.push(format!("{name}: {key}"));
            }
            used.insert(key);
        }
        used.extend(quoted.captures_iter(&text).map(|found| found[1].to_owned()));
        for found in composed.captures_iter(&text) {
            let prefix = found.get(1).or(found.get(2)).unwrap().as_str().trim_end_matches('.');
            begun.insert(format!("{prefix}."));
        }
    }
    for key in crate::web::pages::words() {
        if !english.contains_key(key) {
            missing.push(format!("pages.rs: {key}"));
        }
        used.insert(key.to_owned());
    }
    assert!(missing.is_empty(), "the English file lacks: {missing:?}");
    assert!(used.len() > 100, "the pages were not looked through: {}", used.len());
    let idle: Vec<_> = english
        .keys()
        .filter(|key| !used.contains(*key))
        .filter(|key| !begun.iter().map(String::as_str).any(|begin| key.starts_with(begin)))
        .collect();
    assert!(idle.is_empty(), "nobody asks for: {idle:?}");
}
