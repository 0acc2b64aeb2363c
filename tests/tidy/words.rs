//! Words that must not stay: panics without a stated invariant, leftovers, one machine's paths.

use crate::source::{Source, files, item_end, line_of, root, rust};
use crate::{none, one};
use regex::Regex;

/// Panics on a value's absence are allowed only where the enclosing function states the invariant
/// by `#[expect(clippy::…_used, reason = …)]`. The linter asks the same; this catches it being
/// switched off for a whole file.
fn panics(sources: &[Source]) -> Vec<String> {
    let panic = Regex::new(r"\.(unwrap|expect)\(").unwrap();
    let function = Regex::new(r"\bfn\s+\w+").unwrap();
    let stated = Regex::new(r"#\[expect\([^\]]*clippy::(unwrap|expect)_used").unwrap();
    let off = Regex::new(r"#!?\[allow\([^\]]*clippy::(unwrap_used|expect_used|disallowed_methods)").unwrap();
    let mut found = Vec::new();
    for source in sources {
        let code = &source.code;
        let place = |at| format!("{}:{}", source.path, line_of(code, at));
        for hit in panic.find_iter(code) {
            let within = |f: &regex::Match| f.start() < hit.start() && item_end(code, f.start()) > hit.end();
            let Some(function) = function.find_iter(code).filter(within).last() else { continue };
            let from = attributes_start(code, function.start());
            if !stated.is_match(&code[from..hit.start()]) {
                found.push(format!("{}: `{}` without a stated invariant", place(hit.start()), hit.as_str()));
            }
        }
        found
            .extend(off.find_iter(code).map(|hit| format!("{}: a lint is switched off", place(hit.start()))));
    }
    found
}

/// Where the attributes of the item whose `fn` stands at `at` begin: behind the last thing that
/// ended before.
fn attributes_start(code: &str, at: usize) -> usize {
    code[..at].rfind(['}', ';', '{']).map_or(0, |end| end + 1)
}

/// Pattern, and what is wrong with it. Each is written so that it does not find itself.
const LEFTOVERS: [(&str, &str); 5] = [
    (r"\b(t[o]do|unimplement[e]d|dbg)!\s*\(", "unfinished code"),
    (r"\b(FIX[M]E|XX[X])\b", "unfinished work"),
    // The other half of a test that starts its own binary is run by that test.
    (r#"#\[ignor[e](\]|\s*=\s*"[^s"])"#, "a test that does not run"),
    (r#"(^|[\s"'`(=:])/(wor[k]|roo[t]|hom[e]/\w+)(/|$)"#, "a path of one machine"),
    (r"(?i)\bsee[d] document", "a word that means nothing to a reader"),
];

fn leftovers(path: &str, text: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (pattern, what) in LEFTOVERS {
        let pattern = Regex::new(pattern).unwrap();
        for (number, line) in text.lines().enumerate().filter(|(_, line)| pattern.is_match(line)) {
            found.push(format!("{path}:{}: {what}: {}", number + 1, line.trim()));
        }
    }
    found
}

#[test]
fn no_panic_without_a_stated_invariant() {
    none(panics(&rust()));
}

#[test]
fn nothing_is_left_over() {
    let mut found = Vec::new();
    for path in files("", &[]) {
        // What is no text is none of our words.
        if let Ok(text) = std::fs::read_to_string(root().join(&path)) {
            found.extend(leftovers(&path, &text));
        }
    }
    none(found);
}

#[test]
fn a_planted_breach_is_caught() {
    let try_it = |text: &str| panics(&[Source::new("src/a.rs", text)]);
    one(&try_it("fn a() { b().unwrap(); }\n"), "src/a.rs:1: `.unwrap(`");
    let stated = "#[expect(clippy::expect_used, reason = \"so\")]\nfn a() { b().expect(\"so\"); }\n";
    none(try_it(stated));
    one(&try_it(&format!("{stated}fn c() {{ d().expect(\"no\"); }}\n")), "src/a.rs:3");
    one(&try_it("#![allow(clippy::unwrap_used)]\n"), "switched off");
    none(try_it("#[cfg(test)]\nmod test { fn a() { b().unwrap(); } }\n"));
    for planted in [
        "to\u{64}o!()",
        "// FIX\u{4d}E later",
        "#[ignor\u{65}]",
        "see /wor\u{6b}/notes",
        "the see\u{64} document",
    ] {
        one(&leftovers("a", planted), "a:1: ");
    }
    none(leftovers("a", "docs/wor\u{6b}/notes and https://example.org/wor\u{6b}/x"));
}
