//! What the wire may do and what must come of it.

mod files;
mod frames;
mod registers;
mod masses;
mod settling;
mod weighings;

use super::*;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::InstrumentKind;
use proptest::prelude::*;
use rust_decimal::Decimal;
use std::path::Path;
use std::sync::LazyLock;

/// Every shipped shape, with its text; read once.
fn shipped() -> Vec<(Shape, String)> {
    static SHIPPED: LazyLock<Vec<(Shape, String)>> = LazyLock::new(read_shipped);
    SHIPPED.clone()
}

fn read_shipped() -> Vec<(Shape, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/instruments");
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    let read = |path: &std::path::PathBuf| {
        let text = std::fs::read_to_string(path).unwrap();
        (Shape::load(&path.to_string_lossy(), &text).unwrap_or_else(|faults| panic!("{faults:#?}")), text)
    };
    let of_lines = |path: &&std::path::PathBuf| {
        !std::fs::read_to_string(path).unwrap().contains("\nprotocol = \"modbus-rtu\"")
    };
    files.iter().filter(of_lines).map(read).collect()
}

fn shape(id: &str) -> Shape {
    shipped().into_iter().map(|(shape, _)| shape).find(|shape| shape.id == id).unwrap()
}

fn pieces(framing: Framing, bytes: &[u8]) -> Vec<Piece> {
    Decoder::new(framing).feed(bytes)
}

fn quantity(value: &str, unit: Unit) -> Quantity {
    Quantity::new(value.parse().unwrap(), unit)
}

/// The value that a line gives, if it gives one that may become a report.
fn value(said: &Said) -> Option<Quantity> {
    match said {
        Said::Mass { quantity } | Said::Unmarked { quantity } | Said::Temperature { quantity } => {
            Some(*quantity)
        }
        _ => None,
    }
}

#[test]
fn every_shipped_example_is_read_as_it_claims_and_spoken_again() {
    for (shape, _) in shipped() {
        let mut literally = false;
        for example in &shape.examples {
            let said = read_line(&shape, example.line.as_bytes());
            let spoken = match (example.says, example.quantity) {
                (Says::Stable | Says::Unmarked | Says::Temperature, Some(q)) => {
                    assert_eq!(value(&said).unwrap().to_string(), q.to_string(), "{}", shape.id);
                    encode(&shape, q.value, q.unit, true)
                }
                (Says::Unstable, Some(q)) => {
                    assert_eq!(said, Said::Unstable { quantity: Some(q) }, "{}", shape.id);
                    encode(&shape, q.value, q.unit, false)
                }
                (Says::Overload, _) => encode_overload(&shape),
                (Says::Nonsense, _) => {
                    assert!(matches!(said, Said::Nonsense { .. }), "{}: {}", shape.id, example.line);
                    continue;
                }
                (_, None) => continue,
            };
            let spoken = spoken.unwrap_or_else(|| panic!("{} cannot say {:?}", shape.id, example));
            let Piece::Line(bytes) = &pieces(shape.framing, &spoken)[0] else { panic!() };
            let body = shape.framing.text(bytes).unwrap();
            assert_eq!(read_line(&shape, body), said, "{}: {}", shape.id, example.line);
            literally |= body == example.line.as_bytes();
        }
        assert!(literally, "{}: no example is spoken letter by letter", shape.id);
    }
}

#[test]
fn a_balance_tells_a_stable_mass_from_all_others() {
    let words = shape("balance-status-words");
    let grams = |value| quantity(value, Unit::Gram);
    assert_eq!(read_line(&words, b"S S      52.30 g"), Said::Mass { quantity: grams("52.30") });
    assert_eq!(read_line(&words, b"S D      52.30 g"), Said::Unstable { quantity: Some(grams("52.30")) });
    assert_eq!(read_line(&words, b"S -"), Said::Overload);
    let columns = shape("balance-fixed-columns");
    assert_eq!(read_line(&columns, b"+    52.30    "), Said::Unstable { quantity: None });
    let header = shape("balance-comma-header");
    assert_eq!(read_line(&header, b"OL,GS,+0000052.3 g"), Said::Overload);
}

