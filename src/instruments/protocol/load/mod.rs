//! From a shape file's text to a checked shape, or every fault at once.

mod examples;
mod registers;
mod values;

pub(super) use registers::{is_of_registers, registers};

use super::number::Notation;
use super::shape::{Shape, Stability};
use super::speak::Template;
use super::{Checksum, Framing, Over, Terminator, Written};
use crate::domain::method::Fault;
use crate::domain::method::load::walk::{Table, Walk, listed};
use crate::domain::method::load::{id, syntax};
use crate::domain::quantity::{Kind, Unit};
use crate::domain::reading::InstrumentKind;
use crate::instruments::{Line, Parity};
use regex::bytes::{Regex, RegexBuilder};
use toml::de::DeTable;

const KINDS: [(&str, InstrumentKind); 2] =
    [("balance", InstrumentKind::Balance), ("probe", InstrumentKind::SolutionProbe)];
const TERMINATORS: [(&str, Terminator); 3] =
    [("\r\n", Terminator::CrLf), ("\n", Terminator::Lf), ("\r", Terminator::Cr)];
const FRAMES: [(&str, ()); 1] = [("stx-etx", ())];
const CHECKSUMS: [(&str, ()); 1] = [("xor", ())];
const OVERS: [(&str, Over); 3] =
    [("text", Over::Text), ("text-etx", Over::TextEtx), ("stx-text-etx", Over::StxTextEtx)];
const WRITTEN: [(&str, Written); 2] = [("hex-digits", Written::HexDigits), ("raw-byte", Written::RawByte)];
const NOTATIONS: [(&str, Notation); 2] = [("plain", Notation::Plain), ("scpi", Notation::Scpi)];
const STABILITIES: [(&str, Stability); 3] =
    [("marked", Stability::Marked), ("every-line", Stability::EveryLine), ("own-rule", Stability::OwnRule)];
const FRAMINGS: [(&str, (u8, Parity, u8)); 6] = [
    ("8E1", (8, Parity::Even, 1)),
    ("8O1", (8, Parity::Odd, 1)),
    ("8N1", (8, Parity::None, 1)),
    ("7E1", (7, Parity::Even, 1)),
    ("7O1", (7, Parity::Odd, 1)),
    ("8N2", (8, Parity::None, 2)),
];
const COMMON_KEYS: [&str; 17] = [
    "id",
    "title",
    "kind",
    "speed",
    "framing",
    "terminator",
    "framed-by",
    "checksum",
    "checksum-over",
    "checksum-as",
    "number",
    "request",
    "scpi",
    "pattern",
    "unit",
    "units",
    "example",
];
const BALANCE_KEYS: [&str; 6] =
    ["stability", "readability", "print-key", "format-stable", "format-unstable", "format-overload"];
const PROBE_KEYS: [&str; 1] = ["format"];
/// A pattern that needs more memory than this is no line of an instrument, bytes.
const PATTERN_MAX: usize = 1 << 20;

pub(super) fn load(file: &str, text: &str) -> Result<Shape, Vec<Fault>> {
    let document = DeTable::parse(text).map_err(|error| vec![syntax(file, text, &error)])?;
    let mut walk = Walk::new(file, text);
    let root = Table::root(document.get_ref());
    let shape = shape(&mut walk, &root, file);
    match shape {
        Some(shape) if walk.clean() => Ok(shape),
        _ => Err(walk.into_faults()),
    }
}

