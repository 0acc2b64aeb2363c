//! The examples in docs/integrator.md: each parses, each act is one that the station takes, and
//! every act and every schema is shown.

#![allow(clippy::unwrap_used, reason = "a test's helpers fail loudly, as the test itself does")]

use serde_json::Value;
use std::collections::BTreeSet;
use stillstand::domain::bench::Act;

const GUIDE: &str = include_str!("../docs/integrator.md");
const FROZEN: &str = include_str!("frozen/record-v1.json");

fn examples() -> Vec<Value> {
    let blocks = GUIDE.split("```json\n").skip(1).map(|rest| rest.split("\n```").next().unwrap());
    blocks.map(|text| serde_json::from_str(text).unwrap_or_else(|e| panic!("{e} in\n{text}"))).collect()
}

/// Everything that `part` holds stands in `whole` too.
fn holds(whole: &Value, part: &Value, at: &str) {
    match part {
        Value::Object(fields) => {
            fields.iter().for_each(|(key, inner)| holds(&whole[key], inner, &format!("{at}/{key}")));
        }
        Value::Number(n) => assert_eq!(whole.as_f64(), n.as_f64(), "{at}"),
        _ => assert_eq!(whole, part, "{at}"),
    }
}

#[test]
fn every_act_is_shown_and_is_one_that_the_station_takes() {
    let mut shown = BTreeSet::new();
    for example in examples().into_iter().filter(|e| e.get("do").is_some()) {
        let act: Act = serde_json::from_value(example.clone()).unwrap_or_else(|e| panic!("{e}: {example}"));
        // Nothing of the example was passed over: it comes back as it was written.
        holds(&serde_json::to_value(&act).unwrap(), &example, "");
        shown.insert(example["do"]["act"].as_str().unwrap().to_owned());
    }
    // The station itself lists the acts that it knows when it is given another.
    let other = r#"{"id":"019f0000-0000-7000-8000-0000000000a1","do":{"act":"none-such"}}"#;
    let known = serde_json::from_str::<Act>(other).unwrap_err().to_string();
    let known: BTreeSet<String> = known.split('`').skip(3).step_by(2).map(str::to_owned).collect();
    assert!(known.len() > 10, "{known:?}");
    // Parts that exist and in which nothing can be done yet.
    let empty = ["solution", "preparation", "quality"];
    let missing: Vec<_> = known.difference(&shown).filter(|act| !empty.contains(&act.as_str())).collect();
    assert!(missing.is_empty(), "not shown: {missing:?}");
    assert!(shown.is_subset(&known), "{shown:?}");
}

#[test]
fn the_shortened_record_is_taken_from_the_frozen_one() {
    let frozen: Value = serde_json::from_str(FROZEN).unwrap();
    let example = examples().into_iter().find(|e| e.get("specversion").is_some()).unwrap();
    holds(&frozen, &example, "");
}

#[test]
fn every_schema_is_named_in_the_table() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/schema");
    for entry in std::fs::read_dir(folder).unwrap() {
        let file = entry.unwrap().file_name().into_string().unwrap();
        let name = file.strip_suffix(".schema.json").unwrap();
        let rows = || GUIDE.lines().filter(|line| line.starts_with('|'));
        assert!(rows().any(|row| row.contains(&format!("`{name}`"))), "{name} is not in the table");
    }
}