#[test]
fn a_line_that_does_not_fit_wholly_is_nonsense() {
    let cases: [(&str, &[&[u8]]); 4] = [
        (
            "balance-status-words",
            &[
                b"",
                b"S S      52.30 g ",
                b" S S      52.30 g",
                b"S S      52.30 t",
                b"S S      52,30 g",
                b"S S      52.30",
                b"S S    5 2.30 g",
                b"S S    52.3.0 g",
                b"S S        NaN g",
                b"S S    5.23e1 g",
                b"S S  \xb3   52.30 g",
                b"S S            g",
                b"S S      52.30 g\r",
                b"S S      52.30 gS S      52.30 g",
            ],
        ),
        ("balance-bare-number", &[b"52.30g", b"52.30 52.30", b"5\x002.30", b".", b"inf", b"+-5"]),
        ("probe-polled-number", &[b"+22.41", b"+022.4", b"022.41", b"+022.411", b"ERR"]),
        ("probe-text-unit", &[b"2.4 C", b"EMP   22.4 C", b"TEMP   22.4 K", b"TEMP  2 2.4 C"]),
    ];
    for (id, lines) in cases {
        let shape = shape(id);
        for line in lines {
            let said = read_line(&shape, line);
            assert!(matches!(said, Said::Nonsense { .. }), "{id}: {} gave {said:?}", line.escape_ascii());
        }
    }
}

#[test]
fn a_unicode_digit_is_no_digit() {
    let bare = shape("balance-bare-number");
    let said = read_line(&bare, "\u{0665}\u{0662}".as_bytes());
    assert!(matches!(said, Said::Nonsense { .. }), "{said:?}");
}

#[test]
fn a_balance_without_words_for_it_says_nothing() {
    let bare = shape("balance-bare-number");
    let say = |value: &str, unit, stable| encode(&bare, value.parse().unwrap(), unit, stable);
    assert_eq!(say("52.30", Unit::Gram, true).unwrap(), b"     52.30\r\n");
    assert_eq!(say("52.30", Unit::Gram, false), None, "a bare number is always stable");
    assert_eq!(say("52.30", Unit::Kilogram, true), None, "the line has no unit");
    assert_eq!(say("123456789", Unit::Gram, true), None, "too wide");
}

#[test]
fn a_megabyte_without_an_end_is_nonsense_in_pieces_and_the_next_line_counts() {
    let mut decoder = Decoder::new(Framing::Lines(Terminator::CrLf));
    let long = vec![b'5'; 1 << 20];
    let first = decoder.feed(&long);
    assert_eq!(first.len(), (1 << 20) / LINE_MAX);
    assert!(first.iter().all(|piece| matches!(piece, Piece::TooLong(_))));
    assert!(decoder.half().len() < LINE_MAX);
    let rest = decoder.feed(b"52.30\r\n52.30\r\n");
    assert_eq!(rest, [Piece::TooLong(b"52.30\r\n".to_vec()), Piece::Line(b"52.30\r\n".to_vec())]);
}

#[test]
fn the_longest_line_is_a_line_and_one_byte_more_is_not() {
    let line = |len: usize| [vec![b'x'; len - 2], b"\r\n".to_vec()].concat();
    assert_eq!(pieces(Framing::Lines(Terminator::CrLf), &line(LINE_MAX)), [Piece::Line(line(LINE_MAX))]);
    let over = pieces(Framing::Lines(Terminator::CrLf), &line(LINE_MAX + 1));
    // The piece ends between the two bytes of the terminator, which is seen all the same.
    assert!(matches!(over.as_slice(), [Piece::TooLong(_), Piece::TooLong(end)] if end == b"\n"), "{over:?}");
}

#[test]
fn every_torn_beginning_of_a_continuous_line_is_harmless() {
    for (shape, _) in shipped().into_iter().filter(|(shape, _)| shape.is_continuous()) {
        for example in &shape.examples {
            for from in 1..example.line.len() {
                let said = read_line(&shape, &example.line.as_bytes()[from..]);
                assert_eq!(value(&said), None, "{}: {}", shape.id, &example.line[from..]);
            }
        }
    }
}

fn framings() -> impl Strategy<Value = Framing> {
    let frames = |written| Framing::Frames(Some(Checksum { over: Over::Text, written }));
    prop_oneof![
        Just(Framing::Lines(Terminator::CrLf)),
        Just(Framing::Lines(Terminator::Lf)),
        Just(Framing::Lines(Terminator::Cr)),
        Just(Framing::Frames(None)),
        Just(frames(Written::HexDigits)),
        Just(frames(Written::RawByte)),
    ]
}

