//! Modbus registers: every number in every order of its bytes.

use rust_decimal::Decimal;
use std::sync::LazyLock;
use stillstand::instruments::protocol::{Registers, Said};

const NUMBERS: [&str; 5] = ["int16", "uint16", "int32", "uint32", "float32"];
const ORDERS: [(&str, [usize; 4]); 4] =
    [("abcd", [0, 1, 2, 3]), ("cdab", [2, 3, 0, 1]), ("badc", [1, 0, 3, 2]), ("dcba", [3, 2, 1, 0])];
const SCALES: [&str; 4] = ["1", "0.1", "0.000001", "1000000"];

struct Case {
    registers: Registers,
    number: &'static str,
    order: [usize; 4],
    scale: Decimal,
}

static CASES: LazyLock<Vec<Case>> = LazyLock::new(|| {
    let mut cases = Vec::new();
    for number in NUMBERS {
        for (order, places) in ORDERS {
            for scale in SCALES {
                let one = number.ends_with("16");
                let order = if one { String::new() } else { format!("word-order = \"{order}\"\n") };
                let words = if one { "0000" } else { "0000 0000" };
                let text = format!(
                    "id = \"fuzzed\"\ntitle = \"Registers\"\nkind = \"probe\"\nprotocol = \"modbus-rtu\"\n\
                     speed = 9600\nframing = \"8E1\"\nunit-id = 1\nregisters = \"holding\"\naddress = 0\n\
                     type = \"{number}\"\n{order}scale = \"{scale}\"\nunit = \"Cel\"\n[request]\nevery-s = 1\n\
                     answer-within-ms = 500\nlongest-answer-ms = 2000\n[[example]]\nline = \"{words}\"\n\
                     says = \"temperature\"\nvalue = \"0\"\nunit = \"Cel\"\n"
                );
                let registers = Registers::load("fuzzed.toml", &text).unwrap_or_else(|f| panic!("{f:#?}"));
                let scale = scale.parse().expect("a number");
                cases.push(Case { registers, number, order: places, scale });
            }
        }
    }
    cases
});

/// First byte: which shape; the rest: what the registers hold. Whole numbers are compared with
/// whole numbers, a float with the standard library's own reading of our decimal.
pub fn run(data: &[u8]) {
    let [which, bytes @ ..] = data else { return };
    let case = &CASES[usize::from(*which) % CASES.len()];
    let said = match case.registers.read(bytes) {
        Said::Temperature { quantity } => quantity.value,
        Said::Nonsense { why } => {
            let whole = bytes.len() == if case.number.ends_with("16") { 2 } else { 4 };
            assert!(!why.is_empty());
            assert!(!whole || case.number == "float32", "{} out of {bytes:?}", case.number);
            return;
        }
        other => panic!("a probe says {other:?}"),
    };
    let own: Vec<u8> = match bytes {
        [_, _] => bytes.to_vec(),
        [_, _, _, _] => case.order.iter().map(|place| bytes[*place]).collect(),
        _ => panic!("{} bytes are no number: {said}", bytes.len()),
    };
    let signed = case.number.starts_with("int");
    if case.number == "float32" {
        if case.scale == Decimal::ONE {
            let number = f32::from_bits(big_endian(&own));
            let again: f32 = said.to_string().parse().expect("a decimal is a number");
            assert!(number.is_finite() && number == again, "{said} for {number:?}");
        }
        return;
    }
    let unsigned = i64::from(big_endian(&own));
    let range = 1_i64 << (8 * own.len());
    let number = if signed && unsigned >= range / 2 { unsigned - range } else { unsigned };
    assert_eq!(said, Decimal::from(number) * case.scale, "{} out of {bytes:?}", case.number);
}

fn big_endian(bytes: &[u8]) -> u32 {
    bytes.iter().fold(0, |number, byte| number << 8 | u32::from(*byte))
}

/// A room's temperature in every shape, and what a float is when it is no number.
pub fn seeds() -> Vec<Vec<u8>> {
    let mut seeds = Vec::new();
    for which in 0..u8::try_from(CASES.len()).expect("few") {
        let short: &[u8] = if which < 32 { &[0x00, 0xE0] } else { &[0x41, 0xB3, 0x33, 0x33] };
        seeds.push([&[which], short].concat());
    }
    for float in [f32::NAN, f32::INFINITY, f32::MIN_POSITIVE, f32::MAX, -0.0, 1e-7, 16_777_217.0] {
        seeds.push([&[64], &float.to_be_bytes()[..]].concat());
    }
    seeds
}
