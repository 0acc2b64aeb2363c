//! Code 128 (ISO/IEC 15417) and QR (ISO/IEC 18004) as SVG paths on a grid of modules. Libraries
//! make the symbols; here they are only drawn, in whole modules and with their quiet zones.

use barcoders::sym::code128::Code128;
use qrcode::{Color, EcLevel, QrCode};
use std::fmt::Write as _;

/// Quiet zone at each side of a Code 128, modules (ISO/IEC 15417: 10).
const QUIET_BARS: u32 = 10;
/// Quiet zone around a QR symbol, modules (ISO/IEC 18004: 4).
const QUIET_QR: u32 = 4;

/// A symbol on its grid.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Symbol {
    /// Modules across, quiet zones included.
    pub(super) across: u32,
    /// Modules down, quiet zones included; 1 for bars.
    pub(super) down: u32,
    /// The dark modules as an SVG path.
    pub(super) path: String,
}

/// Text as bars; `None`: it holds what Code 128 cannot say.
pub(super) fn bars(text: &str) -> Option<Symbol> {
    let pairs = text.len() >= 4 && text.len().is_multiple_of(2) && text.bytes().all(|b| b.is_ascii_digit());
    // The library takes the code set as the first character: C for pairs of digits, B else.
    let set = if pairs { '\u{0106}' } else { '\u{0181}' };
    let modules = Code128::new(format!("{set}{text}")).ok()?.encode();
    let dark = modules.iter().map(|module| *module == 1);
    let path = runs(dark, QUIET_BARS, 0);
    let across = u32::try_from(modules.len()).ok()? + 2 * QUIET_BARS;
    Some(Symbol { across, down: 1, path })
}

/// Text as a QR symbol with a quarter of it to spare (level Q); `None`: it is too long.
pub(super) fn qr(text: &str) -> Option<Symbol> {
    let code = QrCode::with_error_correction_level(text, EcLevel::Q).ok()?;
    let width = code.width();
    let colors = code.to_colors();
    let mut path = String::new();
    for (row, y) in colors.chunks(width).zip(QUIET_QR..) {
        path.push_str(&runs(row.iter().map(|color| *color == Color::Dark), QUIET_QR, y));
    }
    let size = u32::try_from(width).ok()? + 2 * QUIET_QR;
    Some(Symbol { across: size, down: size, path })
}

/// The dark runs of one row as rectangles one module high.
fn runs(dark: impl Iterator<Item = bool>, from_x: u32, y: u32) -> String {
    let (mut path, mut x, mut began) = (String::new(), from_x, None);
    let mut close = |began: &mut Option<u32>, x: u32| {
        if let Some(start) = began.take() {
            // Writing to a String cannot fail.
            let _ = write!(path, "M{start} {y}h{}v1H{start}z", x - start);
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
    path
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
