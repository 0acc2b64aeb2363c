//! The walls of the single crate: which module may name which.

use crate::source::{Source, line_of, read, rust};
use crate::{none, one};
use regex::Regex;

/// What one module may name of this crate, beside itself.
struct Row {
    module: &'static str,
    may: &'static [&'static str],
    why: &'static str,
}

const fn row(module: &'static str, may: &'static [&'static str], why: &'static str) -> Row {
    Row { module, may, why }
}

/// Everything; for the two roots that put the rest together.
const ALL: &[&str] = &[""];

/// The most exact row counts. Tests are free: they stand where they test, but may borrow the
/// rehearsal's broker and the stepped clock.
const TABLE: [Row; 32] = [
    row("domain", &[], "the trade is pure and knows nothing of what carries it"),
    row("clock", &["domain::moment"], "a clock makes moments"),
    row("settings", &["domain"], "settings name methods, kinds of instruments and the bench's limits"),
    row("certificates", &[], "PEM files, whoever uses them"),
    row("door", &["certificates"], "who gets in: it knows no trade, and no page"),
    row("signing", &["domain::report"], "what is signed of a document, the domain says"),
    row("journal", &[], "the journal keeps text and bytes; what they mean is the owner's"),
    row("instruments", &["domain", "clock"], "bytes become readings, stamped on arrival"),
    row("lines", &[], "where a line is, not what it means"),
    row(
        "triggers",
        &["domain", "clock", "settings::model", "lines"],
        "a GPIO line is described in the settings",
    ),
    row(
        "outputs",
        &["domain", "clock", "settings::model", "lines"],
        "outputs follow what happened; what they show is decided in the domain",
    ),
    row(
        "network",
        &["domain", "clock", "certificates", "journal::OutboxRow", "journal::chain"],
        "of the journal it sees only what is to go out",
    ),
    row(
        "keeping",
        &["domain", "journal", "settings::model"],
        "it reads what the journal holds, and knows what it means",
    ),
    row(
        "paper",
        &["domain", "journal"],
        "what is printed repeats documents and draws what the journal holds",
    ),
    row(
        "web",
        &["domain", "clock", "door", "journal", "keeping", "paper", "signing", "daemon::station"],
        "pages read stored documents, and hand acts to the station's handle, the one door in; \
         nothing else of the daemon",
    ),
    row("rehearsal", ALL, "it plays the laboratory around the whole station"),
    row("daemon", ALL, "the composition root"),
    // The pure parts of the adapters see less than their adapter.
    row("journal::chain", &[], "arithmetic over bytes"),
    row("journal::stored", &[], "arithmetic over JSON"),
    row(
        "instruments::protocol",
        &["domain", "instruments"],
        "bytes to values; what a line and a request are, the parent says",
    ),
    row("instruments::listener", &["domain", "instruments"], "what the parent asks of it"),
    row("instruments::listen::judge", &["domain", "instruments"], "which shapes fit what came"),
    row("instruments::listen::plan", &["instruments"], "an order of speeds and questions"),
    row("instruments::listen::proposal", &["domain", "instruments"], "settings for what fits"),
    row("instruments::listen::shipped", &["instruments"], "the shapes that came with the program"),
    row("instruments::listen::text", &["instruments"], "bytes to text"),
    row("network::topics", &[], "names"),
    row("network::message", &["domain", "network"], "the bench as messages"),
    row(
        "network::documents",
        &["domain", "network", "journal::OutboxRow", "journal::chain"],
        "an outbox row as a packet, with its digest",
    ),
    row("network::relay::machine", &["network"], "decides by numbers and reasons alone"),
    row("triggers::meaning", &["domain"], "a payload's meaning"),
    row("web::view", &["domain"], "what is shown is a function of what was committed"),
];

fn breaches(sources: &[Source]) -> Vec<String> {
    let (named, up) = (
        Regex::new(r"\bcrate::(\{|[A-Za-z_0-9]+(?:::[A-Za-z_0-9]+)*)").unwrap(),
        Regex::new(r"\b(?:self::)?super::(?:super::)*").unwrap(),
    );
    let mut found = Vec::new();
    for source in sources {
        let Some(module) = source.module() else { continue };
        let Some(row) = TABLE.iter().filter(|r| within(&module, r.module)).max_by_key(|r| r.module.len())
        else {
            found.push(format!("{}: no row of the table covers `{module}`", source.path));
            continue;
        };
        let place = |at| format!("{}:{}", source.path, line_of(&source.code, at));
        for hit in named.captures_iter(&source.code) {
            let (path, at) = (&hit[1], place(hit.get(0).unwrap().start()));
            if path == "{" {
                found.push(format!("{at}: write one `use` for each module, so that the walls can be read"));
            } else if !within(path, row.module) && !row.may.iter().any(|may| within(path, may)) {
                let (name, why) = (row.module, row.why);
                found.push(format!("{at}: `{name}` may not name `crate::{path}` ({why})"));
            }
        }
        // `super` past the own top module would climb over the wall unseen.
        let depth = module.split("::").count();
        for hit in up.find_iter(&source.code).filter(|hit| hit.as_str().matches("super").count() >= depth) {
            found.push(format!("{}: `super` leaves the module; write `crate::…`", place(hit.start())));
        }
    }
    found
}

/// `path` is `module` or stands in it.
fn within(path: &str, module: &str) -> bool {
    module.is_empty()
        || path.strip_prefix(module).is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
}

#[test]
fn modules_name_only_what_they_may() {
    none(breaches(&rust()));
}

#[test]
fn the_table_and_the_map_list_the_same_modules() {
    let map = read("src/lib.rs");
    let mut modules: Vec<_> =
        Regex::new(r"pub mod (\w+);").unwrap().captures_iter(&map).map(|c| c[1].to_owned()).collect();
    let mut rows: Vec<_> = TABLE.iter().map(|r| r.module).filter(|m| !m.contains("::")).collect();
    modules.sort();
    rows.sort_unstable();
    assert_eq!(modules, rows);
}

#[test]
fn a_planted_breach_is_caught() {
    let try_it = |path: &str, text: &str| breaches(&[Source::new(path, text)]);
    one(
        &try_it("src/domain/bench/mod.rs", "use crate::clock::Clock;\n"),
        "may not name `crate::clock::Clock`",
    );
    one(&try_it("src/network/mod.rs", "fn f(j: crate::journal::Journal) {}\n"), "crate::journal::Journal");
    one(&try_it("src/web/view/lists.rs", "use crate::journal::Journal;\n"), "`web::view` may not");
    one(&try_it("src/journal/read.rs", "use super::super::domain::moment;\n"), "`super` leaves the module");
    one(&try_it("src/web/act.rs", "use crate::{domain, daemon};\n"), "one `use` for each module");
    one(&try_it("src/cellar/mod.rs", ""), "no row");
    let fine = "// crate::clock\nuse crate::domain::moment::Moment;\n#[cfg(test)]\nmod test { use crate::clock::X; }\n";
    none(try_it("src/domain/bench/mod.rs", fine));
}
