//! The documents name only commands, settings, files and exit codes that there are.

use crate::source::{files, read, root};
use crate::{none, one};
use clap::{Command, CommandFactory};
use regex::Regex;
use std::path::Path;
use stillstand::daemon::cli::Cli;

/// Lines of code blocks and spans of code, with the number of their line.
fn code(markdown: &str) -> Vec<(usize, String)> {
    let span = Regex::new("`([^`]+)`").unwrap();
    let (mut found, mut block) = (Vec::new(), false);
    for (number, line) in markdown.lines().enumerate() {
        if line.trim_start().starts_with("```") {
            block = !block;
        } else if block {
            found.push((number + 1, line.trim().to_owned()));
        } else {
            found.extend(span.captures_iter(line).map(|c| (number + 1, c[1].to_owned())));
        }
    }
    found
}

/// The arguments, where a line calls this program: by its name, by its path, or through cargo.
fn arguments(line: &str) -> Option<Vec<String>> {
    let call = Regex::new(
        r"(?:^|[|;&=]\s*|\$ |sudo (?:-\S+ (?:stillstand )?)*|[A-Z_]+=\S+ )(?:(?:\S*/)?stillstand|cargo run\b[^|;&]*? --)(?: ([^|;&<>#]*)|$)",
    )
    .unwrap();
    let arguments = call.captures(line)?.get(1)?.as_str();
    Some(arguments.split_whitespace().map(|a| a.trim_matches(['"', '\'']).to_owned()).collect())
}

/// What of a call the command line does not know.
fn unknown(arguments: &[String], cli: &Command) -> Option<String> {
    let mut command = cli;
    for (place, argument) in arguments.iter().enumerate() {
        let general = ["--help", "-h", "--version", "-V"].contains(&argument.as_str());
        if let Some(flag) = argument.strip_prefix("--").filter(|f| !f.is_empty() && !general) {
            let flag = flag.split('=').next().unwrap_or(flag);
            if !command.get_arguments().any(|a| a.get_long() == Some(flag)) {
                return Some(format!("`{}` has no flag `--{flag}`", command.get_name()));
            }
        } else if place == 0 && !general {
            match cli.find_subcommand(argument) {
                Some(sub) => command = sub,
                None => return Some(format!("there is no command `{argument}`")),
            }
        } else if let Some(sub) = command.find_subcommand(argument) {
            command = sub;
        }
    }
    None
}

fn commands(path: &str, lines: &[(usize, String)]) -> Vec<String> {
    let cli = Cli::command();
    let told = |(number, line): &(usize, String)| {
        Some(format!("{path}:{number}: {} in `{line}`", unknown(&arguments(line)?, &cli)?))
    };
    lines.iter().filter_map(told).collect()
}

/// Settings that a text names by their variable and that the shipped file does not explain.
fn variables(path: &str, text: &str) -> Vec<String> {
    let shipped = read("config/stillstand.toml");
    let variable = Regex::new(r"STILLSTAND_([A-Z]+)__([A-Z_]+[A-Z])").unwrap();
    let kebab = |part: &str| part.to_lowercase().replace('_', "-");
    variable
        .captures_iter(text)
        .filter(|c| {
            let section =
                Regex::new(&format!(r"(?ms)^(?:# )?\[{}\]$(.*?)(?:^(?:# )?\[|\z)", kebab(&c[1]))).unwrap();
            let key = Regex::new(&format!(r"(?m)^(?:# )?{} = ", kebab(&c[2]))).unwrap();
            !section.captures(&shipped).is_some_and(|s| key.is_match(&s[1]))
        })
        .map(|c| format!("{path}: {} is no setting", &c[0]))
        .collect()
}

/// Links within the project that lead nowhere, and a number of titles other than one.
fn shape(path: &str, text: &str, there: impl Fn(&Path) -> bool) -> Vec<String> {
    let (mut titles, mut block, mut found) = (0, false, Vec::new());
    let link = Regex::new(r"\]\(([^)#\s]+)[^)]*\)").unwrap();
    let folder = Path::new(path).parent().unwrap_or(Path::new(""));
    for line in text.lines() {
        if line.trim_start().starts_with("```") {
            block = !block;
        } else if !block {
            titles += usize::from(line.starts_with("# "));
            let dead =
                link.captures_iter(line).filter(|c| !c[1].contains("://") && !there(&folder.join(&c[1])));
            found.extend(dead.map(|c| format!("{path}: nothing stands at `{}`", &c[1])));
        }
    }
    if titles != 1 {
        found.push(format!("{path}: {titles} titles; one is right"));
    }
    found
}

#[test]
fn documents_name_what_there_is() {
    let mut found = Vec::new();
    for path in files("", &["md"]) {
        let text = read(&path);
        found.extend(commands(&path, &code(&text)));
        found.extend(variables(&path, &text));
        found.extend(shape(&path, &text, |target| root().join(target).exists()));
    }
    none(found);
}

#[test]
fn the_unit_and_the_scripts_call_what_there_is() {
    let mut paths = files("systemd", &["service"]);
    assert!(!paths.is_empty());
    paths.extend(files("tests", &["sh"]));
    none(
        paths
            .iter()
            .flat_map(|path| {
                let text = read(path);
                let lines: Vec<_> =
                    text.lines().enumerate().map(|(n, l)| (n + 1, l.trim().to_owned())).collect();
                [commands(path, &lines), variables(path, &text)].concat()
            })
            .collect(),
    );
}

#[test]
fn every_exit_code_is_in_the_table() {
    let (codes, page) = (read("src/daemon/exit.rs"), read("docs/installer.md"));
    let codes =
        Regex::new(r"= (\d+),").unwrap().captures_iter(&codes).map(|c| c[1].to_owned()).collect::<Vec<_>>();
    assert!(codes.len() > 5);
    none(
        codes
            .iter()
            .filter(|c| !page.contains(&format!("| {c} |")))
            .map(|c| format!("{c} is missing"))
            .collect(),
    );
}

#[test]
fn a_planted_breach_is_caught() {
    let try_it = |text: &str| commands("a.md", &code(text));
    one(&try_it("```\n$ stillstand dance\n```\n"), "a.md:2: there is no command `dance`");
    one(&try_it("```\ncargo run --release -- rehearse --fast\n```\n"), "no flag `--fast`");
    one(&try_it("run `stillstand check --all` first"), "`check` has no flag `--all`");
    one(&commands("a", &[(1, "ExecStart=/usr/bin/stillstand walk".into())]), "`walk`");
    none(try_it(
        "`stillstand --version`, `cargo run -- reckon --sand 3.3 --clay 8.0 | head --x`, `stillstand`",
    ));
    one(&variables("a", "STILLSTAND_BENCH__SHAKERS=2 STILLSTAND_NETWORK__PASSWORD_FILE=x"), "BENCH__SHAKERS");
    one(&shape("a.md", "# One\n# Two\n```\n# no title\n```\n", |_| true), "2 titles");
    one(&shape("docs/a.md", "# One\n[b](b.md) [c](https://example.org)\n", |_| false), "`b.md`");
}
