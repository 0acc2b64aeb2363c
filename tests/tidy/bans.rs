//! What the pure part may not touch: I/O, clocks, threads, locks, chance, floating point.

use crate::source::{Source, line_of, root, rust};
use crate::{none, one};
use regex::Regex;

/// Files and folders that are pure, without the ending `.rs`.
const PURE: [&str; 30] = [
    "src/domain",
    "src/keeping/columns",
    "src/keeping/days",
    "src/keeping/room",
    "src/keeping/rule",
    "src/keeping/table",
    "src/keeping/words",
    "src/web/view",
    "src/journal/chain",
    "src/journal/stored",
    "src/paper/sheet",
    "src/paper/drawing",
    "src/paper/symbol",
    "src/paper/report",
    "src/paper/worksheet",
    "src/paper/html",
    "src/instruments/protocol",
    "src/instruments/listener",
    "src/instruments/listen/judge",
    "src/instruments/listen/plan",
    "src/instruments/listen/proposal",
    "src/instruments/listen/shipped",
    "src/instruments/listen/text",
    "src/network/topics",
    "src/network/message",
    "src/network/documents",
    "src/network/relay/machine",
    "src/triggers/gpio/debounce",
    "src/triggers/meaning",
    "src/rehearsal/scenario",
];

/// Pattern in code, and what it would bring in.
const BANNED: [(&str, &str); 12] = [
    (r"\b(tokio|tokio_stream|tokio_util)\b", "an asynchronous runtime"),
    (r"\basync\b|\.await\b", "asynchronous code"),
    (r"\bstd::(fs|net|thread|process|env|io)\b", "the machine"),
    (r"\b(Instant|SystemTime)\b", "a clock"),
    (
        r"\b(rusqlite|axum|rumqttc|serialport|tokio_serial|gpiocdev|rustix|sd_notify)\b",
        "an adapter's library",
    ),
    (r"\b(now_v7|new_v4|now_v1)\b", "an id out of clock or chance; ids come in with the input"),
    (r"\brand\b", "chance"),
    (r"\b(Mutex|RwLock|Condvar|Atomic[A-Z]\w+)\b", "a lock"),
    (r"\b(println|eprintln|print|eprint)!", "a terminal"),
    (r"\btracing\b", "a log: return what is to be said"),
    (r"\bstatic\s+mut\b|\bthread_local!", "hidden state"),
    (r"\bTimestamp::now\b|\bZoned::now\b|\bTimeZone::(system|get)\b", "a clock, or the machine's zone files"),
];

/// No floating point near a figure of the trade.
const FLOATS: (&str, &str) = (r"\b(f32|f64|to_f64|from_f64|to_f32|from_f32)\b", "floating point");

/// File, the word that it may use all the same, and why.
const EXCEPTIONS: [(&str, &str, &str); 4] = [
    (
        "src/network/documents.rs",
        "rumqttc",
        "the codec's packet types are values; it measures a packet's size",
    ),
    ("src/rehearsal/scenario.rs", "rand", "a generator that the seed alone determines is arithmetic"),
    (
        "src/network/relay/machine.rs",
        "rumqttc",
        "the reason in a PUBACK is a value, and matching it is the job",
    ),
    (
        "src/domain/report/measure.rs",
        "to_f64",
        "a document's number for machines is JSON; the exact digits stand beside it, and nothing reads it back",
    ),
];

fn breaches(sources: &[Source]) -> Vec<String> {
    let mut found = Vec::new();
    for source in sources {
        let stem = source.path.strip_suffix(".rs").unwrap_or(&source.path);
        if !PURE.iter().any(|pure| stem == *pure || stem.starts_with(&format!("{pure}/"))) {
            continue;
        }
        let floats = source.path.starts_with("src/domain/").then_some(&FLOATS);
        for (pattern, what) in BANNED.iter().chain(floats) {
            for hit in Regex::new(pattern).unwrap().find_iter(&source.code) {
                let excepted =
                    |(path, word, _): &(&str, &str, &str)| source.path == *path && hit.as_str() == *word;
                if !EXCEPTIONS.iter().any(excepted) {
                    let line = line_of(&source.code, hit.start());
                    found.push(format!("{}:{line}: `{}` brings {what}", source.path, hit.as_str()));
                }
            }
        }
    }
    found
}

#[test]
fn the_pure_part_is_pure() {
    none(breaches(&rust()));
}

#[test]
fn the_lists_have_no_dead_lines() {
    let there = |stem: &str| root().join(stem).is_dir() || root().join(format!("{stem}.rs")).is_file();
    let missing = PURE.iter().filter(|p| !there(p)).map(|p| format!("{p} is not there"));
    let sources = rust();
    let idle = EXCEPTIONS
        .iter()
        .filter(|(path, word, _)| !sources.iter().any(|s| s.path == *path && s.code.contains(word)))
        .map(|(path, word, why)| format!("{path} no longer needs its exception for `{word}` ({why})"));
    none(missing.chain(idle).collect());
}

#[test]
fn a_planted_breach_is_caught() {
    let try_it = |path: &str, text: &str| breaches(&[Source::new(path, text)]);
    one(&try_it("src/domain/bench/mod.rs", "use std::time::Instant;\n"), "a clock");
    one(&try_it("src/domain/quantity.rs", "fn f(x: f64) {}\n"), "floating point");
    one(&try_it("src/web/view/lists.rs", "pub async fn f() {}\n"), "asynchronous");
    one(&try_it("src/journal/chain.rs", "fn f() { let _ = std::fs::read(p); }\n"), "the machine");
    one(&try_it("src/triggers/meaning.rs", "use rumqttc::v5;\n"), "an adapter's library");
    one(&try_it("src/network/message.rs", "let id = Uuid::now_v7();\n"), "come in with the input");
    none(try_it("src/clock/real.rs", "use std::time::SystemTime;\n"));
    none(try_it("src/domain/moment.rs", "// an Instant of f64\nconst TEXT: &str = \"tokio\";\n"));
}
