//! Registers and what they say.

use super::*;
use crate::domain::reading::InstrumentKind;

const FILE: &str = "probe-modbus-float.toml";

fn text() -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/instruments").join(FILE))
        .unwrap()
}

/// The shipped file with another type and order, without its examples but one that holds.
fn of(number: &str, order: &str, scale: &str, line: &str, value: &str) -> AnyShape {
    let text = text().split("[[example]]").next().unwrap().to_owned();
    let order = if order.is_empty() { String::new() } else { format!("word-order = \"{order}\"") };
    let text = text
        .replace("type = \"float32\"", &format!("type = \"{number}\"\nscale = \"{scale}\""))
        .replace("word-order = \"cdab\"", &order);
    let example = format!(
        "[[example]]\nline = \"{line}\"\nsays = \"temperature\"\nvalue = \"{value}\"\nunit = \"Cel\"\n"
    );
    AnyShape::load(FILE, &(text + &example)).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

fn read(shape: &AnyShape, bytes: &[u8]) -> Said {
    let AnyShape::Registers(registers) = shape else { panic!("lines") };
    registers.read(bytes)
}

#[test]
fn each_type_in_each_order_is_read_exactly() {
    // By hand: 22.4 as a single is 41B33333; 2240 is 08C0; -5 is FFFB and FFFFFFFB.
    for (number, order, scale, line, value) in [
        ("float32", "abcd", "1", "41B3 3333", "22.4"),
        ("float32", "cdab", "1", "3333 41B3", "22.4"),
        ("float32", "badc", "1", "B341 3333", "22.4"),
        ("float32", "dcba", "1", "3333 B341", "22.4"),
        ("float32", "abcd", "1", "BF00 0000", "-0.5"),
        ("int16", "", "0.1", "FFFB", "-0.5"),
        ("uint16", "", "0.01", "08C0", "22.40"),
        ("int32", "abcd", "0.001", "FFFF FFFB", "-0.005"),
        ("int32", "cdab", "0.001", "FFFB FFFF", "-0.005"),
        ("uint32", "dcba", "0.01", "C008 0000", "22.40"),
    ] {
        let shape = of(number, order, scale, line, value);
        assert_eq!(shape.kind(), InstrumentKind::SolutionProbe);
    }
}

#[test]
fn what_is_no_finite_number_of_an_instrument_is_nonsense() {
    let float = of("float32", "abcd", "1", "41B3 3333", "22.4");
    // Infinity, its negative, not-a-number, the largest and the smallest single; too few, too many.
    for bytes in [
        &[0x7f, 0x80, 0, 0][..],
        &[0xff, 0x80, 0, 0],
        &[0x7f, 0xc0, 0, 0],
        &[0x7f, 0x7f, 0xff, 0xff],
        &[0, 0, 0, 1],
        &[0x41, 0xb3],
        &[],
        &[0x41, 0xb3, 0x33, 0x33, 0, 0],
    ] {
        assert!(matches!(read(&float, bytes), Said::Nonsense { .. }), "{}", in_words(bytes));
    }
}

#[test]
fn each_wrong_thing_of_a_file_is_told() {
    for (old, new, key) in [
        ("unit-id = 1", "unit-id = 0", "unit-id"),
        ("unit-id = 1", "unit-id = 248", "unit-id"),
        ("address = 0", "address = 65535", "address"),
        ("\"holding\"", "\"coils\"", "registers"),
        ("\"modbus-rtu\"", "\"modbus-tcp\"", "protocol"),
        ("\"cdab\"", "\"bcda\"", "word-order"),
        ("unit = \"Cel\"\n\n[request]", "unit = \"Cel\"\nscale = 0\n\n[request]", "scale"),
        ("longest-answer-ms = 2000", "longest-answer-ms = 100", "request.longest-answer-ms"),
        ("every-s = 1", "every-s = 1\nsend = \"x\"", "request.send"),
        ("kind = \"probe\"", "kind = \"balance\"", "kind"),
        ("\"3333 41B3\"", "\"3333 41B4\"", "example"),
        ("\"3333 41B3\"", "\"333341B3\"", "example"),
    ] {
        assert!(text().contains(old), "{old}");
        let faults = AnyShape::load(FILE, &text().replacen(old, new, 1)).unwrap_err();
        let told: Vec<_> = faults.iter().map(|fault| fault.key.as_str()).collect();
        assert!(told.iter().any(|told| told.starts_with(key)), "{old} -> {new}: {faults:#?}");
    }
}

#[test]
fn the_documentation_names_both_shipped_files() {
    let page = include_str!("../../../../docs/instruments.md");
    for id in ["probe-modbus-input", "probe-modbus-float"] {
        assert!(page.contains(&format!("| `{id}` |")), "{id} is not in the table");
    }
}

proptest! {
    #[test]
    fn a_float_is_read_as_the_decimal_that_stands_for_it_alone(bits: u32) {
        let float = of("float32", "abcd", "1", "41B3 3333", "22.4");
        if let Said::Temperature { quantity } = read(&float, &bits.to_be_bytes()) {
            let back: f32 = quantity.value.to_string().parse().unwrap();
            // Both zeros are one number.
            prop_assert!(back.to_bits() == bits || bits << 1 == 0, "{} from {:08x}", quantity.value, bits);
        }
    }
}
