//! Values to lines, for the simulated instruments. What cannot be said is not said.

use super::{Said, Shape, Stability, read_line};
use crate::domain::quantity::{Quantity, Unit};
use rust_decimal::Decimal;

/// One line with a value, terminator included, as an instrument of this shape would send it.
///
/// `None` where the shape has no words for it: a unit that it does not know, a number that does
/// not fit its columns, an unstable mass from a balance that prints only stable ones. What is
/// given reads back as the same value: [`read_line`] was asked.
pub fn encode(shape: &Shape, value: Decimal, unit: Unit, stable: bool) -> Option<Vec<u8>> {
    // Where lines bear no mark, a mass that moves is spoken as one that rests.
    let unmarked = shape.stability == Stability::OwnRule;
    let template = if stable || unmarked { Some(&shape.stable) } else { shape.unstable.as_ref() }?;
    let wire = shape.units.iter().find(|(_, known)| *known == unit).map(|(text, _)| text.as_str());
    if wire.is_none() && shape.unit != Some(unit) {
        return None;
    }
    let line = template.fill(value, wire.unwrap_or_default());
    let same = |quantity: Quantity| {
        quantity.unit == unit && quantity.value == value && quantity.value.scale() == value.scale()
    };
    let said = match read_line(shape, line.as_bytes()) {
        Said::Mass { quantity } | Said::Temperature { quantity } => stable && same(quantity),
        Said::Unstable { quantity } => !stable && quantity.is_none_or(same),
        Said::Unmarked { quantity } => same(quantity),
        Said::Overload | Said::Nonsense { .. } => false,
    };
    said.then(|| shape.framing.wrapped(line.as_bytes()))
}

/// One line that tells of an overload, terminator included; `None` where the shape has none.
pub fn encode_overload(shape: &Shape) -> Option<Vec<u8>> {
    let line = shape.overload.as_ref()?.fill(Decimal::ZERO, "");
    (read_line(shape, line.as_bytes()) == Said::Overload).then(|| shape.framing.wrapped(line.as_bytes()))
}

/// A line with fields: `{sign}`, `{value}`, `{unit}`, each with an optional width: `{value:>9}`
/// (to the right), `{unit:<3}` (to the left), `{value:0>9}` (to the right, zeros in front).
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Template(Vec<Part>);

#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Text(String),
    Field { field: Field, width: usize, side: Side },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Left,
    Right,
    RightZeros,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Field {
    Sign,
    Value,
    Unit,
}

impl Template {
    /// Reads a template; `Err` says what may stand there.
    pub(super) fn parse(text: &str) -> Result<Self, String> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once('{') {
            let (field, after) = after.split_once('}').ok_or("a `}` for each `{`")?;
            if !before.is_empty() {
                parts.push(Part::Text(before.to_owned()));
            }
            parts.push(part(field)?);
            rest = after;
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.to_owned()));
        }
        Ok(Self(parts))
    }

    /// The line. Where the sign has a field of its own the value stands without it.
    fn fill(&self, value: Decimal, unit: &str) -> String {
        let own_sign = self.0.iter().any(|part| matches!(part, Part::Field { field: Field::Sign, .. }));
        let digits = if own_sign { value.abs().to_string() } else { value.to_string() };
        let sign = if value.is_sign_negative() { "-" } else { "+" };
        self.0.iter().fold(String::new(), |line, part| match part {
            Part::Text(text) => line + text,
            Part::Field { field, width, side } => {
                let text = match field {
                    Field::Sign => sign,
                    Field::Value => &digits,
                    Field::Unit => unit,
                };
                line + &match side {
                    Side::Left => format!("{text:<width$}"),
                    Side::Right => format!("{text:>width$}"),
                    Side::RightZeros => format!("{text:0>width$}"),
                }
            }
        })
    }
}

fn part(text: &str) -> Result<Part, String> {
    let (name, form) = text.split_once(':').unwrap_or((text, ">0"));
    let field = match name {
        "sign" => Field::Sign,
        "value" => Field::Value,
        "unit" => Field::Unit,
        _ => return Err("the fields `{sign}`, `{value}` and `{unit}`".to_owned()),
    };
    let wrong = || "a width such as `{value:>9}`, `{value:0>9}` or `{unit:<3}`, at most 40".to_owned();
    let sides = [("0>", Side::RightZeros), (">", Side::Right), ("<", Side::Left)];
    let (digits, side) = sides
        .into_iter()
        .find_map(|(prefix, side)| Some((form.strip_prefix(prefix)?, side)))
        .ok_or_else(wrong)?;
    let width = digits.parse().ok().filter(|width| *width <= 40).ok_or_else(wrong)?;
    Ok(Part::Field { field, width, side })
}
