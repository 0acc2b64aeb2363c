//! A level as people write it: digits and at most one decimal point.

use rust_decimal::Decimal;

/// Why a text is no level. The wording is for the person who wrote it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TextError {
    /// Nothing but blanks.
    #[error("is empty")]
    Empty,
    /// A decimal comma.
    #[error("has a comma: write decimals with a point")]
    Comma,
    /// Anything else that is no decimal number.
    #[error("is no decimal number, such as 3.3")]
    NotANumber,
    /// More digits than any level has.
    #[error("has more than 18 digits: enter what was read")]
    TooLong,
}

/// A level from its text, exactly, with the digits as written; blanks around it do not matter.
/// No exponents, no thousands, no units, no `NaN`: a worksheet's cell that holds more than a plain
/// number is better looked at than guessed.
pub fn level_from_text(text: &[u8]) -> Result<Decimal, TextError> {
    let text = text.trim_ascii();
    let (negative, digits) = match text {
        [] => return Err(TextError::Empty),
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] | rest => (false, rest),
    };
    let (mut mantissa, mut count, mut point) = (0_i64, 0_u32, None);
    for byte in digits {
        match byte {
            // 18 digits cannot overflow 63 bits.
            b'0'..=b'9' if count == 18 => return Err(TextError::TooLong),
            b'0'..=b'9' => {
                mantissa = mantissa * 10 + i64::from(byte - b'0');
                count += 1;
            }
            b'.' if point.is_none() => point = Some(count),
            b',' => return Err(TextError::Comma),
            _ => return Err(TextError::NotANumber),
        }
    }
    if count == 0 {
        return Err(TextError::NotANumber);
    }
    let decimals = point.map_or(0, |before| count - before);
    Ok(Decimal::new(if negative { -mantissa } else { mantissa }, decimals))
}
