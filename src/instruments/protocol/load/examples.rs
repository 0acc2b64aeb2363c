//! The examples of a shape file: the installer's own check that the shape is the right one.

use super::super::{Example, Framing, Said, Says, Shape, read_line};
use super::{codes, measures, values};
use crate::domain::method::load::walk::{Node, Table, Walk};
use crate::domain::quantity::Quantity;
use crate::domain::reading::InstrumentKind;

const BALANCE_SAYS: [(&str, Says); 5] = [
    ("stable", Says::Stable),
    ("unmarked", Says::Unmarked),
    ("unstable", Says::Unstable),
    ("overload", Says::Overload),
    ("nonsense", Says::Nonsense),
];
const PROBE_SAYS: [(&str, Says); 2] = [("temperature", Says::Temperature), ("nonsense", Says::Nonsense)];

/// The examples and where each of them stands.
pub(super) fn read<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    kind: Option<InstrumentKind>,
) -> Option<(Vec<Example>, Vec<Node<'t>>)> {
    let tables = walk.tables(root, "example")?;
    let read: Vec<_> = tables.iter().map(|table| example(walk, table, kind)).collect();
    let (examples, nodes): (Vec<_>, Vec<_>) =
        read.into_iter().collect::<Option<Vec<_>>>()?.into_iter().unzip();
    let value = |example: &Example| matches!(example.says, Says::Stable | Says::Unmarked | Says::Temperature);
    if !examples.iter().any(value) {
        let expected = "at least one `[[example]]` of a stable mass or a temperature";
        walk.fault(root.at, "example", "nothing", expected);
    }
    Some((examples, nodes))
}

fn example<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    kind: Option<InstrumentKind>,
) -> Option<(Example, Node<'t>)> {
    walk.only(table, &["line", "says", "value", "unit"]);
    let node = walk.need(table, "line", "a line without its terminator");
    let line = node.as_ref().and_then(|node| values::as_raw(walk, node));
    let says = match kind? {
        InstrumentKind::Balance => walk.word(table, "says", &BALANCE_SAYS),
        InstrumentKind::SolutionProbe | InstrumentKind::RoomProbe => walk.word(table, "says", &PROBE_SAYS),
    };
    let quantity = match says {
        Some(Says::Overload | Says::Nonsense) => {
            for key in ["value", "unit"] {
                if let Some(node) = table.get(key) {
                    walk.wrong(&node, "no value where none is read");
                }
            }
            Some(None)
        }
        Some(Says::Unstable) if table.get("value").is_none() && table.get("unit").is_none() => Some(None),
        _ => quantity(walk, table, kind).map(Some),
    };
    Some((Example { line: line?, says: says?, quantity: quantity? }, node?))
}

fn quantity<'t>(walk: &mut Walk<'t>, table: &Table<'t>, kind: Option<InstrumentKind>) -> Option<Quantity> {
    let value = walk.need(table, "value", "the number that is read, as a text that keeps its digits");
    let value = value.and_then(|node| walk.as_decimal(&node));
    let unit = walk.word(table, "unit", &codes(measures(kind)));
    Some(Quantity::new(value?, unit?))
}

/// Each example must read as it claims. Where lines come without a break, the first one after the
/// port was opened may lack its beginning: then no end of an example may read as another value.
pub(super) fn check<'t>(walk: &mut Walk<'t>, shape: &Shape, nodes: &[Node<'t>]) {
    for (example, node) in shape.examples.iter().zip(nodes) {
        let said = read_line(shape, example.line.as_bytes());
        if !compare(walk, example, node, &said) {
            continue;
        }
        if let Some((end, said)) = misread_end(shape, example) {
            let found = format!("`{}`, whose end `{}` reads as {}", example.line, end, told(&said));
            let expected = "a pattern that no torn line fits, since this one speaks without a break";
            walk.fault(node.at, &node.key, found, expected);
        } else if let Some((part, said)) = misread_part(shape, example) {
            let found = format!("`{}`, whose part `{}` reads as {}", example.line, part, told(&said));
            let expected = "a pattern that no part of a frame fits, so that the checksum need not tell it";
            walk.fault(node.at, &node.key, found, expected);
        }
    }
}

