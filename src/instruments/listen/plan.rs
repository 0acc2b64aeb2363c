//! PURE: in which order speeds, framings and questions are tried.

use super::judge::Shapes;
use crate::instruments::protocol::AnyShape;
use crate::instruments::{Line, Parity};

/// Speeds in the order in which they are tried: the usual ones of balances and probes first, the
/// rare ones last. Common practice, no source.
pub const SPEEDS: [u32; 10] = [9600, 2400, 4800, 1200, 19_200, 38_400, 57_600, 115_200, 600, 300];

/// Framings that a shape may have, as they are written.
pub const FRAMINGS: [&str; 6] = ["8N1", "7E1", "7O1", "8E1", "8O1", "8N2"];

/// What is known of the line beforehand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Known {
    /// Bits a second.
    pub speed: Option<u32>,
    /// Data bits, parity, stop bits; the speed in it is not looked at.
    pub framing: Option<Line>,
}

/// A framing as it is written: `7E1`.
pub fn framing(line: Line) -> String {
    let parity = match line.parity {
        Parity::None => 'N',
        Parity::Even => 'E',
        Parity::Odd => 'O',
    };
    format!("{}{parity}{}", line.data_bits, line.stop_bits)
}

/// Speed and framing as they are written: `9600 7E1`.
pub fn words(line: Line) -> String {
    format!("{} {}", line.speed, framing(line))
}

/// The framing that is written so, at this speed.
pub fn line(speed: u32, framing: &str) -> Option<Line> {
    let (data_bits, parity, stop_bits) = match framing {
        "8N1" => (8, Parity::None, 1),
        "8E1" => (8, Parity::Even, 1),
        "8O1" => (8, Parity::Odd, 1),
        "7E1" => (7, Parity::Even, 1),
        "7O1" => (7, Parity::Odd, 1),
        "8N2" => (8, Parity::None, 2),
        _ => return None,
    };
    Some(Line { speed, data_bits, parity, stop_bits })
}

/// The lines to listen with, in order: each speed with eight data bits and no parity, which shows
/// seven with parity too; then each with eight data bits and parity.
pub fn to_hear(known: Known) -> Vec<Line> {
    let framings: Vec<Line> = match known.framing {
        Some(framing) => vec![framing],
        None => ["8N1", "8E1", "8O1"].iter().filter_map(|framing| line(0, framing)).collect(),
    };
    let at = |framing: Line| speeds(known).into_iter().map(move |speed| Line { speed, ..framing });
    framings.into_iter().flat_map(at).collect()
}

fn speeds(known: Known) -> Vec<u32> {
    known.speed.map_or_else(|| SPEEDS.to_vec(), |speed| vec![speed])
}

/// Questions to ask with one speed and framing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Turn {
    /// Speed and framing.
    pub line: Line,
    /// Ids of the shapes whose question is asked.
    pub shapes: Vec<String>,
}

/// Questions in order: each shape with the speed and framing of its own file; then every speed with
/// the framings that are usual, all shapes.
pub fn to_ask(shapes: &Shapes, known: Known) -> Vec<Turn> {
    let mut turns: Vec<Turn> = Vec::new();
    let polled = shapes.values().filter(|shape| is_asked(shape));
    for shape in polled.clone() {
        let mut line = shape.line();
        line.speed = known.speed.unwrap_or(line.speed);
        if let Some(framing) = known.framing {
            line = Line { speed: line.speed, ..framing };
        }
        add(&mut turns, 0, line, shape.id());
    }
    let own = turns.len();
    for speed in speeds(known) {
        for shape in polled.clone() {
            let usual = if matches!(shape, AnyShape::Registers(_)) {
                ["8E1", "8N1", "8O1"]
            } else {
                ["8N1", "7E1", "7O1"]
            };
            let usual = usual.iter().filter_map(|framing| line(speed, framing));
            let lines: Vec<Line> = match known.framing {
                Some(framing) => vec![Line { speed, ..framing }],
                None => usual.collect(),
            };
            for line in lines {
                add(&mut turns, own, line, shape.id());
            }
        }
    }
    turns
}

/// Adds a question to the turn of its line, from the turn `from` on, unless it is asked there or before.
fn add(turns: &mut Vec<Turn>, from: usize, line: Line, id: &str) {
    if turns.iter().any(|turn| turn.line == line && turn.shapes.iter().any(|known| known == id)) {
        return;
    }
    match turns.iter_mut().skip(from).find(|turn| turn.line == line) {
        Some(turn) => turn.shapes.push(id.to_owned()),
        None => turns.push(Turn { line, shapes: vec![id.to_owned()] }),
    }
}

/// Whether a shape is one of an instrument that is asked.
pub fn is_asked(shape: &AnyShape) -> bool {
    match shape {
        AnyShape::Lines(shape) => shape.request.is_some(),
        AnyShape::Registers(_) => true,
    }
}

#[cfg(test)]
mod test {
    use super::super::shipped;
    use super::*;

    #[test]
    fn a_framing_reads_as_it_is_written() {
        for word in FRAMINGS {
            assert_eq!(framing(line(9600, word).unwrap()), word);
        }
        assert_eq!(line(9600, "9X3"), None);
        assert_eq!(words(line(2400, "7O1").unwrap()), "2400 7O1");
    }

    #[test]
    fn what_is_known_is_not_tried() {
        let known = Known { speed: Some(1200), framing: line(0, "7O1") };
        assert_eq!(to_hear(known), [line(1200, "7O1").unwrap()]);
        let turns = to_ask(&shipped::shapes(), known);
        assert!(turns.iter().all(|turn| turn.line == line(1200, "7O1").unwrap()), "{turns:?}");
        assert_eq!(to_hear(Known::default()).len(), 30);
    }

    #[test]
    fn each_asked_shape_is_asked_first_as_its_file_says_and_once_with_each_line() {
        let shapes = shipped::shapes();
        let turns = to_ask(&shapes, Known::default());
        for shape in shapes.values().filter(|shape| is_asked(shape)) {
            let mine: Vec<_> = turns.iter().filter(|t| t.shapes.iter().any(|s| s == shape.id())).collect();
            assert_eq!(mine[0].line, shape.line(), "{}", shape.id());
            let lines: Vec<_> = mine.iter().map(|t| words(t.line)).collect();
            assert!(
                lines.len() >= 30
                    && SPEEDS.iter().all(|s| lines.iter().any(|l| l.starts_with(&s.to_string())))
            );
        }
        let asked = |id: &str| turns.iter().any(|turn| turn.shapes.iter().any(|shape| shape == id));
        assert!(!asked("balance-comma-header"), "it speaks by itself");
    }
}
