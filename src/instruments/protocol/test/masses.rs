//! The shapes that balances were asked for, and their units, exactly.

use super::*;
use std::cmp::Ordering;

/// What was asked for, and the file that it is.
const ASKED: [(&str, &str); 7] = [
    ("status words, then mass and unit", "balance-status-words"),
    ("a status header with commas", "balance-comma-header"),
    ("fixed columns, the unit absent while unstable", "balance-fixed-columns"),
    ("a trailing mark while unstable", "balance-trailing-mark"),
    ("a bare number", "balance-bare-number"),
    ("a continuous stream", "balance-unmarked-stream"),
    ("between STX and ETX with a checksum", "balance-framed-checksum"),
];

/// One mass in each unit, and exactly how many grams it is: the international pound is 453.59237 g,
/// the ounce a sixteenth of it, by definition.
const MASSES: [(&str, Unit, &str); 4] = [
    ("52.30", Unit::Gram, "52.30"),
    ("1.0005", Unit::Kilogram, "1000.5"),
    ("0.25", Unit::Pound, "113.3980925"),
    ("16.00", Unit::Ounce, "453.59237"),
];

#[test]
fn each_shape_reads_grams_kilograms_pounds_and_ounces_exactly() {
    for (asked, id) in ASKED {
        let shape = shape(id);
        for (text, unit, grams) in MASSES {
            let Some(line) = encode(&shape, text.parse().unwrap(), unit, true) else {
                assert!(id == "balance-bare-number" && unit != Unit::Gram, "{asked}: no words for {unit}");
                continue;
            };
            let read: Vec<_> = pieces(shape.framing, &line)
                .iter()
                .filter_map(|piece| value(&read_piece(&shape, piece)?))
                .collect();
            assert_eq!(read.len(), 1, "{asked}: {}", line.escape_ascii());
            assert_eq!(
                read[0].to_string(),
                Quantity::new(text.parse().unwrap(), unit).to_string(),
                "{asked}"
            );
            let exactly = Quantity::new(grams.parse().unwrap(), Unit::Gram);
            assert_eq!(read[0].compare(&exactly), Some(Ordering::Equal), "{asked}: {text} {unit}");
        }
    }
}

#[test]
fn errors_of_a_balance_against_its_weights_are_exact() {
    // Another tool's vectors of balance checks: indication, nominal mass and their difference, which
    // binary arithmetic gives wrongly (1000.2 - 1000 is more than 0.2 there).
    for (indication, nominal, error) in [
        ("1000.1", "1000", "0.1"),
        ("1000.2", "1000", "0.2"),
        ("1000.3", "1000", "0.3"),
        ("200.01", "200", "0.01"),
    ] {
        for (_, id) in ASKED {
            let Some(line) = encode(&shape(id), indication.parse().unwrap(), Unit::Gram, true) else {
                continue;
            };
            let Piece::Line(line) = &pieces(shape(id).framing, &line)[0] else { panic!() };
            let read = value(&read_line(&shape(id), shape(id).framing.text(line).unwrap())).unwrap();
            let nominal: Decimal = nominal.parse().unwrap();
            assert_eq!((read.value - nominal).to_string(), error, "{id}");
        }
    }
}

#[test]
fn an_unmarked_line_is_never_called_stable_by_itself() {
    for id in ["balance-unmarked-stream", "balance-bare-asked"] {
        let shape = shape(id);
        let line = encode(&shape, "52.30".parse().unwrap(), Unit::Gram, true).unwrap();
        let said = read_piece(&shape, &pieces(shape.framing, &line)[0]).unwrap();
        assert_eq!(said, Said::Unmarked { quantity: quantity("52.30", Unit::Gram) }, "{id}");
    }
}

proptest! {
    #[test]
    fn noise_in_any_shape_is_told_or_is_exactly_a_line_of_it(
        bytes in proptest::collection::vec(any::<u8>(), 0..6000),
    ) {
        for (shape, _) in shipped() {
            let mut decoder = Decoder::new(shape.framing);
            for piece in decoder.feed(&bytes) {
                let Some(quantity) = read_piece(&shape, &piece).as_ref().and_then(value) else { continue };
                // Whatever was read stands there digit for digit, and is spoken again as a value.
                let digits = quantity.value.mantissa().abs().to_string();
                let there: String = piece.bytes().iter().filter(|b| b.is_ascii_digit()).map(|b| char::from(*b)).collect();
                prop_assert!(there.contains(&digits), "{}: {}", shape.id, piece.bytes().escape_ascii());
            }
            prop_assert!(decoder.half().len() < LINE_MAX);
        }
    }
}
