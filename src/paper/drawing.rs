//! A drawing as shapes on a grid of tenths of a point, the same on the page and in the PDF.

use serde::{Deserialize, Serialize};
use std::fmt::Write as _;

/// A point on the grid: tenths of a point (1/720 inch) from the left and from the top.
pub type At = (i32, i32);

/// A drawing with what it shows in words.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Drawing {
    /// Width in tenths of a point.
    pub width: i32,
    /// Height in tenths of a point.
    pub height: i32,
    /// What it shows, for whoever does not see it.
    pub title: String,
    /// From the lowest to the one on top.
    pub shapes: Vec<Shape>,
}

/// One shape.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "shape", rename_all = "kebab-case")]
pub enum Shape {
    /// An upright rectangle, filled.
    Box {
        /// Its upper left corner.
        at: At,
        /// Its width and height.
        size: At,
        /// Its colour.
        ink: Ink,
    },
    /// A line through points.
    Line {
        /// The points.
        points: Vec<At>,
        /// Its colour.
        ink: Ink,
        /// Its width in tenths of a point.
        width: i32,
        /// In dashes.
        dashed: bool,
    },
    /// A word or two.
    Words {
        /// Where their foot stands.
        at: At,
        /// What of them stands there.
        anchor: Anchor,
        /// Size in tenths of a point.
        size: i32,
        /// Their colour.
        ink: Ink,
        /// The words.
        text: String,
    },
}

/// What of some words stands at their point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Anchor {
    /// Their beginning.
    Start,
    /// Their middle.
    Middle,
    /// Their end.
    End,
}

/// Colours, few enough to stay apart on a grey printer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ink {
    /// Words and outlines.
    Dark,
    /// What is said by the way.
    Quiet,
    /// Hair lines.
    Mark,
    /// Measured.
    Water,
    /// The suspension.
    Cloud,
    /// Allowed.
    Band,
    /// The sand.
    Sand,
    /// Wrong.
    Red,
    /// Paper.
    White,
}

impl Ink {
    /// Red, green and blue.
    pub const fn rgb(self) -> (u8, u8, u8) {
        match self {
            Self::Dark => (0x1c, 0x24, 0x2b),
            Self::Quiet => (0x53, 0x5f, 0x69),
            Self::Mark => (0xb4, 0xbd, 0xc5),
            Self::Water => (0x0b, 0x5c, 0x7a),
            Self::Cloud => (0xc9, 0xd9, 0xdf),
            Self::Band => (0xe6, 0xef, 0xe3),
            Self::Sand => (0xc9, 0xa2, 0x5e),
            Self::Red => (0xa8, 0x1d, 0x1d),
            Self::White => (0xff, 0xff, 0xff),
        }
    }

    fn hex(self) -> String {
        let (r, g, b) = self.rgb();
        format!("#{r:02x}{g:02x}{b:02x}")
    }
}

impl Drawing {
    /// A drawing of this size with nothing on it.
    pub fn new(width: i32, height: i32, title: impl Into<String>) -> Self {
        Self { width, height, title: title.into(), shapes: Vec::new() }
    }

    /// A filled rectangle.
    pub fn fill(&mut self, at: At, size: At, ink: Ink) {
        self.shapes.push(Shape::Box { at, size, ink });
    }

    /// A line.
    pub fn line(&mut self, points: Vec<At>, ink: Ink, width: i32) {
        self.shapes.push(Shape::Line { points, ink, width, dashed: false });
    }

    /// A line in dashes.
    pub fn dashes(&mut self, points: Vec<At>, ink: Ink, width: i32) {
        self.shapes.push(Shape::Line { points, ink, width, dashed: true });
    }

    /// Words.
    pub fn words(&mut self, at: At, anchor: Anchor, size: i32, ink: Ink, text: impl Into<String>) {
        self.shapes.push(Shape::Words { at, anchor, size, ink, text: text.into() });
    }

    /// As an SVG element. Colours are attributes: the pages allow no inline style.
    pub fn svg(&self) -> String {
        let mut svg = format!(
            "<svg role=\"img\" aria-label=\"{}\" viewBox=\"0 0 {} {}\" width=\"{}pt\" height=\"{}pt\">",
            super::html::escaped(&self.title),
            self.width,
            self.height,
            tenths(self.width),
            tenths(self.height),
        );
        for shape in &self.shapes {
            // Writing to a String cannot fail.
            let _ = match shape {
                Shape::Box { at: (x, y), size: (w, h), ink } => {
                    write!(svg, "<path fill=\"{}\" d=\"M{x} {y}h{w}v{h}h-{w}z\"/>", ink.hex())
                }
                Shape::Line { points, ink, width, dashed } => {
                    let points: Vec<String> = points.iter().map(|(x, y)| format!("{x},{y}")).collect();
                    let dashes = if *dashed { " stroke-dasharray=\"30 20\"" } else { "" };
                    write!(
                        svg,
                        "<polyline fill=\"none\" stroke=\"{}\" stroke-width=\"{width}\"{dashes} points=\"{}\"/>",
                        ink.hex(),
                        points.join(" ")
                    )
                }
                Shape::Words { at: (x, y), anchor, size, ink, text } => {
                    let anchor = match anchor {
                        Anchor::Start => "start",
                        Anchor::Middle => "middle",
                        Anchor::End => "end",
                    };
                    write!(
                        svg,
                        "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\" text-anchor=\"{anchor}\" fill=\"{}\">{}</text>",
                        ink.hex(),
                        super::html::escaped(text)
                    )
                }
            };
        }
        svg.push_str("</svg>");
        svg
    }
}

/// Tenths of a point as points.
fn tenths(value: i32) -> String {
    format!("{}.{}", value / 10, value.rem_euclid(10))
}
