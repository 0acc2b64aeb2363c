//! Files that fit a head, functions that fit a screen. Tests count too: nobody reads them more
//! gladly for being long.

use crate::source::{Source, item_end, line_of, rust};
use crate::{none, one};
use regex::Regex;

const FILE_MOST: usize = 600;
const FUNCTION_MOST: usize = 70;

fn breaches(sources: &[Source]) -> Vec<String> {
    let function = Regex::new(r"\bfn\s+(\w+)").unwrap();
    let mut found = Vec::new();
    for source in sources {
        let lines = source.text.lines().count();
        if lines > FILE_MOST {
            found.push(format!("{}: {lines} lines; at most {FILE_MOST}", source.path));
        }
        for hit in function.captures_iter(&source.masked) {
            let start = hit.get(0).unwrap().start();
            let first = line_of(&source.masked, start);
            let long = line_of(&source.masked, item_end(&source.masked, start) - 1) - first + 1;
            if long > FUNCTION_MOST {
                let name = &hit[1];
                found.push(format!(
                    "{}:{first}: `{name}` has {long} lines; at most {FUNCTION_MOST}",
                    source.path
                ));
            }
        }
    }
    found
}

#[test]
fn files_and_functions_are_short() {
    none(breaches(&rust()));
}

#[test]
fn a_planted_breach_is_caught() {
    let of = |lines: usize| format!("fn long(a: [u8; 2]) {{\n{}}}\n", "    step('}');\n".repeat(lines - 2));
    none(breaches(&[Source::new("src/a.rs", &of(FUNCTION_MOST))]));
    one(&breaches(&[Source::new("src/a.rs", &of(FUNCTION_MOST + 1))]), "`long` has 71 lines");
    none(breaches(&[Source::new("src/a.rs", &"const A: u8 = 1;\n".repeat(FILE_MOST))]));
    one(&breaches(&[Source::new("src/a.rs", &"const A: u8 = 1;\n".repeat(FILE_MOST + 1))]), "601 lines");
}
