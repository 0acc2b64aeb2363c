//! A probe that holds its temperature in Modbus registers: which ones, and what they say.

use super::number;
use super::read::{Said, nonsense};
use super::{Example, ShapeFault, load};
use crate::domain::quantity::{Quantity, Unit};
use crate::instruments::{Line, Poll};
use rust_decimal::Decimal;

/// What to ask of a Modbus RTU server, and how to read its answer. Read from a file by
/// [`super::AnyShape::load`].
#[derive(Debug, Clone)]
pub struct Registers {
    /// Name, the same as the file's.
    pub id: String,
    /// What it is, for people.
    pub title: String,
    /// Speed and framing.
    pub line: Line,
    /// Where the value is, and how often it is asked for.
    pub poll: Poll,
    pub(super) number: Number,
    pub(super) order: WordOrder,
    /// What one step of the number is worth.
    pub(super) scale: Decimal,
    /// The unit of the value.
    pub unit: Unit,
    /// Registers and what they say; each was checked when the file was read.
    pub examples: Vec<Example>,
}

/// What kind of number the registers hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Number {
    /// One register with a sign.
    Int16,
    /// One register without a sign.
    Uint16,
    /// Two registers with a sign.
    Int32,
    /// Two registers without a sign.
    Uint32,
    /// Two registers, a single-precision number of IEEE 754.
    Float32,
}

impl Number {
    /// Registers that it takes.
    pub(super) const fn registers(self) -> u16 {
        match self {
            Self::Int16 | Self::Uint16 => 1,
            Self::Int32 | Self::Uint32 | Self::Float32 => 2,
        }
    }
}

/// In which order the four bytes of a number come, A the highest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum WordOrder {
    /// The highest first, as the standard has it.
    Abcd,
    /// The registers exchanged.
    Cdab,
    /// The bytes of each register exchanged.
    Badc,
    /// The lowest first.
    Dcba,
}

impl Registers {
    /// Reads a shape file.
    ///
    /// # Errors
    /// Every fault of the file, in order of lines.
    pub fn load(file: &str, text: &str) -> Result<Self, Vec<ShapeFault>> {
        load::registers(file, text)
    }

    /// Reads an answer: the registers, each with its high byte first, as they came.
    pub fn read(&self, bytes: &[u8]) -> Said {
        match self.number(bytes) {
            Ok(value) => Said::Temperature { quantity: Quantity::new(value, self.unit) },
            Err(why) => nonsense(why),
        }
    }

    fn number(&self, bytes: &[u8]) -> Result<Decimal, String> {
        let many = || format!("{} registers", self.number.registers());
        let number = if self.number.registers() == 1 {
            let word = bytes.try_into().map(u16::from_be_bytes).map_err(|_| many())?;
            let signed = i16::from_be_bytes(word.to_be_bytes());
            if self.number == Number::Int16 { Decimal::from(signed) } else { Decimal::from(word) }
        } else {
            let [a, b, c, d]: [u8; 4] = bytes.try_into().map_err(|_| many())?;
            let bytes = match self.order {
                WordOrder::Abcd => [a, b, c, d],
                WordOrder::Cdab => [c, d, a, b],
                WordOrder::Badc => [b, a, d, c],
                WordOrder::Dcba => [d, c, b, a],
            };
            match self.number {
                Number::Float32 => float(bytes)?,
                Number::Int32 => Decimal::from(i32::from_be_bytes(bytes)),
                _ => Decimal::from(u32::from_be_bytes(bytes)),
            }
        };
        number.checked_mul(self.scale).ok_or_else(|| "a number within the range of an instrument".to_owned())
    }
}

/// The shortest decimal that stands for this number and no other: what the instrument's own
/// display would show. Nothing is ever computed with it as a float.
fn float(bytes: [u8; 4]) -> Result<Decimal, String> {
    let number = f32::from_be_bytes(bytes);
    if !number.is_finite() {
        return Err(format!("a finite number, in place of {number}"));
    }
    number::of_float(&number.to_string())
        .ok_or_else(|| format!("a number within the range of an instrument, in place of {number:e}"))
}

/// The registers of an example, written as hexadecimal words with spaces between: `41B3 3333`.
pub(super) fn words(text: &str) -> Option<Vec<u8>> {
    let word = |word: &str| {
        let digits = word.len() == 4 && word.bytes().all(|byte| byte.is_ascii_hexdigit());
        u16::from_str_radix(word, 16).ok().filter(|_| digits).map(u16::to_be_bytes)
    };
    Some(text.split(' ').map(word).collect::<Option<Vec<_>>>()?.concat())
}

/// Registers as a person compares them with a manual: hexadecimal words.
pub fn in_words(bytes: &[u8]) -> String {
    let word = |word: &[u8]| match word {
        [high, low] => format!("{high:02X}{low:02X}"),
        half => format!("{:02X}", half.first().copied().unwrap_or_default()),
    };
    bytes.chunks(2).map(word).collect::<Vec<_>>().join(" ")
}
