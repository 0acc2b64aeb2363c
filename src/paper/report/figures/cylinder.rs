//! The levels of one specimen on its cylinder, to scale.

use super::HEIGHT;
use crate::domain::quantity::Unit;
use crate::paper::drawing::{Anchor, Drawing, Ink};
use crate::paper::facts::Published;
use crate::paper::report::{Told, say};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::Value;

/// Width of the whole drawing, tenths of a point.
const WIDTH: i32 = 600;
/// The glass: from the left, its width, its top, its foot.
const LEFT: i32 = 170;
const GLASS: i32 = 130;
const TOP: i32 = 30;
const FOOT: i32 = HEIGHT - 130;
/// Size of the words.
const WORDS: i32 = 70;

/// The scale on the glass: its highest mark, the distance of two lines, and of two numbers.
struct Scale {
    top: Decimal,
    line: i64,
    number: i64,
}

impl Scale {
    /// Of a cylinder in inches, or in millimetres.
    fn new(unit: Unit, top: Decimal) -> Self {
        match unit {
            Unit::Inch => Self { top, line: 1, number: 5 },
            _ => Self { top, line: 20, number: 100 },
        }
    }

    /// Where a level stands in the drawing.
    fn y(&self, level: Decimal) -> i32 {
        let height = Decimal::from(FOOT - TOP);
        let share = (level / self.top * height).round().to_i32().unwrap_or(0);
        FOOT - share.clamp(0, FOOT - TOP)
    }
}

impl Told<'_> {
    /// A cylinder for each specimen with a record.
    pub(super) fn cylinders(&self) -> Vec<Drawing> {
        let Some(method) = &self.facts.method else { return Vec::new() };
        let Some(top) = method.readings.top.value.filter(|top| *top > Decimal::ZERO) else {
            return Vec::new();
        };
        let scale = Scale::new(method.readings.unit, top);
        let sample = self.facts.subject.sample.label.as_str();
        let drawn = |(label, record): (&str, &Published)| {
            let mut drawing = drawing(label, record.data(), &scale, method.readings.unit);
            // The sample stands in the head: under a glass there is room for what sets it apart.
            let short =
                label.strip_prefix(sample).filter(|rest| label.chars().count() > 9 && !rest.is_empty());
            let words = short.map_or_else(|| label.to_owned(), |rest| format!("…{rest}"));
            drawing.words((LEFT + GLASS / 2, FOOT + 80), Anchor::Middle, WORDS, Ink::Dark, words);
            drawing
        };
        self.records().map(drawn).collect()
    }
}

fn drawing(label: &str, data: &Value, scale: &Scale, unit: Unit) -> Drawing {
    let level = |name: &str| {
        let text = say::text(data, &format!("/readings/{name}/text"))?;
        Some((name.to_owned(), text.to_owned(), text.parse::<Decimal>().ok()?))
    };
    let sand = level("sand").or_else(|| level("sediment"));
    let clay = level("clay");
    let title = [&clay, &sand].into_iter().flatten().map(|(name, text, _)| format!("{name} {text} {unit}"));
    let title = format!("Cylinder of {label}: {}", title.collect::<Vec<_>>().join(", "));
    let mut drawing = Drawing::new(WIDTH, HEIGHT, title);
    let sand_y = sand.as_ref().map_or(FOOT, |(_, _, value)| scale.y(*value));
    if let Some((_, _, value)) = &clay {
        let y = scale.y(*value);
        drawing.fill((LEFT, y), (GLASS, FOOT - y), Ink::Cloud);
    }
    drawing.fill((LEFT, sand_y), (GLASS, FOOT - sand_y), Ink::Sand);
    glass(&mut drawing, scale);
    levels(&mut drawing, scale, [clay, sand]);
    drawing
}

/// The glass with its lines and numbers.
fn glass(drawing: &mut Drawing, scale: &Scale) {
    let right = LEFT + GLASS;
    drawing.line(vec![(LEFT, TOP), (LEFT, FOOT), (right, FOOT), (right, TOP)], Ink::Dark, 8);
    let mut at = 0;
    while Decimal::from(at) <= scale.top {
        let y = scale.y(at.into());
        let numbered = at % scale.number == 0;
        let length = if numbered { 50 } else { 25 };
        drawing.line(vec![(LEFT, y), (LEFT + length, y)], Ink::Quiet, 4);
        if numbered {
            drawing.words((LEFT - 20, y + 22), Anchor::End, 60, Ink::Quiet, at.to_string());
        }
        at += scale.line;
    }
}

/// The levels with their digits, the upper one first; close together, the words part.
fn levels(drawing: &mut Drawing, scale: &Scale, levels: [Option<(String, String, Decimal)>; 2]) {
    let right = LEFT + GLASS;
    let mut free = TOP + 40;
    for (name, text, value) in levels.into_iter().flatten() {
        let y = scale.y(value);
        let words = (y - 8).max(free);
        drawing.line(vec![(LEFT, y), (right + 20, y)], Ink::Dark, 7);
        drawing.words((right + 30, words), Anchor::Start, WORDS, Ink::Dark, text);
        drawing.words((right + 30, words + 62), Anchor::Start, 55, Ink::Quiet, name);
        free = words + 140;
    }
}
