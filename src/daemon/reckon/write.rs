//! How a result is written: CSV, JSON lines, or a sentence. Digits by hand: a formatter for each
//! row would take most of the time.

use super::Pair;
use crate::domain::calculation::{Exact, Marks};
use rust_decimal::Decimal;
use std::io::Write;

/// How many results are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    Csv,
    Json,
}

/// Columns of the CSV.
pub(super) const HEADER: &[u8] = b"sand,clay,ratio,reported\n";

/// One CSV row.
pub(super) fn csv(to: &mut Vec<u8>, pair: &Pair) {
    tenths(to, pair.sand.0);
    to.push(b',');
    tenths(to, pair.clay.0);
    to.push(b',');
    tenths(to, pair.ratio.0);
    to.push(b',');
    decimal(to, pair.reported);
    to.push(b'\n');
}

/// One JSON object and a line end.
pub(super) fn json(to: &mut Vec<u8>, line: Option<u64>, pair: &Pair) {
    to.push(b'{');
    if let Some(line) = line {
        to.extend_from_slice(b"\"line\":");
        whole(to, line);
        to.push(b',');
    }
    to.extend_from_slice(b"\"sand\":");
    tenths(to, pair.sand.0);
    to.extend_from_slice(b",\"clay\":");
    tenths(to, pair.clay.0);
    if let Some(exact) = Exact::of(pair.sand, pair.clay) {
        to.extend_from_slice(b",\"exact\":\"");
        whole(to, exact.numerator.unsigned_abs());
        if exact.denominator != 1 {
            to.push(b'/');
            whole(to, exact.denominator.unsigned_abs());
        }
        to.push(b'"');
    }
    to.extend_from_slice(b",\"ratio\":");
    tenths(to, pair.ratio.0);
    to.extend_from_slice(b",\"reported\":");
    decimal(to, pair.reported);
    to.extend_from_slice(if pair.sand_over_clay {
        b",\"flags\":[\"sand-over-clay\"]}\n"
    } else {
        b",\"flags\":[]}\n"
    });
}

/// One result for a person.
pub(super) fn sentence(to: &mut Vec<u8>, sand: Decimal, clay: Decimal, pair: &Pair) {
    let level = |to: &mut Vec<u8>, name: &str, entered: Decimal, mark: Marks| {
        let recorded = Decimal::new(mark.0, 1);
        // Writing to memory does not fail.
        let _ = if recorded == entered {
            write!(to, "{name} {recorded} in, ")
        } else {
            write!(to, "{name} {entered} in, recorded {recorded} in, ")
        };
    };
    level(to, "sand", sand, pair.sand);
    level(to, "clay", clay, pair.clay);
    let _ = writeln!(to, "ratio {}, reported {}", pair.ratio, pair.reported);
}

fn whole(to: &mut Vec<u8>, mut value: u64) {
    let mut digits = [0_u8; 20];
    let mut used = 0;
    for digit in digits.iter_mut().rev() {
        *digit = b'0' + (value % 10) as u8;
        value /= 10;
        used += 1;
        if value == 0 {
            break;
        }
    }
    to.extend_from_slice(digits.get(digits.len() - used..).unwrap_or_default());
}

fn tenths(to: &mut Vec<u8>, value: i64) {
    if value < 0 {
        to.push(b'-');
    }
    let value = value.unsigned_abs();
    whole(to, value / 10);
    to.extend_from_slice(&[b'.', b'0' + (value % 10) as u8]);
}

fn decimal(to: &mut Vec<u8>, value: Decimal) {
    match u64::try_from(value.mantissa()) {
        Ok(n) if value.scale() == 0 => whole(to, n),
        // Writing to memory does not fail.
        _ => drop(write!(to, "{value}")),
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use proptest::prelude::*;

    fn written(by: impl Fn(&mut Vec<u8>)) -> String {
        let mut to = Vec::new();
        by(&mut to);
        String::from_utf8(to).unwrap()
    }

    proptest! {
        #[test]
        fn digits_are_those_of_the_standard_formatter(n: u64, t: i64, scale in 0_u32..3) {
            prop_assert_eq!(written(|to| whole(to, n)), n.to_string());
            prop_assert_eq!(written(|to| decimal(to, Decimal::new(t, scale))), Decimal::new(t, scale).to_string());
            prop_assert_eq!(written(|to| tenths(to, t)), Decimal::new(t, 1).to_string());
        }
    }
}
