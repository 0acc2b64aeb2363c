//! Words on lines: broken between words, and within a word only where it is wider than the line.

use super::font::Face;

/// The lines of a text no wider than `width` points. Never empty.
pub(super) fn lines(face: &Face, text: &str, size: f32, width: f32) -> Vec<String> {
    let mut lines = Vec::new();
    for part in text.split('\n') {
        let mut line = String::new();
        for word in part.split(' ') {
            let joined = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if face.width(&joined, size) <= width {
                line = joined;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            line = broken(face, word, size, width, &mut lines);
        }
        lines.push(line);
    }
    lines
}

/// Puts full lines of a word that is too wide, and gives what is left of it.
fn broken(face: &Face, word: &str, size: f32, width: f32, lines: &mut Vec<String>) -> String {
    let mut rest = String::new();
    for character in word.chars() {
        rest.push(character);
        if face.width(&rest, size) > width && rest.chars().count() > 1 {
            rest.pop();
            lines.push(std::mem::take(&mut rest));
            rest.push(character);
        }
    }
    rest
}

/// The widest word of a text, points.
pub(super) fn widest_word(face: &Face, text: &str, size: f32) -> f32 {
    text.split([' ', '\n']).map(|word| face.width(word, size)).fold(0.0, f32::max)
}

/// The widest line of a text as it stands, points.
pub(super) fn widest_line(face: &Face, text: &str, size: f32) -> f32 {
    text.split('\n').map(|line| face.width(line, size)).fold(0.0, f32::max)
}
