//! Numbers as instruments write them: plain decimals and nothing else.

use rust_decimal::Decimal;

/// Most digits of a number. No display has more; it also keeps every value exact.
const DIGITS_MAX: usize = 12;

/// A plain decimal: spaces, a sign, spaces, digits with at most one point, spaces. The digits are
/// kept, zeros at the end too. No exponent, no infinity, no comma, no digit of another script.
pub(super) fn parse(text: &[u8]) -> Option<Decimal> {
    let text = trim(text);
    let (negative, digits) = match text.split_first()? {
        (b'-', rest) => (true, trim(rest)),
        (b'+', rest) => (false, trim(rest)),
        _ => (false, text),
    };
    let mut number: i64 = 0;
    let mut count = 0;
    let mut scale = None;
    for byte in digits {
        match byte {
            b'0'..=b'9' if count < DIGITS_MAX => {
                number = number * 10 + i64::from(byte - b'0');
                count += 1;
                scale = scale.map(|scale: u32| scale + 1);
            }
            b'.' if scale.is_none() => scale = Some(0),
            _ => return None,
        }
    }
    (count > 0).then(|| Decimal::new(if negative { -number } else { number }, scale.unwrap_or(0)))
}

/// Without spaces around it. Only the space itself: a tabulator has no place in a number.
pub(super) fn trim(text: &[u8]) -> &[u8] {
    let space = |byte: &u8| *byte == b' ';
    let Some(start) = text.iter().position(|byte| !space(byte)) else { return &[] };
    let end = text.iter().rposition(|byte| !space(byte)).map_or(start, |last| last + 1);
    text.get(start..end).unwrap_or_default()
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn a_plain_decimal_keeps_its_digits() {
        let read = |text: &str| parse(text.as_bytes()).map(|number| number.to_string());
        for (text, number) in [
            ("52.30", "52.30"),
            ("  -  0052.300 ", "-52.300"),
            ("+7", "7"),
            (".5", "0.5"),
            ("5.", "5"),
            ("123456789012", "123456789012"),
            ("0.00000000001", "0.00000000001"),
        ] {
            assert_eq!(read(text).as_deref(), Some(number), "{text}");
        }
    }

    #[test]
    fn what_is_no_plain_decimal_is_no_number() {
        let garbage = [
            "",
            " ",
            "+",
            "-",
            ".",
            "+.",
            "--1",
            "+-1",
            "1-",
            "1 2",
            "1.2.3",
            "1,5",
            "1e3",
            "0x10",
            "NaN",
            "inf",
            "1_000",
            "1234567890123",
            "\t1",
            "1\u{a0}",
            "\u{0661}",
        ];
        for text in garbage {
            assert_eq!(parse(text.as_bytes()), None, "{text:?}");
        }
    }
}
