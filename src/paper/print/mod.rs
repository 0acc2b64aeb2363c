//! A sheet as PDF: laid out here, written by `krilla` as PDF/A-2b (ISO 19005-2) with its fonts
//! embedded. The same sheet gives the same bytes.
//!
//! ```text
//!   Sheet ──► flow (blocks to pages) ──► [Page of Items] ──► pdf ──► bytes
//!                 └─ table, text: columns and lines by the font's own widths
//! ```
//!
//! It runs in a process of its own, never within the station: see `DEVELOPERS.md`.

mod font;
mod text;
mod flow;
mod table;
mod pdf;

use super::drawing::Ink;
use super::sheet::Sheet;
use font::Fonts;

/// Why a sheet could not be printed.
#[derive(Debug, thiserror::Error)]
pub enum PrintError {
    /// A font of the program cannot be read. A test sees to it that it can.
    #[error("the program's own font cannot be read")]
    Font,
    /// The writer refused what it was given.
    #[error("the PDF could not be written: {0}")]
    Refused(String),
}

/// One thing on a page, in points from its upper left corner.
#[derive(Debug, Clone, PartialEq)]
enum Item {
    /// Words on one line; their foot stands at `y`.
    Words { x: f32, y: f32, size: f32, strong: bool, ink: Ink, text: String },
    /// A filled shape with corners.
    Area { corners: Vec<(f32, f32)>, ink: Ink },
    /// A line through points.
    Line { points: Vec<(f32, f32)>, ink: Ink, width: f32, dashed: bool },
}

/// What stands on one page.
#[derive(Debug, Clone, Default, PartialEq)]
struct Page {
    items: Vec<Item>,
}

/// The sheet as the bytes of a PDF.
///
/// # Errors
/// See [`PrintError`].
pub fn pdf(sheet: &Sheet) -> Result<Vec<u8>, PrintError> {
    let fonts = Fonts::load().ok_or(PrintError::Font)?;
    let pages = flow::pages(sheet, &fonts);
    pdf::write(sheet, &pages, &fonts)
}

/// Tenths of a point as points. Drawings are smaller than three metres.
fn points(tenths: i32) -> f32 {
    f32::from(i16::try_from(tenths).unwrap_or(i16::MAX)) / 10.0
}

/// A small count as a factor.
fn times(count: usize) -> f32 {
    f32::from(u16::try_from(count).unwrap_or(u16::MAX))
}

#[cfg(test)]
mod test;