/// Whether an example reads as it claims; a fault if not.
pub(super) fn compare<'t>(walk: &mut Walk<'t>, example: &Example, node: &Node<'t>, said: &Said) -> bool {
    let agrees = agrees(said, example);
    if !agrees {
        let found = format!("`{}`, which reads as {}", example.line, told(said));
        walk.fault(node.at, &node.key, found, format!("a line that reads as {}", claim(example)));
    }
    agrees
}

fn agrees(said: &Said, example: &Example) -> bool {
    // Compared as written: 52.3 is not 52.30 on a record.
    let same = |quantity: &Quantity| {
        example.quantity.is_some_and(|expected| expected.to_string() == quantity.to_string())
    };
    match (said, example.says) {
        (Said::Mass { quantity }, Says::Stable)
        | (Said::Unmarked { quantity }, Says::Unmarked)
        | (Said::Temperature { quantity }, Says::Temperature) => same(quantity),
        (Said::Unstable { quantity }, Says::Unstable) => {
            quantity.as_ref().map_or(example.quantity.is_none(), same)
        }
        (Said::Overload, Says::Overload) | (Said::Nonsense { .. }, Says::Nonsense) => true,
        _ => false,
    }
}

fn misread_end(shape: &Shape, example: &Example) -> Option<(String, Said)> {
    if !shape.is_continuous() {
        return None;
    }
    let line = example.line.as_bytes();
    (1..line.len()).find_map(|from| {
        let end = line.get(from..)?;
        match read_line(shape, end) {
            Said::Mass { quantity } | Said::Unmarked { quantity } | Said::Temperature { quantity }
                if Some(quantity) != example.quantity =>
            {
                Some((end.escape_ascii().to_string(), read_line(shape, end)))
            }
            _ => None,
        }
    })
}

/// A byte that became STX or ETX cuts a frame, and what then stands where the checksum is due may
/// fit by chance. The pattern must not.
fn misread_part(shape: &Shape, example: &Example) -> Option<(String, Said)> {
    if !matches!(shape.framing, Framing::Frames(Some(_))) {
        return None;
    }
    let line = example.line.as_bytes();
    let parts = (1..line.len()).flat_map(|cut| [line.get(cut..), line.get(..cut)]).flatten();
    parts.map(|part| (part, read_line(shape, part))).find_map(|(part, said)| match said {
        Said::Mass { quantity } | Said::Unmarked { quantity } | Said::Temperature { quantity }
            if Some(quantity) != example.quantity =>
        {
            Some((part.escape_ascii().to_string(), said))
        }
        _ => None,
    })
}

fn told(said: &Said) -> String {
    match said {
        Said::Mass { quantity } => format!("a stable mass of {quantity}"),
        Said::Temperature { quantity } => format!("a temperature of {quantity}"),
        Said::Unmarked { quantity } => format!("an unmarked mass of {quantity}"),
        Said::Unstable { quantity: Some(quantity) } => format!("an unstable mass of {quantity}"),
        Said::Unstable { quantity: None } => "an unstable mass without a value".to_owned(),
        Said::Overload => "an overload".to_owned(),
        Said::Nonsense { why } => format!("nonsense, for want of {why}"),
    }
}

fn claim(example: &Example) -> String {
    let value =
        example.quantity.map_or_else(|| " without a value".to_owned(), |value| format!(" of {value}"));
    match example.says {
        Says::Stable => format!("a stable mass{value}"),
        Says::Unmarked => format!("an unmarked mass{value}"),
        Says::Unstable => format!("an unstable mass{value}"),
        Says::Temperature => format!("a temperature{value}"),
        Says::Overload => "an overload".to_owned(),
        Says::Nonsense => "nonsense".to_owned(),
    }
}
