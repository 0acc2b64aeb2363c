//! Files of instrument shapes: every fault with its line and key, and a file that is taken reads
//! its own examples as it claims.

use crate::{bare, renamed, toml_files};
use stillstand::instruments::protocol::{AnyShape, Said, Says, ShapeFault, read_line};

/// The whole input is the file.
pub fn run(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let shape = match AnyShape::load("fuzzed.toml", text) {
        Ok(shape) => shape,
        Err(faults) => return told(&faults, text),
    };
    assert_eq!(shape.id(), "fuzzed");
    let AnyShape::Lines(shape) = shape else { return };
    for example in &shape.examples {
        let said = read_line(&shape, example.line.as_bytes());
        let (kind, quantity) = match &said {
            Said::Mass { quantity } => (Says::Stable, Some(*quantity)),
            Said::Unstable { quantity } => (Says::Unstable, *quantity),
            Said::Unmarked { quantity } => (Says::Unmarked, Some(*quantity)),
            Said::Overload => (Says::Overload, None),
            Said::Temperature { quantity } => (Says::Temperature, Some(*quantity)),
            Said::Nonsense { .. } => (Says::Nonsense, None),
        };
        assert_eq!(kind, example.says, "{}", example.line);
        if example.quantity.is_some() {
            assert_eq!(quantity, example.quantity, "{}", example.line);
        }
    }
}

/// Whoever edits the file is told where to look, and what may stand there.
pub(crate) fn told(faults: &[ShapeFault], text: &str) {
    assert!(!faults.is_empty(), "refused without a reason");
    let lines = 1 + text.bytes().filter(|byte| *byte == b'\n').count();
    for fault in faults {
        assert!((1..=lines).contains(&fault.line), "{fault}");
        assert!(!fault.key.is_empty() && !fault.found.is_empty() && !fault.expected.is_empty(), "{fault}");
    }
}

/// The shipped shapes.
pub fn seeds() -> Vec<Vec<u8>> {
    toml_files("config/instruments").iter().map(|(_, text)| renamed(&bare(text)).into_bytes()).collect()
}
