//! Numbers as instruments write them, against the standard library's own reader.

use rust_decimal::Decimal;
use std::sync::{Arc, LazyLock};
use stillstand::instruments::protocol::{AnyShape, Said, Shape, read_line};

fn shape(notation: &str) -> Arc<Shape> {
    let text = format!(
        "id = \"fuzzed\"\ntitle = \"Any number\"\nkind = \"probe\"\nspeed = 9600\nframing = \"8N1\"\n\
         terminator = \"\\n\"\nnumber = \"{notation}\"\npattern = '(?<temperature>.*)'\nunit = \"Cel\"\n\
         format = \"{{value}}\"\n[request]\nsend = \"R\\n\"\nevery-s = 1\nanswer-within-ms = 500\n[[example]]\nline = \"22.4\"\nsays = \"temperature\"\nvalue = \"22.4\"\n\
         unit = \"Cel\"\n"
    );
    match AnyShape::load("fuzzed.toml", &text).unwrap_or_else(|faults| panic!("{faults:#?}")) {
        AnyShape::Lines(shape) => shape,
        AnyShape::Registers(_) => unreachable!("the text says lines"),
    }
}

static PLAIN: LazyLock<Arc<Shape>> = LazyLock::new(|| shape("plain"));
static SCPI: LazyLock<Arc<Shape>> = LazyLock::new(|| shape("scpi"));

/// A number that is taken is the number that the text says; what is plainly a number is taken.
pub fn run(text: &[u8]) {
    for (notation, digits_max) in [(&PLAIN, 12), (&SCPI, 17)] {
        let said = match read_line(notation, text) {
            Said::Temperature { quantity } => Some(quantity.value),
            Said::Nonsense { why } => {
                assert!(!why.is_empty());
                None
            }
            other => panic!("a probe says {other:?}"),
        };
        if let Some(value) = said {
            as_the_library_reads(text, value);
        }
        let digits = text.iter().filter(|b| b.is_ascii_digit()).count();
        let points = text.iter().filter(|b| **b == b'.').count();
        if digits > 0 && points <= 1 && digits + points == text.len() && digits <= digits_max {
            assert!(said.is_some(), "{} is a number", text.escape_ascii());
        }
    }
}

fn as_the_library_reads(text: &[u8], value: Decimal) {
    let text = std::str::from_utf8(text).expect("only ASCII is a number").replace(' ', "");
    let number: f64 = text.parse().unwrap_or_else(|_| panic!("`{text}` was taken for {value}"));
    let taken: f64 = value.to_string().parse().expect("a decimal is a number");
    assert!(number.is_finite() && taken.is_finite());
    let apart = (number - taken).abs();
    assert!(apart <= number.abs() * 1e-12 + 1e-24, "`{text}` was taken for {value}");
}

/// Numbers of both notations, and what SCPI says for none.
pub fn seeds() -> Vec<Vec<u8>> {
    [
        "22.4",
        "+22.40",
        " - 52.300",
        "+2.24E+01",
        "-5.000000E-02",
        "9.9E37",
        "9.91E37",
        "1e-20",
        "123456789012",
        "12345678901234567E-17",
        ".5",
        "5.",
        "+.5E1",
        "1E999",
        "NAN",
        "INF",
        "0E-999",
        "0.0e300",
    ]
    .map(|text| text.as_bytes().to_vec())
    .to_vec()
}
