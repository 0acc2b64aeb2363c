//! What the documents say and the program could contradict: links between them, the table of
//! alarms, the tests that are named as evidence, examples, the map.

#![allow(clippy::unwrap_used, reason = "a test's helpers fail loudly, as the test itself does")]

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use stillstand::domain::alarm::{Priority, TABLE};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Files with this ending, below a folder or beside it, in order.
fn files(folder: &str, ending: &str, deep: bool) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![root().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() && deep {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == ending) {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

fn documents() -> Vec<(PathBuf, String)> {
    let paths = [files("", "md", false), files("docs", "md", true)].concat();
    paths.into_iter().map(|path| (path.clone(), fs::read_to_string(path).unwrap())).collect()
}

/// Lines outside code blocks, with inline code taken out.
fn prose(text: &str) -> Vec<String> {
    let (mut block, mut lines) = (false, Vec::new());
    for line in text.lines() {
        if line.trim_start().starts_with("```") {
            block = !block;
        } else if !block {
            lines.push(line.split('`').step_by(2).collect());
        }
    }
    lines
}

/// Targets of the links of a line, those into the world left out.
fn targets(line: &str) -> impl Iterator<Item = &str> {
    line.split("](").skip(1).filter_map(|rest| rest.split(')').next()).filter(|t| !t.contains("://"))
}

/// The name by which a heading is linked: lower case, spaces become hyphens, other marks go.
fn anchor(heading: &str) -> String {
    let kept = |c: &char| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_');
    heading.to_lowercase().chars().filter(kept).map(|c| if c == ' ' { '-' } else { c }).collect()
}

fn dead_links(path: &Path, text: &str) -> Vec<String> {
    let mut dead = Vec::new();
    for line in prose(text) {
        for target in targets(&line) {
            let (file, heading) = target.split_once('#').unwrap_or((target, ""));
            let file = if file.is_empty() { path.to_owned() } else { path.parent().unwrap().join(file) };
            let there = if heading.is_empty() {
                file.exists()
            } else {
                let text = fs::read_to_string(&file).unwrap_or_default();
                prose(&text)
                    .iter()
                    .any(|l| l.starts_with('#') && anchor(l.trim_start_matches(['#', ' '])) == heading)
            };
            if !there {
                dead.push(format!("{}: `{target}` leads nowhere", path.display()));
            }
        }
    }
    dead
}

#[test]
fn links_between_the_documents_lead_somewhere() {
    let documents = documents();
    assert!(documents.len() > 4, "where are the documents?");
    let dead: Vec<_> = documents.iter().flat_map(|(path, text)| dead_links(path, text)).collect();
    assert!(dead.is_empty(), "{}", dead.join("\n"));
}

#[test]
fn a_dead_link_is_caught() {
    let here = root().join("docs/manager.md");
    assert_eq!(dead_links(&here, "see [a](nowhere.md) and [b](journal.md)").len(), 1);
    assert_eq!(dead_links(&here, "[a](#alarms) [b](#nothing-of-that-name)").len(), 1);
    assert!(
        dead_links(&here, "`[a](nowhere.md)`\n```\n[a](nowhere.md)\n```\n<https://x.example/>").is_empty()
    );
}

#[test]
fn each_document_has_one_title() {
    for (path, text) in documents() {
        let titles = prose(&text).iter().filter(|l| l.starts_with("# ")).count();
        assert_eq!(titles, 1, "{}", path.display());
    }
}

#[test]
fn the_managers_table_holds_every_alarm_as_it_is() {
    let page = fs::read_to_string(root().join("docs/manager.md")).unwrap();
    let section = page.split("## Alarms").nth(1).and_then(|rest| rest.split("\n## ").next()).unwrap();
    let written: Vec<&str> = section.lines().filter(|l| l.starts_with("| `")).collect();
    let expected: Vec<String> = TABLE
        .iter()
        .map(|row| {
            let priority = match row.priority {
                Priority::High => "high",
                Priority::Medium => "medium",
                Priority::Low => "low",
            };
            let within = match row.respond_within_s {
                s if s % 3600 == 0 => format!("{} h", s / 3600),
                s => format!("{} min", s / 60),
            };
            let on = row.on_delay.setting().map_or("none".to_owned(), |key| format!("`{key}`"));
            let off = match row.off_delay_s {
                0 => "none".to_owned(),
                s => format!("{s} s"),
            };
            let deadband = row.deadband.map_or("none".to_owned(), |d| d.to_string());
            format!(
                "| `{}` | {priority} | {} | {} | {} | {within} | {on} | {off} | {deadband} |",
                row.name.as_str(),
                row.condition,
                row.consequence,
                row.response
            )
        })
        .collect();
    assert_eq!(written, expected);
}

#[test]
fn every_test_that_is_named_as_evidence_exists() {
    let page = fs::read_to_string(root().join("docs/manager.md")).unwrap();
    let section = page.split("## ISO/IEC 17025").nth(1).unwrap();
    let threats = fs::read_to_string(root().join("docs/threats.md")).unwrap();
    let in_way =
        threats.split("## What stands in the way").nth(1).and_then(|rest| rest.split("\n## ").next());
    let rows: Vec<&str> = in_way.unwrap().lines().filter(|line| line.starts_with("| ")).skip(1).collect();
    let evidence = |row: &str| {
        row.rsplit("| ")
            .next()
            .is_some_and(|shown| shown.contains("`tests/outside/") || shown.matches('_').count() > 2)
    };
    let unshown: Vec<_> = rows.iter().filter(|row| !row.starts_with("| ---") && !evidence(row)).collect();
    assert!(rows.len() > 15 && unshown.is_empty(), "a threat without a test: {unshown:?}");
    let spans = section.split('`').chain(["", ""]).chain(threats.split('`'));
    let named: Vec<&str> =
        spans.filter(|name| name.matches('_').count() > 2 && !name.contains(' ')).collect();
    assert!(named.len() > 35, "{named:?}");
    let code: String = [files("src", "rs", true), files("tests", "rs", true)]
        .concat()
        .iter()
        .map(|path| fs::read_to_string(path).unwrap())
        .collect();
    for name in named {
        assert!(code.contains(&format!("fn {name}(")), "no test has the name {name}");
    }
}

#[test]
fn the_readmes_settings_are_sound() {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    let example = readme.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    // Where the folders of methods and shapes stand is the laboratory's; here they stand in the tree.
    let example = example
        .replace("methods = \"methods\"", &format!("methods = {:?}", root().join("config/methods")))
        .replace("shapes = \"instruments\"", &format!("shapes = {:?}", root().join("config/instruments")));
    let folder = std::env::temp_dir().join(format!("stillstand-readme-{}", std::process::id()));
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join("stillstand.toml"), example).unwrap();
    let checked = Command::new(env!("CARGO_BIN_EXE_stillstand"))
        .args(["check", "--settings"])
        .arg(&folder)
        .output()
        .unwrap();
    fs::remove_dir_all(&folder).unwrap();
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stderr));
}

#[test]
fn the_readmes_worksheet_comes_out_as_it_says() {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    let mut reckon = Command::new(env!("CARGO_BIN_EXE_stillstand"))
        .arg("reckon")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let sheet = readme.split("printf '").nth(1).and_then(|rest| rest.split('\'').next()).unwrap();
    reckon.stdin.take().unwrap().write_all(sheet.replace("\\n", "\n").as_bytes()).unwrap();
    let told = reckon.wait_with_output().unwrap();
    assert_eq!(told.status.code(), Some(65));
    let told = [told.stdout, told.stderr].concat();
    let told = String::from_utf8(told).unwrap();
    assert!(readme.contains(&told), "the README does not show\n{told}");
}

#[test]
fn the_developers_map_names_files_that_are_there() {
    let page = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let named: Vec<&str> = page
        .split('`')
        .filter(|name| name.starts_with("src/") && !name.contains(char::is_whitespace))
        .collect();
    assert!(named.len() > 20, "{named:?}");
    for name in named {
        assert!(root().join(name).exists(), "there is no {name}");
    }
}
