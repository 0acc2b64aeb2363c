//! Files of methods, of recipes and of kinds of equipment: whoever edits one is told every fault with
//! its place, and what is taken can be worked by.

use crate::story::Story;
use crate::{bare, renamed, toml_files};
use serde_json::json;
use std::sync::Arc;
use stillstand::domain::equipment::{self, Kind};
use stillstand::domain::method::{self, Edge, Level, Method};
use stillstand::domain::solution::{self, Recipe};

/// The whole input is the file.
pub fn run(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match method::load("fuzzed.toml", text) {
        Ok(method) => work(method),
        Err(faults) => crate::shapes::told(&faults, text),
    }
    match solution::load("fuzzed.toml", text) {
        Ok(recipe) => brew(recipe),
        Err(faults) => crate::shapes::told(&faults, text),
    }
    match equipment::load("fuzzed.toml", text) {
        Ok(kind) => check(kind),
        Err(faults) => {
            assert!(!faults.is_empty(), "refused without a reason");
            for fault in faults {
                assert!(fault.file == "fuzzed.toml" && !fault.why.trim().is_empty(), "{fault}");
            }
        }
    }
}

/// A batch can be begun by the recipe, and a specimen goes through the bench beside it.
fn brew(recipe: Recipe) {
    let stored = serde_json::to_string(&recipe).expect("a recipe is plain data");
    assert_eq!(serde_json::from_str::<Recipe>(&stored).expect("what was stored can be read"), recipe);
    let mut story = Story::with_lists(Vec::new(), vec![recipe]);
    for what in [
        json!({ "what": "begin", "batch": "B-1", "recipe": "fuzzed", "volume": "1", "unit": "L", "water": "distilled" }),
        json!({ "what": "receive", "batch": "B-2", "recipe": "fuzzed", "volume": "1", "unit": "L", "maker": "M", "lot": "7" }),
        json!({ "what": "put-in-use", "batch": "B-2" }),
    ] {
        listed(&mut story, "solution", what);
    }
    through(&mut story);
}

/// An item of the kind can be registered and checked, and is noted on a specimen as its file says.
fn check(kind: Kind) {
    let stored = serde_json::to_string(&kind).expect("a kind is plain data");
    assert_eq!(serde_json::from_str::<Kind>(&stored).expect("what was stored can be read"), kind);
    let checks: Vec<String> = kind.checks.iter().map(|check| check.name.clone()).collect();
    let mut story = Story::with_lists(vec![kind], Vec::new());
    listed(
        &mut story,
        "equipment",
        json!({ "what": "register", "item": "I-1", "kind": "fuzzed", "kit": true }),
    );
    for (number, check) in checks.iter().take(6).enumerate() {
        let found =
            json!({ "value": "1", "good": number % 2 == 0, "note": "seen", "cycles": 175, "seconds": "60" });
        listed(&mut story, "equipment", json!({ "what": "begin-check", "item": "I-1", "check": check }));
        listed(
            &mut story,
            "equipment",
            json!({ "what": "check", "item": "I-1", "check": check, "found": found }),
        );
        listed(&mut story, "equipment", json!({ "what": "stop-check" }));
    }
    through(&mut story);
}

/// An act on one of the lists; a refusal is an answer too.
fn listed(story: &mut Story, act: &str, mut what: serde_json::Value) {
    what["act"] = act.into();
    story.act(&json!({ "id": "$0", "who": "Ada Brook", "do": what }).to_string());
}

/// A specimen by T 176, and the end of the story with all that holds then.
fn through(story: &mut Story) {
    story.live("temp 22.4 Cel\n{\"id\":\"$0\",\"do\":{\"act\":\"register-sample\",\"label\":\"S\",\"method\":\"aashto-t176-mechanical\"}}\n\
                {\"id\":\"$0\",\"do\":{\"act\":\"register-specimen\",\"sample\":\"$1\",\"place\":1}}");
    for _ in 0..6 {
        story.act("{\"id\":\"$0\",\"do\":{\"act\":\"mark-next\",\"specimen\":\"$2\"}}");
        story.wait(60);
    }
    story.end();
}

/// Points name steps in their order; two specimens go through all of them, late and early.
fn work(method: Method) {
    let points = method.points();
    assert!(points.windows(2).all(|pair| pair[0].step <= pair[1].step), "points out of order");
    for point in points.iter() {
        assert!(point.step < method.steps.len());
        let begins = matches!(point.edge, Edge::Begin | Edge::End);
        assert_eq!(begins, method.timed(point.step).is_some());
    }
    let stored = serde_json::to_string(&method).expect("a method is plain data");
    assert_eq!(serde_json::from_str::<Method>(&stored).expect("what was stored can be read"), method);
    let mut story = Story::begin(vec![Arc::new(method)]);
    story.live("temp 22.4 Cel\n{\"id\":\"$0\",\"do\":{\"act\":\"register-sample\",\"label\":\"S\",\"method\":\"fuzzed\"}}\n\
                {\"id\":\"$0\",\"do\":{\"act\":\"register-specimen\",\"sample\":\"$1\",\"place\":1}}\n\
                {\"id\":\"$0\",\"do\":{\"act\":\"register-specimen\",\"sample\":\"$1\",\"place\":3}}\n\
                {\"id\":\"$0\",\"do\":{\"act\":\"await-specimen-mass\",\"specimen\":\"$2\"}}\nmass 130.2 g");
    for (number, point) in points.iter().enumerate() {
        for specimen in ["$2", "$3"] {
            let what = match point.edge {
                Edge::Value(of) => {
                    let (of, value) = match of {
                        Level::Clay => ("clay", "8.0"),
                        Level::Sand => ("sand", "3.3"),
                        Level::Sediment => ("sediment", "3.0"),
                    };
                    format!(
                        "\"enter-reading\",\"specimen\":\"{specimen}\",\"of\":\"{of}\",\"value\":\"{value}\""
                    )
                }
                _ => format!("\"mark-next\",\"specimen\":\"{specimen}\""),
            };
            story.act(&format!("{{\"id\":\"$0\",\"do\":{{\"act\":{what}}}}}"));
        }
        story.wait(if number % 2 == 0 { 40 } else { 1500 });
    }
    story.end();
}

/// The shipped methods, recipes and kinds, without their comments.
pub fn seeds() -> Vec<Vec<u8>> {
    let mut texts: Vec<_> = toml_files("config/methods").into_iter().map(|(_, text)| text).collect();
    texts.push(
        std::fs::read_to_string(crate::project("tests/frozen/method-v1.toml")).expect("a frozen method"),
    );
    texts.extend(toml_files("config/solutions").into_iter().map(|(_, text)| text));
    let mut seeds: Vec<_> = texts.iter().map(|text| renamed(&bare(text)).into_bytes()).collect();
    for (name, text) in toml_files("config/equipment") {
        let own = format!("kind = \"{}\"", name.trim_end_matches(".toml"));
        assert!(text.contains(&own), "{name}");
        seeds.push(bare(&text).replacen(&own, "kind = \"fuzzed\"", 1).into_bytes());
    }
    seeds
}
