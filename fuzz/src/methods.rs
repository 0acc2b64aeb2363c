//! Method files: every fault with its line and key, and a method that is taken can be worked by.

use crate::story::Story;
use crate::{bare, renamed, toml_files};
use std::sync::Arc;
use stillstand::domain::method::{self, Edge, Level, Method};

/// The whole input is the file.
pub fn run(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match method::load("fuzzed.toml", text) {
        Ok(method) => work(method),
        Err(faults) => crate::shapes::told(&faults, text),
    }
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

/// The shipped methods, without their comments.
pub fn seeds() -> Vec<Vec<u8>> {
    let mut texts: Vec<_> = toml_files("config/methods").into_iter().map(|(_, text)| text).collect();
    texts.push(
        std::fs::read_to_string(crate::project("tests/frozen/method-v1.toml")).expect("a frozen method"),
    );
    texts.iter().map(|text| renamed(&bare(text)).into_bytes()).collect()
}