/// Everything is read before anything is asked for, so that no fault hides another.
fn shape<'t>(walk: &mut Walk<'t>, root: &Table<'t>, file: &str) -> Option<Shape> {
    let id = id(walk, root, file);
    let title = walk.text(root, "title");
    let kind = walk.word(root, "kind", &KINDS);
    only(walk, root, kind);
    let line = line(walk, root);
    let framing = framing(walk, root);
    let notation = match root.get("number") {
        Some(_) => walk.word(root, "number", &NOTATIONS),
        None => Some(Notation::Plain),
    };
    let request = values::request(walk, root);
    let scpi = values::scpi(walk, root);
    let units = values::units(walk, root, kind);
    let stability = stability(walk, root, kind);
    let readability = values::readability(walk, root, stability);
    let pattern = pattern(walk, root, kind, stability);
    let formats = formats(walk, root, kind, stability, pattern.as_ref());
    let examples = examples::read(walk, root, kind);
    let (units, unit) = units?;
    if let Some(pattern) = &pattern {
        unit_is_known(walk, root, pattern, units.is_empty(), unit);
    }
    let (stable, unstable, overload) = formats?;
    let (examples, nodes) = examples?;
    let shape = Shape {
        id: id?,
        title: title?,
        kind: kind?,
        line: line?,
        framing: framing?,
        request: request?,
        scpi: scpi?,
        pattern: pattern?,
        notation: notation?,
        units,
        unit,
        stability: stability?,
        readability: readability?,
        stable,
        unstable,
        overload,
        examples,
    };
    // What a line says can only be asked of a sound shape: else each fault would be told again by
    // every example that it spoils.
    if walk.clean() {
        examples::check(walk, &shape, &nodes);
    }
    Some(shape)
}

/// Keys of the other kind are unknown keys; where the kind is wrong nothing can be said of them.
fn only<'t>(walk: &mut Walk<'t>, root: &Table<'t>, kind: Option<InstrumentKind>) {
    let mut known = COMMON_KEYS.to_vec();
    if kind != Some(InstrumentKind::SolutionProbe) {
        known.extend(BALANCE_KEYS);
    }
    if kind != Some(InstrumentKind::Balance) {
        known.extend(PROBE_KEYS);
    }
    walk.only(root, &known);
}

fn line<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Line> {
    let speed = values::speed(walk, root);
    let framing = walk.word(root, "framing", &FRAMINGS);
    let (data_bits, parity, stop_bits) = framing?;
    Some(Line { speed: speed?, data_bits, parity, stop_bits })
}

/// Lines have a terminator, frames have none; only frames have a checksum.
fn framing<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Framing> {
    let framed = root.get("framed-by").is_some();
    let checked = framed && root.get("checksum").is_some();
    if framed {
        walk.bad_value(root, "terminator", "no terminator beside `framed-by`");
    } else {
        walk.bad_value(root, "checksum", "a checksum only beside `framed-by`");
    }
    if !checked {
        for key in ["checksum-over", "checksum-as"] {
            walk.bad_value(root, key, "nothing of this without `checksum` and `framed-by`");
        }
    }
    if !framed {
        return walk.word(root, "terminator", &TERMINATORS).map(Framing::Lines);
    }
    let frame = walk.word(root, "framed-by", &FRAMES);
    if !checked {
        return frame.map(|()| Framing::Frames(None));
    }
    let checksum = walk.word(root, "checksum", &CHECKSUMS);
    let over = walk.word(root, "checksum-over", &OVERS);
    let written = walk.word(root, "checksum-as", &WRITTEN);
    frame.and(checksum)?;
    Some(Framing::Frames(Some(Checksum { over: over?, written: written? })))
}

fn stability<'t>(walk: &mut Walk<'t>, root: &Table<'t>, kind: Option<InstrumentKind>) -> Option<Stability> {
    if kind? == InstrumentKind::SolutionProbe {
        return Some(Stability::None);
    }
    let stability = walk.word(root, "stability", &STABILITIES);
    let key = walk.switch(root, "print-key")?;
    match (stability?, key) {
        (Stability::Marked, true) => Some(Stability::MarkedByKey),
        (other @ (Stability::EveryLine | Stability::OwnRule), true) => {
            let expected = if other == Stability::EveryLine {
                "no `print-key`: with `every-line` each line is a weighing anyway"
            } else {
                "no `print-key`: the own rule needs lines that come one after the other"
            };
            walk.bad_value(root, "print-key", expected);
            None
        }
        (stability, _) => Some(stability),
    }
}

/// The whole line, bytes and not letters: `\d` is an ASCII digit and nothing else.
fn compiled(pattern: &str) -> Result<Regex, regex::Error> {
    let compile = |text: &str| RegexBuilder::new(text).unicode(false).size_limit(PATTERN_MAX).build();
    // Alone first: brackets that close each other only across the anchors would undo them.
    compile(pattern)?;
    compile(&format!(r"\A(?:{pattern})\z"))
}

