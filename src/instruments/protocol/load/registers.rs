//! From the text of a file with `protocol = "modbus-rtu"` to checked registers.

use super::super::registers::{Number, Registers, WordOrder, words};
use super::{codes, examples, line, values};
use crate::domain::method::Fault;
use crate::domain::method::load::walk::{Table, Walk};
use crate::domain::method::load::{id, syntax};
use crate::domain::quantity::Kind;
use crate::domain::reading::InstrumentKind;
use crate::instruments::{Bank, Poll};
use rust_decimal::Decimal;
use toml::de::{DeTable, DeValue};

const KINDS: [(&str, InstrumentKind); 1] = [("probe", InstrumentKind::SolutionProbe)];
const PROTOCOLS: [(&str, ()); 1] = [("modbus-rtu", ())];
const BANKS: [(&str, Bank); 2] = [("input", Bank::Input), ("holding", Bank::Holding)];
const NUMBERS: [(&str, Number); 5] = [
    ("int16", Number::Int16),
    ("uint16", Number::Uint16),
    ("int32", Number::Int32),
    ("uint32", Number::Uint32),
    ("float32", Number::Float32),
];
const ORDERS: [(&str, WordOrder); 4] = [
    ("abcd", WordOrder::Abcd),
    ("cdab", WordOrder::Cdab),
    ("badc", WordOrder::Badc),
    ("dcba", WordOrder::Dcba),
];
const KEYS: [&str; 15] = [
    "id",
    "title",
    "kind",
    "protocol",
    "speed",
    "framing",
    "unit-id",
    "registers",
    "address",
    "type",
    "word-order",
    "scale",
    "unit",
    "request",
    "example",
];

/// Whether a file speaks of registers. One that cannot be parsed does not: its fault is told elsewhere.
pub(in super::super) fn is_of_registers(text: &str) -> bool {
    DeTable::parse(text).is_ok_and(|document| document.get_ref().contains_key("protocol"))
}

pub(in super::super) fn registers(file: &str, text: &str) -> Result<Registers, Vec<Fault>> {
    let document = DeTable::parse(text).map_err(|error| vec![syntax(file, text, &error)])?;
    let mut walk = Walk::new(file, text);
    let root = Table::root(document.get_ref());
    match shape(&mut walk, &root, file) {
        Some(registers) if walk.clean() => Ok(registers),
        _ => Err(walk.into_faults()),
    }
}

fn shape<'t>(walk: &mut Walk<'t>, root: &Table<'t>, file: &str) -> Option<Registers> {
    let id = id(walk, root, file);
    let title = walk.text(root, "title");
    walk.only(root, &KEYS);
    let kind = walk.word(root, "kind", &KINDS);
    let protocol = walk.word(root, "protocol", &PROTOCOLS);
    let line = line(walk, root);
    let number = walk.word(root, "type", &NUMBERS);
    let order = order(walk, root, number);
    let scale = scale(walk, root);
    let unit = walk.word(root, "unit", &codes(Some(Kind::Temperature)));
    let poll = poll(walk, root, number);
    let examples = examples::read(walk, root, kind);
    protocol?;
    let (examples, nodes) = examples?;
    let registers = Registers {
        id: id?,
        title: title?,
        line: line?,
        poll: poll?,
        number: number?,
        order: order?,
        scale: scale?,
        unit: unit?,
        examples,
    };
    for (example, node) in registers.examples.iter().zip(nodes) {
        let Some(bytes) = words(&example.line) else {
            walk.wrong(&node, "registers as words of four hexadecimal digits, such as `41B3 3333`");
            continue;
        };
        examples::compare(walk, example, &node, &registers.read(&bytes));
    }
    Some(registers)
}

/// One register has one order.
fn order<'t>(walk: &mut Walk<'t>, root: &Table<'t>, number: Option<Number>) -> Option<WordOrder> {
    if number?.registers() == 2 {
        return walk.word(root, "word-order", &ORDERS);
    }
    walk.bad_value(root, "word-order", "no word order for a number of one register");
    Some(WordOrder::Abcd)
}

fn scale<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Decimal> {
    let Some(node) = root.get("scale") else { return Some(Decimal::ONE) };
    let scale = walk.as_decimal(&node)?;
    let fits = scale >= Decimal::new(1, 6) && scale <= Decimal::from(1_000_000);
    if !fits {
        walk.wrong(&node, "what one step of the number is worth, from 0.000001 to 1000000");
    }
    fits.then_some(scale)
}

fn poll<'t>(walk: &mut Walk<'t>, root: &Table<'t>, number: Option<Number>) -> Option<Poll> {
    let unit_id = whole(walk, root, "unit-id", 1, 247, "the unit's own number on the line, from 1 to 247");
    let bank = walk.word(root, "registers", &BANKS);
    let last = 65_536 - u64::from(number.map_or(1, Number::registers));
    let expected = format!(
        "the first register counted from 0 (manuals may count from 1, or from 30001 or 40001), at most {last}"
    );
    let address = whole(walk, root, "address", 0, last, &expected);
    let table = walk.table(root, "request")?;
    walk.only(&table, &["every-s", "answer-within-ms", "longest-answer-ms"]);
    let (every_ns, answer_within) = values::pace(walk, &table)?;
    let longest = values::milliseconds(walk, &table, "longest-answer-ms");
    let longest_answer = longest?;
    if longest_answer < answer_within {
        walk.bad_value(&table, "longest-answer-ms", "no less than `answer-within-ms`");
        return None;
    }
    Some(Poll {
        unit_id: u8::try_from(unit_id?).ok()?,
        bank: bank?,
        address: u16::try_from(address?).ok()?,
        count: number?.registers(),
        every_ns,
        answer_within,
        longest_answer,
    })
}

fn whole<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    key: &str,
    least: u64,
    most: u64,
    expected: &str,
) -> Option<u64> {
    let node = walk.need(table, key, expected)?;
    let number = match node.value {
        DeValue::Integer(digits) if digits.radix() == 10 => digits.as_str().parse().ok(),
        _ => None,
    };
    let number = number.filter(|number| (least..=most).contains(number));
    if number.is_none() {
        walk.wrong(&node, expected);
    }
    number
}
