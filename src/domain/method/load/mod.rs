//! From a file's text to a checked method, or every fault at once.
//!
//! The document is parsed with positions and walked once; a fault is noted and the walk goes on.
//! `walk` knows the document, `value` the values with their source, `parts` and `steps` the method.

mod course;
mod number;
pub(crate) mod parts;
mod steps;
pub(crate) mod value;
pub(crate) mod walk;

#[cfg(test)]
mod test;

use super::points::KnownPoints;
use super::{Method, sand_equivalent};
use sha2::{Digest, Sha256};
use std::fmt::Write;
use std::path::Path;
use toml::de::DeTable;
use walk::{Table, Walk, line_of};

/// One fault of a method file, or of another file that is read by the same walk.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}: `{key}`: found {found}, expected {expected}")]
pub struct Fault {
    /// File name as given.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Dotted key (`step.3.required.value`); elements of arrays are numbered from 1.
    pub key: String,
    /// What stands there.
    pub found: String,
    /// What may stand there.
    pub expected: String,
}

/// Parses and checks a method file. `file` is its name, for messages; the id must equal its stem.
///
/// # Errors
/// Every fault of the file, in order of lines; never only the first. What is no TOML at all is
/// one fault: behind it nothing can be trusted.
pub fn load(file: &str, text: &str) -> Result<Method, Vec<Fault>> {
    let document = DeTable::parse(text).map_err(|error| vec![syntax(file, text, &error)])?;
    let mut walk = Walk::new(file, text);
    let method = method(&mut walk, &Table::root(document.get_ref()), file, text);
    match method {
        Some(method) if walk.clean() => Ok(method),
        _ => Err(walk.into_faults()),
    }
}

pub(crate) fn syntax(file: &str, text: &str, error: &toml::de::Error) -> Fault {
    let at = error.span().map_or(0, |span| span.start);
    let (found, expected) =
        error.message().split_once(", expected ").unwrap_or((error.message(), "valid TOML"));
    let expected = match found {
        "string values must be quoted" => "a text in double quotes, a number, or `true` or `false`",
        "duplicate key" => "each key once in its table, and `[[…]]` for each table of a list",
        "unexpected key or value" => "the end of the line; a text stands in double quotes",
        "extra comma in inline table" => "one comma between two keys, and a point in a number",
        _ => expected,
    };
    Fault {
        file: file.to_owned(),
        line: line_of(text, at),
        key: "syntax".to_owned(),
        found: format!("{found}{}", walk::excerpt(text, at)),
        expected: expected.to_owned(),
    }
}

/// Everything is read before anything is asked for, so that no fault hides another.
fn method<'t>(walk: &mut Walk<'t>, root: &Table<'t>, file: &str, text: &str) -> Option<Method> {
    let known = [
        "id",
        "title",
        "standard",
        "quantity",
        "edition",
        "notice",
        "safety",
        "time-resolution",
        "preparation",
        "specimen",
        "step",
        "temperature",
        "readings",
        "late-line",
        "notes",
        "calculation",
        "replicates",
        "precision",
        "apparatus",
    ];
    walk.only(root, &known);
    let id = id(walk, root, file);
    let title = walk.text(root, "title");
    let standard = walk.text(root, "standard");
    let quantity = quantity(walk, root);
    let edition = walk.sourced_text(root, "edition");
    let notice = walk.text(root, "notice");
    let safety = parts::sentences(walk, root, "safety");
    let resolution = walk.duration(root, "time-resolution");
    if resolution.as_ref().is_some_and(|sourced| sourced.value == Some(0)) {
        walk.bad_value(root, "time-resolution", "a time above 0");
    }
    let specimen = parts::specimen(walk, root);
    let seen = steps::read(walk, root);
    let preparation = parts::preparation(walk, root, seen.as_deref());
    let temperature = parts::temperature(walk, root, seen.as_deref());
    let levels = seen.as_deref().and_then(steps::levels);
    let readings = parts::readings(walk, root, levels.as_deref());
    let late_line = parts::late_line(walk, root);
    let notes = parts::notes(walk, root);
    let calculation = number::calculation(walk, root, levels.as_deref());
    let replicates = number::replicates(walk, root);
    let precision = number::precision(walk, root);
    let apparatus = parts::requirements(walk, root, "apparatus");
    Some(Method {
        id: id?,
        title: title?,
        standard: standard?,
        quantity: quantity?,
        edition: edition?,
        digest: digest(text),
        notice: notice?,
        time_resolution_ns: resolution?,
        preparation: preparation?,
        specimen: specimen?,
        steps: steps::whole(seen?)?,
        temperature: temperature?,
        readings: readings?,
        late_line: late_line?,
        notes: notes?,
        calculation: calculation?,
        replicates: replicates?,
        precision: precision?,
        apparatus: apparatus?,
        safety: safety?,
        known_points: KnownPoints::default(),
    })
}

/// What the number is, in words that make a name of a field, too.
fn quantity<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<String> {
    let Some(node) = root.get("quantity") else { return Some(sand_equivalent()) };
    let words = walk.as_text(&node)?;
    let starts = words.starts_with(|c: char| c.is_ascii_alphabetic());
    let plain = words.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, ' ' | '-'));
    if starts && plain && words.len() <= 40 {
        return Some(words);
    }
    walk.wrong(&node, "one to a few words of plain letters and digits, such as `durability index`");
    None
}

/// The id travels in records and topics and finds the file again: it is the file's own name.
pub(crate) fn id<'t>(walk: &mut Walk<'t>, root: &Table<'t>, file: &str) -> Option<String> {
    let id = walk.text(root, "id")?;
    let stem = Path::new(file).file_stem().map(|stem| stem.to_string_lossy().into_owned());
    let plain = id.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-');
    if !plain {
        walk.bad_value(root, "id", "lower-case letters, digits and hyphens");
        return None;
    }
    if stem.as_deref() != Some(id.as_str()) {
        let expected = format!("`{}`, the file's name without its extension", stem.unwrap_or_default());
        walk.bad_value(root, "id", &expected);
        return None;
    }
    Some(id)
}

pub(crate) fn digest(text: &str) -> String {
    Sha256::digest(text.as_bytes()).iter().fold(String::new(), |mut hex, byte| {
        // Writing to a string cannot fail.
        let _ = write!(hex, "{byte:02x}");
        hex
    })
}