/// What is likely on a wire of these shapes: good lines, parts of them, and anything else.
fn wire() -> impl Strategy<Value = Vec<u8>> {
    let scrap = prop_oneof![
        Just(b"S S      52.30 g\r\n".to_vec()),
        Just(b"+022.41\r".to_vec()),
        Just(b"\x02+    52.30 g\x0345".to_vec()),
        Just(b"\x02".to_vec()),
        Just(b"\x03".to_vec()),
        Just(b"ST,GS,+0000052.3 g\r\n".to_vec()),
        Just(b"\r".to_vec()),
        Just(b"\n".to_vec()),
        Just(b"     52.30".to_vec()),
        proptest::collection::vec(any::<u8>(), 0..40),
        (0_usize..2 * LINE_MAX).prop_map(|len| vec![b'7'; len]),
    ];
    proptest::collection::vec(scrap, 0..12).prop_map(|scraps| scraps.concat())
}

proptest! {
    #[test]
    fn chunks_change_nothing_and_no_byte_is_lost(
        bytes in wire(),
        cuts in proptest::collection::vec(1_usize..300, 1..60),
        framing in framings(),
    ) {
        let mut whole = Decoder::new(framing);
        let expected = whole.feed(&bytes);
        let mut parts = Decoder::new(framing);
        let (mut rest, mut found) = (bytes.as_slice(), Vec::new());
        for cut in cuts.iter().cycle() {
            let (now, later) = rest.split_at((*cut).min(rest.len()));
            found.extend(parts.feed(now));
            rest = later;
            if rest.is_empty() { break }
        }
        prop_assert_eq!(&found, &expected);
        let mut back: Vec<u8> = found.iter().flat_map(|piece| piece.bytes().to_vec()).collect();
        back.extend(parts.half());
        prop_assert_eq!(back, bytes);
        prop_assert!(found.iter().all(|piece| piece.bytes().len() <= LINE_MAX));
    }

    #[test]
    fn any_bytes_give_a_number_only_if_its_digits_stand_in_them(line in proptest::collection::vec(any::<u8>(), 0..40)) {
        for (shape, _) in shipped() {
            if let Some(quantity) = value(&read_line(&shape, &line)) {
                let digits: Vec<u8> = line.iter().copied().filter(u8::is_ascii_digit).collect();
                let said = quantity.value.mantissa().abs().to_string();
                prop_assert!(String::from_utf8(digits).unwrap().contains(&said));
            }
        }
    }

    #[test]
    fn noise_before_a_good_line_costs_at_most_that_line(noise in proptest::collection::vec(any::<u8>(), 0..6000)) {
        let (words, good) = (shape("balance-status-words"), b"S S      52.30 g\r\n");
        let wire = [noise.as_slice(), good, good].concat();
        let last = pieces(words.framing, &wire).pop();
        prop_assert_eq!(last, Some(Piece::Line(good.to_vec())));
    }

    #[test]
    fn what_a_shape_speaks_it_reads(digits in -999_999_i64..=999_999, scale in 0_u32..=4, stable: bool, index in 0_usize..4) {
        for (shape, _) in shipped() {
            let unit = shape.units.get(index).map(|(_, unit)| *unit).or(shape.unit).unwrap_or(Unit::Gram);
            let sent = Decimal::new(digits, scale);
            let Some(bytes) = encode(&shape, sent, unit, stable) else { continue };
            let Some(Piece::Line(line)) = pieces(shape.framing, &bytes).pop() else { panic!() };
            let said = read_line(&shape, shape.framing.text(&line).unwrap());
            if stable || shape.stability == Stability::OwnRule {
                prop_assert_eq!(value(&said).map(|q| q.to_string()), Some(Quantity::new(sent, unit).to_string()));
            } else {
                let unstable = matches!(said, Said::Unstable { .. });
                prop_assert!(unstable, "{:?}", said);
            }
        }
    }
}

#[test]
fn every_balance_can_say_a_tin_in_grams_and_every_probe_a_room() {
    for (shape, _) in shipped() {
        let (value, unit) = match shape.kind {
            InstrumentKind::Balance if shape.id == "balance-comma-header" => ("130.2", Unit::Gram),
            InstrumentKind::Balance => ("130.25", Unit::Gram),
            InstrumentKind::SolutionProbe | InstrumentKind::RoomProbe => ("22.40", Unit::Celsius),
        };
        assert!(encode(&shape, value.parse().unwrap(), unit, true).is_some(), "{}", shape.id);
    }
}
