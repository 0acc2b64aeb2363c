//! Source text, with comments and literals blanked so that a word search means code.

use regex::Regex;
use std::path::Path;

/// One file of the tree.
pub(crate) struct Source {
    /// Path from the root of the project, with forward slashes.
    pub(crate) path: String,
    /// As it is.
    pub(crate) text: String,
    /// Comments and literals blanked; as long as `text`, line by line.
    pub(crate) masked: String,
    /// `masked` with tests blanked too; empty for a file of tests.
    pub(crate) code: String,
}

impl Source {
    pub(crate) fn new(path: &str, text: &str) -> Self {
        let masked = mask(text);
        let code = if is_test(path) { String::new() } else { without_tests(&masked) };
        Self { path: path.into(), text: text.into(), masked, code }
    }

    /// `src/a/b.rs` is `a::b`, `src/a/mod.rs` is `a`; `None` outside of the library.
    pub(crate) fn module(&self) -> Option<String> {
        let inner = self.path.strip_prefix("src/")?.strip_suffix(".rs")?;
        let inner = inner.strip_suffix("/mod").unwrap_or(inner);
        (inner != "main" && inner != "lib").then(|| inner.replace('/', "::"))
    }
}

/// Root of the project.
pub(crate) fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every Rust file of the project.
pub(crate) fn rust() -> Vec<Source> {
    ["src", "tests", "examples", "fuzz"]
        .iter()
        .flat_map(|folder| files(folder, &["rs"]))
        .map(|path| Source::new(&path, &read(&path)))
        .collect()
}

/// Text of a file of the project.
pub(crate) fn read(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"))
}

/// Files under a folder of the project with one of these endings (none: all of them), sorted.
/// What is built, installed or measured is not the project's text.
pub(crate) fn files(folder: &str, endings: &[&str]) -> Vec<String> {
    const NOT_OURS: [&str; 6] =
        ["target", ".git", "fuzz/target", "tests/tools", "tests/data", "tests/outside/__pycache__"];
    let (mut found, mut folders) = (Vec::new(), vec![root().join(folder)]);
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).into_iter().flatten() {
            let path = entry.unwrap().path();
            let name = relative(&path);
            if NOT_OURS.contains(&name.as_str()) {
                continue;
            }
            let ending = path.extension().map(|e| e.to_string_lossy().into_owned()).unwrap_or_default();
            if path.is_dir() {
                folders.push(path);
            } else if endings.is_empty() || endings.contains(&ending.as_str()) {
                found.push(name);
            }
        }
    }
    found.sort();
    found
}

fn relative(path: &Path) -> String {
    path.strip_prefix(root()).unwrap().to_string_lossy().replace('\\', "/")
}

/// The number, from 1, of the line that holds a byte.
pub(crate) fn line_of(text: &str, at: usize) -> usize {
    text.bytes().take(at).filter(|b| *b == b'\n').count() + 1
}

/// Tests stand in `test.rs`, in a folder `test`, in `…_test.rs`, or outside of `src`.
fn is_test(path: &str) -> bool {
    !path.starts_with("src/")
        || path.ends_with("/test.rs")
        || path.ends_with("_test.rs")
        || path.contains("/test/")
}

fn without_tests(masked: &str) -> String {
    let mut code = masked.to_owned();
    for mark in Regex::new(r"#\[cfg\(test\)\](\s*#\[[^\]]*\])*").unwrap().find_iter(masked) {
        let end = item_end(masked, mark.end());
        blank(&mut code, mark.start()..end);
    }
    code
}

/// The end of the item that begins at `from`: behind its braces, or behind its semicolon.
pub(crate) fn item_end(masked: &str, from: usize) -> usize {
    let (mut round, mut curly) = (0_i32, 0_i32);
    for (at, byte) in masked.bytes().enumerate().skip(from) {
        match byte {
            b'(' | b'[' => round += 1,
            b')' | b']' => round -= 1,
            b'{' => curly += 1,
            b'}' => curly -= 1,
            _ => {}
        }
        if curly == 0 && (byte == b'}' || byte == b';' && round == 0) {
            return at + 1;
        }
    }
    masked.len()
}

fn blank(text: &mut String, range: std::ops::Range<usize>) {
    let gap: String = text[range.clone()].chars().map(|c| if c == '\n' { c } else { ' ' }).collect();
    text.replace_range(range, &gap);
}

/// Blanks comments, texts and characters, and makes the rest ASCII, byte for byte.
fn mask(text: &str) -> String {
    let (bytes, mut out, mut at) = (text.as_bytes(), text.as_bytes().to_vec(), 0);
    while at < bytes.len() {
        let end = literal_end(bytes, at);
        let gap = end.max(at + 1);
        for byte in &mut out[at..gap] {
            if *byte != b'\n' && (end > at || !byte.is_ascii()) {
                *byte = b' ';
            }
        }
        at = gap;
    }
    String::from_utf8(out).unwrap()
}

/// Where the comment or literal that begins at `at` ends; `at` itself where none begins.
fn literal_end(bytes: &[u8], at: usize) -> usize {
    let rest = &bytes[at..];
    let find = |from: usize, what: &[u8]| {
        rest[from.min(rest.len())..]
            .windows(what.len())
            .position(|w| w == what)
            .map_or(bytes.len(), |p| at + from + p + what.len())
    };
    if rest.starts_with(b"//") {
        return find(2, b"\n").saturating_sub(1).max(at + 2);
    }
    if rest.starts_with(b"/*") {
        return find(2, b"*/");
    }
    let after_word = at > 0 && (bytes[at - 1].is_ascii_alphanumeric() || bytes[at - 1] == b'_');
    let raw_allowed = !after_word || matches!(bytes[at - 1], b'b' | b'c');
    if rest[0] == b'r' && raw_allowed {
        let hashes = rest[1..].iter().take_while(|b| **b == b'#').count();
        if rest.get(1 + hashes) == Some(&b'"') {
            return find(2 + hashes, &[&b"\""[..], &b"#".repeat(hashes)].concat());
        }
    }
    match rest[0] {
        b'"' => {
            let mut i = 1;
            while i < rest.len() && rest[i] != b'"' {
                i += if rest[i] == b'\\' { 2 } else { 1 };
            }
            (at + i + 1).min(bytes.len())
        }
        b'\'' if rest.get(1) == Some(&b'\\') => find(3, b"'"),
        b'\'' => {
            let width = rest.get(1).map_or(1, |b| if b.is_ascii() { 1 } else { b.leading_ones() as usize });
            if rest.get(1 + width) == Some(&b'\'') { at + 2 + width } else { at }
        }
        _ => at,
    }
}

#[test]
fn only_code_is_left() {
    let text =
        "let a = \"fn // \\\" {\"; // async\nlet b = r#\"tokio \" {\"#; /* { */ let c = '{'; fn d<'a>() {}\n";
    let masked = mask(text);
    assert_eq!(masked.len(), text.len());
    for gone in ["async", "tokio", "//", "\""] {
        assert!(!masked.contains(gone), "{masked}");
    }
    assert!(masked.contains("fn d<'a>() {}") && masked.matches('{').count() == 1, "{masked}");
    let source = Source::new("src/a.rs", "fn a() {}\n#[cfg(test)]\nmod test { fn b() {} }\nfn c() {}\n");
    assert!(source.code.contains("fn a") && source.code.contains("fn c") && !source.code.contains("fn b"));
}
