//! The table of addresses is whole.

use super::TABLE;
use regex::Regex;
use std::collections::BTreeSet;

#[test]
fn every_address_stands_in_the_table_once_and_none_is_idle() {
    let route = Regex::new(r#"\.route\(\s*"([^"]+)""#).unwrap();
    let page = Regex::new(r#"page!\("([^"]+)""#).unwrap();
    let mut routes = BTreeSet::new();
    let mut folders = vec![std::path::PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/src/web"))];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            if entry.is_dir() && !entry.ends_with("test") {
                folders.push(entry);
            } else if entry.extension().is_some_and(|ending| ending == "rs") {
                let text = std::fs::read_to_string(&entry).unwrap();
                let found = route.captures_iter(&text).chain(page.captures_iter(&text));
                routes.extend(found.map(|found| found[1].to_owned()));
            }
        }
    }
    assert!(routes.len() > 40, "the sources were not looked through: {routes:?}");
    let table: BTreeSet<_> = TABLE.iter().map(|row| row.0.to_owned()).collect();
    assert_eq!(table.len(), TABLE.len(), "an address stands there twice");
    assert_eq!(table, routes);
}
