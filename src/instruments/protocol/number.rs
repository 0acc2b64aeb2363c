//! Numbers as instruments write them: plain decimals, and those of SCPI where a shape says so.

use rust_decimal::Decimal;

/// Most digits of a number. No display has more; it also keeps every value exact.
const DIGITS_MAX: usize = 12;

/// Most digits of a SCPI number: what a double precision number prints.
const SCPI_DIGITS_MAX: usize = 17;
/// Most digits behind the point of a SCPI number once its exponent was carried out.
const SCPI_SCALE_MAX: u32 = 20;

/// How numbers are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Notation {
    /// Plain decimals.
    Plain,
    /// The numeric responses NR1, NR2 and NR3 of IEEE 488.2, the last with an exponent.
    Scpi,
}

impl Notation {
    /// The number, exactly.
    ///
    /// # Errors
    /// What was expected, for a person.
    pub(super) fn parse(self, text: &[u8]) -> Result<Decimal, &'static str> {
        match self {
            Self::Plain => parse(text).ok_or("a plain number"),
            Self::Scpi => scpi(text),
        }
    }
}

/// A SCPI number, the exponent carried out: `+2.24E+01` is 22.4. SCPI's numbers for what is none
/// (9.9E37 for infinity, 9.91E37 for not-a-number; SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5, from memory)
/// are none here either.
fn scpi(text: &[u8]) -> Result<Decimal, &'static str> {
    let expected = "a number such as `22.4` or `+2.24E+01`";
    let text = trim(text);
    let (mantissa, exponent) = match text.iter().position(|byte| matches!(byte, b'E' | b'e')) {
        Some(at) => (text.get(..at).unwrap_or_default(), text.get(at + 1..).unwrap_or_default()),
        None => (text, &b"0"[..]),
    };
    let number = decimal(mantissa, SCPI_DIGITS_MAX).ok_or(expected)?;
    let sign = usize::from(matches!(exponent.first(), Some(b'+' | b'-')));
    let digits = exponent.get(sign..).unwrap_or_default();
    if digits.is_empty() || digits.len() > 3 || !digits.iter().all(u8::is_ascii_digit) {
        return Err(expected);
    }
    let size = digits.iter().fold(0_i32, |size, digit| size * 10 + i32::from(digit - b'0'));
    let exponent = if exponent.first() == Some(&b'-') { -size } else { size };
    if number.is_zero() {
        return Ok(number);
    }
    let places = i32::try_from(number.scale()).unwrap_or(i32::MAX).saturating_sub(exponent);
    // The first digit of 9.9E37 stands 37 places before the point, however it is written.
    let length = number.mantissa().unsigned_abs().to_string().len();
    if i32::try_from(length).unwrap_or(i32::MAX).saturating_sub(places) > 37 {
        return Err("a measured number (9.9E37 stands for an overload, 9.91E37 for no number)");
    }
    let scale = u32::try_from(places.max(0)).ok().filter(|scale| *scale <= SCPI_SCALE_MAX);
    let zeros = 10_i128.checked_pow(places.min(0).unsigned_abs());
    let whole = zeros.and_then(|zeros| number.mantissa().checked_mul(zeros));
    let small = whole.filter(|whole| whole.unsigned_abs() < 10_u128.pow(18));
    match (small, scale) {
        (Some(whole), Some(scale)) => Decimal::try_from_i128_with_scale(whole, scale).map_err(|_| expected),
        _ => Err("a number within the range of an instrument"),
    }
}

/// A plain decimal: spaces, a sign, spaces, digits with at most one point, spaces. The digits are
/// kept, zeros at the end too. No exponent, no infinity, no comma, no digit of another script.
fn parse(text: &[u8]) -> Option<Decimal> {
    decimal(text, DIGITS_MAX)
}

fn decimal(text: &[u8], digits_max: usize) -> Option<Decimal> {
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
            b'0'..=b'9' if count < digits_max => {
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

/// The shortest text of a binary number, as the standard library writes it.
pub(super) fn of_float(text: &str) -> Option<Decimal> {
    decimal(text.as_bytes(), SCPI_DIGITS_MAX)
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
    fn a_scpi_number_is_read_exactly() {
        // Worked by hand: the point moves, the digits stay.
        for (text, number) in [
            ("+2.24E+01", "22.4"),
            ("+2.240000E+01", "22.40000"),
            ("-2.5E-01", "-0.25"),
            ("2.24000000000000E+01", "22.4000000000000"),
            ("22.4", "22.4"),
            ("22", "22"),
            ("+1.5e2", "150"),
            ("0.0E+00", "0.0"),
            ("224E-1", "22.4"),
        ] {
            assert_eq!(scpi(text.as_bytes()).unwrap().to_string(), number, "{text}");
        }
    }

    #[test]
    fn what_scpi_says_for_no_value_is_none() {
        for text in ["9.9E37", "+9.90000000E+37", "-9.9E+37", "9.91E37", "+9.910000E+37", "99E36", "1E999"] {
            assert!(scpi(text.as_bytes()).unwrap_err().contains("overload"), "{text}");
        }
        let garbage =
            ["", "E", "E1", "1E", "1E+", "1E+-1", "1E1.5", "1E0001", "1E1E1", "NAN", "INF", "1,5E1", "1E 1"];
        for text in garbage.into_iter().chain(["1E20", "1E-30", "123456789012345678"]) {
            assert!(scpi(text.as_bytes()).is_err(), "{text}");
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
