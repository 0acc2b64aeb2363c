//! The two faces that everything is printed in, and how wide words are in them.

use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, GlyphId, MetadataProvider};

/// Open Sans, Apache License 2.0; see `src/paper/fonts/README.md`.
pub(super) const PLAIN: &[u8] = include_bytes!("../fonts/OpenSans-Regular.ttf");
/// The same, bold.
pub(super) const STRONG: &[u8] = include_bytes!("../fonts/OpenSans-Bold.ttf");

/// What is printed for a character that the faces do not have.
const UNKNOWN: char = '\u{FFFD}';

/// Both faces.
pub(super) struct Fonts {
    plain: Face,
    strong: Face,
}

/// One face.
pub(super) struct Face {
    font: FontRef<'static>,
    units: f32,
}

/// One glyph with its width in parts of the size, and the bytes of the text that it stands for.
pub(super) struct Placed {
    pub(super) glyph: u32,
    pub(super) advance: f32,
    pub(super) bytes: std::ops::Range<usize>,
}

impl Fonts {
    /// `None`: a file is damaged.
    pub(super) fn load() -> Option<Self> {
        Some(Self { plain: Face::load(PLAIN)?, strong: Face::load(STRONG)? })
    }

    pub(super) fn face(&self, strong: bool) -> &Face {
        if strong { &self.strong } else { &self.plain }
    }

    /// Whether both faces have a character.
    pub(super) fn knows(&self, character: char) -> bool {
        character.is_control()
            || [&self.plain, &self.strong].iter().all(|face| face.glyph(character).is_some())
    }
}

impl Face {
    fn load(bytes: &'static [u8]) -> Option<Self> {
        let font = FontRef::new(bytes).ok()?;
        let units = f32::from(font.metrics(Size::unscaled(), LocationRef::default()).units_per_em);
        (units > 0.0).then_some(Self { font, units })
    }

    fn glyph(&self, character: char) -> Option<GlyphId> {
        self.font.charmap().map(character)
    }

    /// The glyphs of a text, one for each character that is not a control.
    pub(super) fn place(&self, text: &str) -> Vec<Placed> {
        let widths = self.font.glyph_metrics(Size::unscaled(), LocationRef::default());
        let unknown = self.glyph(UNKNOWN).unwrap_or_default();
        text.char_indices()
            .filter(|(_, character)| !character.is_control())
            .map(|(at, character)| {
                let glyph = self.glyph(character).unwrap_or(unknown);
                let advance = widths.advance_width(glyph).unwrap_or(0.0) / self.units;
                Placed { glyph: glyph.to_u32(), advance, bytes: at..at + character.len_utf8() }
            })
            .collect()
    }

    /// How wide a text is at a size, points.
    pub(super) fn width(&self, text: &str, size: f32) -> f32 {
        self.place(text).iter().map(|placed| placed.advance).sum::<f32>() * size
    }
}
