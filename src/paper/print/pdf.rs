//! Pages as the bytes of a PDF, by `krilla`.

use super::font::{self, Fonts};
use super::{Item, Page, PrintError, points};
use crate::paper::drawing::Ink;
use crate::paper::sheet::Sheet;
use jiff::Timestamp;
use krilla::color::rgb;
use krilla::configure::{Archival, ConfigurationBuilder};
use krilla::geom::{Path, PathBuilder, Point, Transform};
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};

/// Size of the word across a page, points, and its grey: words on it stay readable, on copies too.
const ACROSS: f32 = 74.0;
const ACROSS_GREY: u8 = 0xea;

/// Both faces as the writer embeds them.
struct Faces {
    plain: Font,
    strong: Font,
}

pub(super) fn write(sheet: &Sheet, pages: &[Page], fonts: &Fonts) -> Result<Vec<u8>, PrintError> {
    let refused = |why: &dyn std::fmt::Debug| PrintError::Refused(format!("{why:?}"));
    let mut configuration = ConfigurationBuilder::new();
    // What is to be archived says when it was issued. A blank sheet was not, and is no record.
    if sheet.issued_ns.is_some() {
        configuration = configuration.with_archival_validator(Archival::A2_B);
    }
    let configuration = configuration.finish().map_err(|e| refused(&e))?;
    let mut document =
        Document::new_with(SerializeSettings { configuration, ..SerializeSettings::default() });
    document.set_metadata(metadata(sheet));
    let faces = Faces {
        plain: Font::new(font::PLAIN.to_vec().into(), 0).ok_or(PrintError::Font)?,
        strong: Font::new(font::STRONG.to_vec().into(), 0).ok_or(PrintError::Font)?,
    };
    let (width, height) = sheet.paper.tenths();
    let (width, height) = (points(width), points(height));
    for page in pages {
        let settings =
            PageSettings::from_wh(width, height).ok_or_else(|| refused(&"the size of the page"))?;
        let mut target = document.start_page_with(settings);
        let mut surface = target.surface();
        if let Some(word) = &sheet.across {
            across(&mut surface, fonts, &faces, word, (width, height));
        }
        for item in &page.items {
            put(&mut surface, fonts, &faces, item);
        }
        surface.finish();
        target.finish();
    }
    document.finish().map_err(|e| refused(&e))
}

fn metadata(sheet: &Sheet) -> Metadata {
    let mut metadata = Metadata::new()
        .title(sheet.title.clone())
        .description(sheet.foot.clone())
        .creator(sheet.program.clone())
        .producer(sheet.program.clone())
        .document_id(sheet.identity.clone())
        .language("en".to_owned());
    let issued = sheet.issued_ns.and_then(|ns| Timestamp::from_nanosecond(i128::from(ns)).ok());
    if let Some(issued) = issued {
        let at = jiff::tz::TimeZone::UTC.to_datetime(issued);
        let small = |part: i8| u8::try_from(part).unwrap_or(0);
        let date = DateTime::new(u16::try_from(at.year()).unwrap_or(0))
            .month(small(at.month()))
            .day(small(at.day()))
            .hour(small(at.hour()))
            .minute(small(at.minute()))
            .second(small(at.second()))
            .utc_offset_hour(0)
            .utc_offset_minute(0);
        metadata = metadata.creation_date(date);
    }
    metadata
}

fn fill((r, g, b): (u8, u8, u8)) -> Fill {
    Fill { paint: rgb::Color::new(r, g, b).into(), opacity: NormalizedF32::ONE, rule: FillRule::NonZero }
}

fn put(surface: &mut Surface<'_>, fonts: &Fonts, faces: &Faces, item: &Item) {
    match item {
        Item::Words { x, y, size, strong, ink, text } => {
            words(surface, fonts, faces, (*x, *y), *size, *strong, ink.rgb(), text);
        }
        Item::Area { corners, ink } => {
            if let Some(path) = path(corners, true) {
                surface.set_stroke(None);
                surface.set_fill(Some(fill(ink.rgb())));
                surface.draw_path(&path);
            }
        }
        Item::Line { points, ink, width, dashed } => {
            if let Some(path) = path(points, false) {
                surface.set_fill(None);
                surface.set_stroke(Some(stroke(*ink, *width, *dashed)));
                surface.draw_path(&path);
            }
        }
    }
}

fn stroke(ink: Ink, width: f32, dashed: bool) -> Stroke {
    let (r, g, b) = ink.rgb();
    Stroke {
        paint: rgb::Color::new(r, g, b).into(),
        width,
        dash: dashed.then(|| StrokeDash { array: vec![3.0, 2.0], offset: 0.0 }),
        ..Stroke::default()
    }
}

fn path(points: &[(f32, f32)], closed: bool) -> Option<Path> {
    let mut builder = PathBuilder::new();
    let mut points = points.iter();
    let (x, y) = points.next()?;
    builder.move_to(*x, *y);
    for (x, y) in points {
        builder.line_to(*x, *y);
    }
    if closed {
        builder.close();
    }
    builder.finish()
}

#[allow(clippy::too_many_arguments, reason = "what a word on paper takes")]
fn words(
    surface: &mut Surface<'_>,
    fonts: &Fonts,
    faces: &Faces,
    at: (f32, f32),
    size: f32,
    strong: bool,
    color: (u8, u8, u8),
    text: &str,
) {
    let glyphs: Vec<KrillaGlyph> = fonts
        .face(strong)
        .place(text)
        .into_iter()
        .map(|placed| {
            KrillaGlyph::new(GlyphId::new(placed.glyph), placed.advance, 0.0, 0.0, 0.0, placed.bytes, None)
        })
        .collect();
    let font = if strong { &faces.strong } else { &faces.plain };
    surface.set_stroke(None);
    surface.set_fill(Some(fill(color)));
    surface.draw_glyphs(Point::from_xy(at.0, at.1), &glyphs, font.clone(), text, size, false);
}

/// A word from corner to corner, under everything else.
fn across(surface: &mut Surface<'_>, fonts: &Fonts, faces: &Faces, word: &str, page: (f32, f32)) {
    let width = fonts.face(true).width(word, ACROSS);
    let (x, y) = (page.0 / 2.0, page.1 / 2.0);
    surface.push_transform(&Transform::from_rotate_at(-52.0, x, y));
    let grey = (ACROSS_GREY, ACROSS_GREY, ACROSS_GREY);
    words(surface, fonts, faces, (x - width / 2.0, y + ACROSS * 0.35), ACROSS, true, grey, word);
    surface.pop();
}