fn pattern<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    kind: Option<InstrumentKind>,
    stability: Option<Stability>,
) -> Option<Regex> {
    let node = walk.need(root, "pattern", "a regular expression for the whole line")?;
    let text = values::as_raw(walk, &node)?;
    let pattern = match compiled(&text) {
        Ok(pattern) => pattern,
        Err(error) => {
            let told = error.to_string();
            let last = told.lines().last().unwrap_or_default().trim_start_matches("error: ").to_owned();
            walk.fault(node.at, &node.key, last, "a regular expression");
            return None;
        }
    };
    let names: Vec<&str> = pattern.capture_names().flatten().collect();
    let (field, known): (_, &[&str]) = match kind? {
        InstrumentKind::Balance => ("mass", &["sign", "mass", "unit", "stable", "unstable", "overload"]),
        InstrumentKind::SolutionProbe | InstrumentKind::RoomProbe => {
            ("temperature", &["sign", "temperature", "unit"])
        }
    };
    for name in names.iter().filter(|name| !known.contains(name)) {
        walk.fault(node.at, &node.key, format!("the group `{name}`"), format!("groups of {}", listed(known)));
    }
    if !names.contains(&field) {
        walk.fault(node.at, &node.key, "no such group", format!("a group `(?<{field}>…)`"));
    }
    let marks = names.iter().any(|name| ["stable", "unstable"].contains(name));
    let by_mark = matches!(stability?, Stability::Marked | Stability::MarkedByKey);
    if by_mark && !marks {
        let expected = "a group `stable` or `unstable`, or `stability = \"every-line\"` or `\"own-rule\"`";
        walk.fault(node.at, &node.key, "no mark of stability", expected);
    } else if !by_mark && marks && kind? == InstrumentKind::Balance {
        let expected = "no group `stable` or `unstable` beside `every-line` or `own-rule`";
        walk.fault(node.at, &node.key, "a mark of stability", expected);
    }
    Some(pattern)
}

/// A value without a unit is no value.
fn unit_is_known<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    pattern: &Regex,
    no_table: bool,
    fixed: Option<Unit>,
) {
    let group = pattern.capture_names().flatten().any(|name| name == "unit");
    let at = root.get("pattern").map_or(root.at, |node| node.at);
    if group && no_table {
        walk.fault(at, "units", "nothing", "what each text of the group `unit` means, a UCUM code");
    }
    if !group && !no_table {
        walk.fault(at, "pattern", "no group `unit`", "a group `(?<unit>…)` for the table `units`");
    }
    if !group && fixed.is_none() {
        walk.fault(at, "unit", "nothing", "the unit of all lines, since the pattern has no group `unit`");
    }
}

type Formats = (Template, Option<Template>, Option<Template>);

fn formats<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    kind: Option<InstrumentKind>,
    stability: Option<Stability>,
    pattern: Option<&Regex>,
) -> Option<Formats> {
    if kind? == InstrumentKind::SolutionProbe {
        return Some((values::template(walk, root, "format")?, None, None));
    }
    let stable = values::template(walk, root, "format-stable");
    let marked = matches!(stability, Some(Stability::Marked | Stability::MarkedByKey));
    let overloads =
        pattern.is_some_and(|pattern| pattern.capture_names().flatten().any(|name| name == "overload"));
    let mut only_if = |key: &str, said: bool| -> Option<Option<Template>> {
        if said {
            return values::template(walk, root, key).map(Some);
        }
        walk.bad_value(root, key, "no such format, since the pattern has no such line");
        Some(None)
    };
    let unstable = only_if("format-unstable", marked);
    let overload = only_if("format-overload", overloads);
    Some((stable?, unstable?, overload?))
}

/// The codes of one kind of unit, as the walk takes closed lists.
fn codes(kind: Option<Kind>) -> Vec<(&'static str, Unit)> {
    let fits = |unit: &Unit| {
        kind.map_or(matches!(unit.kind(), Kind::Mass | Kind::Temperature), |k| unit.kind() == k)
    };
    Unit::ALL.into_iter().filter(fits).map(|unit| (unit.code(), unit)).collect()
}

const fn measures(kind: Option<InstrumentKind>) -> Option<Kind> {
    match kind {
        Some(InstrumentKind::Balance) => Some(Kind::Mass),
        Some(InstrumentKind::SolutionProbe | InstrumentKind::RoomProbe) => Some(Kind::Temperature),
        None => None,
    }
}
