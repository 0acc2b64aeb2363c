//! Code 128 (ISO/IEC 15417) and QR (ISO/IEC 18004) on a grid of modules. Libraries make the
//! symbols; here they are only drawn, in whole modules and with their quiet zones.

use super::drawing::{Drawing, Ink};
use barcoders::sym::code128::Code128;
use qrcode::{Color, EcLevel, QrCode};
use std::fmt::Write as _;

/// Quiet zone at each side of a Code 128, modules (ISO/IEC 15417: 10).
const QUIET_BARS: u32 = 10;
/// Quiet zone around a QR symbol, modules (ISO/IEC 18004: 4).
const QUIET_QR: u32 = 4;

/// A symbol on its grid.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Symbol {
    /// Modules across, quiet zones included.
    pub across: u32,
    /// Modules down, quiet zones included; 1 for bars.
    pub down: u32,
    /// The dark modules as an SVG path.
    pub path: String,
    /// The dark modules as runs: from the left, from the top, so many across.
    pub runs: Vec<(u32, u32, u32)>,
}

impl Symbol {
    fn new(across: u32, down: u32, runs: Vec<(u32, u32, u32)>) -> Self {
        let mut path = String::new();
        for (x, y, length) in &runs {
            // Writing to a String cannot fail.
            let _ = write!(path, "M{x} {y}h{length}v1H{x}z");
        }
        Self { across, down, path, runs }
    }

    /// As a drawing with modules of so many tenths of a point.
    pub fn drawing(&self, module: i32, title: &str) -> Drawing {
        let tenths = |modules: u32| i32::try_from(modules).unwrap_or(0) * module;
        let mut drawing = Drawing::new(tenths(self.across), tenths(self.down), title);
        for (x, y, length) in &self.runs {
            drawing.fill((tenths(*x), tenths(*y)), (tenths(*length), module), Ink::Dark);
        }
        drawing
    }
}

/// Text as bars; `None`: it holds what Code 128 cannot say.
pub fn bars(text: &str) -> Option<Symbol> {
    let pairs = text.len() >= 4 && text.len().is_multiple_of(2) && text.bytes().all(|b| b.is_ascii_digit());
    // The library takes the code set as the first character: C for pairs of digits, B else.
    let set = if pairs { '\u{0106}' } else { '\u{0181}' };
    let modules = Code128::new(format!("{set}{text}")).ok()?.encode();
    let dark = modules.iter().map(|module| *module == 1);
    let across = u32::try_from(modules.len()).ok()? + 2 * QUIET_BARS;
    Some(Symbol::new(across, 1, runs(dark, QUIET_BARS, 0)))
}

/// Text as a QR symbol with a quarter of it to spare (level Q); `None`: it is too long.
pub fn qr(text: &str) -> Option<Symbol> {
    qr_at(text, EcLevel::Q)
}

/// The same with 15 percent to spare (level M), for a longer text in the same room.
pub fn qr_denser(text: &str) -> Option<Symbol> {
    qr_at(text, EcLevel::M)
}

fn qr_at(text: &str, level: EcLevel) -> Option<Symbol> {
    let code = QrCode::with_error_correction_level(text, level).ok()?;
    let width = code.width();
    let colors = code.to_colors();
    let mut all = Vec::new();
    for (row, y) in colors.chunks(width).zip(QUIET_QR..) {
        all.extend(runs(row.iter().map(|color| *color == Color::Dark), QUIET_QR, y));
    }
    let size = u32::try_from(width).ok()? + 2 * QUIET_QR;
    Some(Symbol::new(size, size, all))
}

/// The dark runs of one row.
fn runs(dark: impl Iterator<Item = bool>, from_x: u32, y: u32) -> Vec<(u32, u32, u32)> {
    let (mut found, mut x, mut began) = (Vec::new(), from_x, None);
    let mut close = |began: &mut Option<u32>, x: u32| {
        if let Some(start) = began.take() {
            found.push((start, y, x - start));
        }
    };
    for is_dark in dark {
        if is_dark {
            began.get_or_insert(x);
        } else {
            close(&mut began, x);
        }
        x += 1;
    }
    close(&mut began, x);
    found
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn forty_digits_take_the_modules_that_pairs_of_digits_take() {
        // ISO/IEC 15417: 11 modules for start, each pair and the check, 13 for the stop.
        let symbol = bars(&"0".repeat(40)).unwrap();
        assert_eq!(symbol.across, 11 + 20 * 11 + 11 + 13 + 20);
        assert!(
            symbol.path.starts_with("M10 0h2v1H10z"),
            "start C begins with a bar of two: {}",
            symbol.path
        );
    }

    #[test]
    fn what_has_no_bars_is_told() {
        assert_eq!(bars("Süd"), None);
        assert!(bars("a-1 ~").is_some() && bars("7").is_some() && bars("12345").is_some());
    }

    #[test]
    fn a_qr_symbol_has_its_finder_in_the_corner_and_its_quiet_zone() {
        let symbol = qr(&"0".repeat(40)).unwrap();
        assert_eq!((symbol.across, symbol.down), (25 + 8, 25 + 8), "version 2");
        assert!(symbol.path.starts_with("M4 4h7v1H4z"), "{}", symbol.path);
    }
}
