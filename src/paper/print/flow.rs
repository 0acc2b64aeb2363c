//! Blocks onto pages, from top to bottom.

use super::font::Fonts;
use super::table::Laid;
use super::text::lines;
use super::{Item, Page, points, times};
use crate::paper::drawing::{Anchor, Drawing, Ink, Shape};
use crate::paper::sheet::{Block, Column, Head, Sheet, Tone};

/// Free margins at the sides and at the top, points: every office printer reaches so far.
const MARGIN: f32 = 36.0;
const OVER: f32 = 30.0;
/// Room at the foot of every page, points.
const FOOT: f32 = 40.0;
/// Sizes of words, points, and the height of their lines.
pub(super) const BODY: f32 = 7.8;
pub(super) const SMALL: f32 = 6.2;
const TITLE: f32 = 15.0;
const HEADING: f32 = 8.8;
const FIGURE: f32 = 27.0;
pub(super) const LEADING: f32 = 1.28;
/// Between two columns, and between two drawings.
const GUTTER: f32 = 16.0;
const GAP: f32 = 8.0;
/// Under a heading must stand this much of what follows.
const KEEP: f32 = 34.0;

/// Pages as they fill.
pub(super) struct Flow<'a> {
    pub(super) fonts: &'a Fonts,
    pub(super) left: f32,
    pub(super) width: f32,
    pub(super) y: f32,
    top: f32,
    bottom: f32,
    done: Vec<Page>,
    page: Page,
}

/// The pages of a sheet, with foot and number.
pub(super) fn pages(sheet: &Sheet, fonts: &Fonts) -> Vec<Page> {
    let (width, height) = sheet.paper.tenths();
    let (width, height) = (points(width), points(height));
    let mut flow = Flow {
        fonts,
        left: MARGIN,
        width: width - 2.0 * MARGIN,
        y: OVER,
        top: OVER,
        bottom: height - FOOT,
        done: Vec::new(),
        page: Page::default(),
    };
    let mut blocks = sheet.blocks.iter().peekable();
    while let Some(block) = blocks.next() {
        if matches!(block, Block::End { .. }) {
            flow.unknown(sheet);
        }
        let next = blocks.peek().map_or(0.0, |next| flow.least(next));
        flow.block(block, next);
    }
    let (left, width) = (flow.left, flow.width);
    let mut pages = flow.done;
    pages.push(flow.page);
    let all = pages.len();
    for (number, page) in pages.iter_mut().enumerate() {
        foot(page, sheet, fonts, (left, width, height - FOOT + 5.0), (number + 1, all));
    }
    pages
}

/// Identity and number, at the foot of every page.
fn foot(page: &mut Page, sheet: &Sheet, fonts: &Fonts, at: (f32, f32, f32), number: (usize, usize)) {
    let (left, width, y) = at;
    let rule = vec![(left, y), (left + width, y)];
    page.items.push(Item::Line { points: rule, ink: Ink::Mark, width: 0.5, dashed: false });
    let face = fonts.face(false);
    let words = format!("page {} of {}", number.0, number.1);
    let room = width - face.width(&words, SMALL) - GUTTER;
    let x = left + width - face.width(&words, SMALL);
    let mut put = |x: f32, line: usize, text: String| {
        let y = y + 9.0 + times(line) * SMALL * LEADING;
        page.items.push(Item::Words { x, y, size: SMALL, strong: false, ink: Ink::Quiet, text });
    };
    put(x, 0, words);
    for (line, text) in lines(face, &sheet.foot, SMALL, room).into_iter().enumerate() {
        put(left, line, text);
    }
}

impl Flow<'_> {
    pub(super) fn put(&mut self, item: Item) {
        self.page.items.push(item);
    }

    /// Words on one line, their foot at `y`.
    pub(super) fn words(
        &mut self,
        at: (f32, f32),
        size: f32,
        strong: bool,
        ink: Ink,
        text: impl Into<String>,
    ) {
        self.put(Item::Words { x: at.0, y: at.1, size, strong, ink, text: text.into() });
    }

    pub(super) fn rule(&mut self, from: (f32, f32), to: (f32, f32), ink: Ink, width: f32) {
        self.put(Item::Line { points: vec![from, to], ink, width, dashed: false });
    }

    /// Room to the foot of the page.
    pub(super) fn room(&self) -> f32 {
        self.bottom - self.y
    }

    /// Height of an empty page.
    pub(super) fn whole(&self) -> f32 {
        self.bottom - self.top
    }

    /// A new page, unless this one has room for so much or is empty.
    pub(super) fn need(&mut self, height: f32) {
        if height > self.room() && !self.page.items.is_empty() {
            self.done.push(std::mem::take(&mut self.page));
            self.y = self.top;
        }
    }

    /// How much of a block must stand under a heading.
    fn least(&self, block: &Block) -> f32 {
        match block {
            Block::Figures { drawings } => drawings.first().map_or(KEEP, |drawing| points(drawing.height)),
            Block::Table(table) => Laid::new(table, self.fonts, self.width).least(),
            _ => KEEP,
        }
    }

    fn block(&mut self, block: &Block, next: f32) {
        match block {
            Block::Head(head) => self.head(head),
            Block::Heading { text } => {
                self.need(HEADING * LEADING + 8.0 + next);
                self.heading(text, self.left);
                self.y += 3.0;
            }
            Block::Facts { columns } => self.facts(columns),
            Block::Table(table) => {
                Laid::new(table, self.fonts, self.width).put(self);
                self.y += 3.0;
            }
            Block::Words { text, tone } => self.paragraph(text, *tone),
            Block::Figures { drawings } => self.figures(drawings),
            Block::Blanks { names } => self.blanks(names),
            Block::End { text } => self.end(text),
        }
    }

    fn heading(&mut self, text: &str, x: f32) {
        self.y += 5.0 + HEADING;
        self.words((x, self.y), HEADING, true, Ink::Water, text);
    }

    fn paragraph(&mut self, text: &str, tone: Tone) {
        let (size, ink) = if tone == Tone::Quiet { (SMALL, Ink::Quiet) } else { (BODY, Ink::Dark) };
        let face = self.fonts.face(tone == Tone::Strong);
        self.y += 2.0;
        for line in lines(face, text, size, self.width) {
            self.need(size * LEADING);
            self.y += size * LEADING;
            self.words((self.left, self.y - 0.25 * size), size, tone == Tone::Strong, ink, line);
        }
        self.y += 2.0;
    }

    fn head(&mut self, head: &Head) {
        let side = head.symbol.as_ref().map_or(0.0, |symbol| points(symbol.width));
        let room = self.width - side - if side > 0.0 { GUTTER } else { 0.0 };
        let begin = self.y;
        let line = |flow: &mut Self, text: &str, size: f32, strong: bool, ink: Ink| {
            for words in lines(flow.fonts.face(strong), text, size, room) {
                flow.y += size * LEADING;
                flow.words((flow.left, flow.y - 0.2 * size), size, strong, ink, words);
            }
        };
        for (number, words) in head.laboratory.iter().enumerate() {
            if number == 0 {
                line(self, words, 10.0, true, Ink::Dark);
            } else {
                line(self, words, BODY, false, Ink::Quiet);
            }
        }
        self.y += 5.0;
        line(self, &head.title, TITLE, true, Ink::Water);
        for (number, words) in head.under.iter().enumerate() {
            line(self, words, BODY + 0.8, number == 0, Ink::Dark);
        }
        if let Some(symbol) = &head.symbol {
            // Its quiet zone may reach into the margin: nothing stands there.
            self.drawing(symbol, self.left + self.width - side, begin - 6.0);
            self.y = self.y.max(begin - 6.0 + points(symbol.height));
        }
        self.y += 4.0;
        self.rule((self.left, self.y), (self.left + self.width, self.y), Ink::Water, 1.2);
        self.y += 1.0;
    }

    fn facts(&mut self, columns: &[Column]) {
        let count = times(columns.len().max(1));
        let width = (self.width - GUTTER * (count - 1.0)) / count;
        let heights: Vec<f32> = columns.iter().map(|column| self.measure(column, width)).collect();
        let height = heights.iter().copied().fold(0.0, f32::max);
        if height > self.whole() {
            // Too long to stand side by side on any page: one after the other, broken where it must.
            for column in columns {
                self.need(KEEP + FIGURE);
                self.column(column, self.left, self.width, true);
            }
            return;
        }
        self.need(height);
        let begin = self.y;
        for (number, column) in columns.iter().enumerate() {
            self.y = begin;
            self.column(column, self.left + times(number) * (width + GUTTER), width, false);
        }
        self.y = begin + height;
    }

    /// Height of a column.
    fn measure(&self, column: &Column, width: f32) -> f32 {
        let title = if column.title.is_empty() { 0.0 } else { 5.0 + HEADING };
        let figure = if column.figure.is_some() { FIGURE * 1.05 } else { 0.0 };
        let named = self.named(column, width);
        let face = self.fonts.face(false);
        let facts = column.facts.iter().map(|(name, value)| {
            let rows =
                lines(face, value, BODY, width - named).len().max(lines(face, name, BODY, named - 6.0).len());
            times(rows) * BODY * LEADING + 0.9
        });
        title + figure + 4.0 + facts.sum::<f32>()
    }

    /// Width of the names in a column.
    fn named(&self, column: &Column, width: f32) -> f32 {
        let face = self.fonts.face(false);
        let widest = column.facts.iter().map(|(name, _)| face.width(name, BODY)).fold(0.0, f32::max);
        (widest + 8.0).min(width * 0.45)
    }

    fn column(&mut self, column: &Column, x: f32, width: f32, broken: bool) {
        if !column.title.is_empty() {
            self.heading(&column.title, x);
        }
        if let Some((figure, of)) = &column.figure {
            self.y += FIGURE * 1.05;
            let foot = self.y - 0.1 * FIGURE;
            self.words((x, foot), FIGURE, true, Ink::Dark, figure);
            let beside = x + self.fonts.face(true).width(figure, FIGURE) + 8.0;
            // Upwards from the figure's foot: beside it there is room for three lines.
            let words = lines(self.fonts.face(false), of, HEADING, x + width - beside);
            for (number, line) in words.into_iter().rev().enumerate() {
                let y = foot - times(number) * HEADING * LEADING;
                self.words((beside, y), HEADING, false, Ink::Quiet, line);
            }
        }
        self.y += 4.0;
        let named = self.named(column, width);
        let face = self.fonts.face(false);
        for (name, value) in &column.facts {
            let left = lines(face, name, BODY, named - 6.0);
            let right = lines(face, value, BODY, width - named);
            for number in 0..left.len().max(right.len()) {
                if broken {
                    self.need(BODY * LEADING);
                }
                self.y += BODY * LEADING;
                let foot = self.y - 0.25 * BODY;
                if let Some(name) = left.get(number) {
                    self.words((x, foot), BODY, false, Ink::Quiet, name.clone());
                }
                if let Some(value) = right.get(number) {
                    self.words((x + named, foot), BODY, false, Ink::Dark, value.clone());
                }
            }
            self.y += 0.9;
        }
    }

    fn figures(&mut self, drawings: &[Drawing]) {
        let mut x = self.left;
        let mut height: f32 = 0.0;
        for drawing in drawings {
            let (across, down) = (points(drawing.width), points(drawing.height));
            if x > self.left && x + across > self.left + self.width + 1.0 {
                self.y += height + GAP;
                (x, height) = (self.left, 0.0);
            }
            if x <= self.left {
                self.need(down);
            }
            self.drawing(drawing, x, self.y);
            x += across + GAP;
            height = height.max(down);
        }
        self.y += height + 2.0;
    }

    /// A drawing with its upper left corner there.
    fn drawing(&mut self, drawing: &Drawing, x: f32, y: f32) {
        let at = |(dx, dy): (i32, i32)| (x + points(dx), y + points(dy));
        for shape in &drawing.shapes {
            match shape {
                Shape::Box { at: corner, size, ink } => {
                    let (left, top) = at(*corner);
                    let (right, foot) = (left + points(size.0), top + points(size.1));
                    let corners = vec![(left, top), (right, top), (right, foot), (left, foot)];
                    self.put(Item::Area { corners, ink: *ink });
                }
                Shape::Line { points: through, ink, width, dashed } => {
                    let points = through.iter().map(|point| at(*point)).collect();
                    self.put(Item::Line { points, ink: *ink, width: super::points(*width), dashed: *dashed });
                }
                Shape::Words { at: foot, anchor, size, ink, text } => {
                    let (x, y) = at(*foot);
                    let size = points(*size);
                    let width = self.fonts.face(false).width(text, size);
                    let x = match anchor {
                        Anchor::Start => x,
                        Anchor::Middle => x - width / 2.0,
                        Anchor::End => x - width,
                    };
                    self.words((x, y), size, false, *ink, text.clone());
                }
            }
        }
    }

    fn blanks(&mut self, names: &[String]) {
        self.need(23.0);
        self.y += 19.0;
        let face = self.fonts.face(false);
        let taken: f32 = names.iter().map(|name| face.width(name, BODY) + GAP).sum();
        let gaps = GUTTER * times(names.len().saturating_sub(1));
        // The first is a name and a signature: it gets twice the room of a date.
        let share = (self.width - taken - gaps) / times(names.len() + 1);
        let mut x = self.left;
        for (number, name) in names.iter().enumerate() {
            self.words((x, self.y), BODY, false, Ink::Quiet, name.clone());
            x += face.width(name, BODY) + GAP / 2.0;
            let length = if number == 0 { 2.0 * share } else { share };
            self.rule((x, self.y + 1.0), (x + length, self.y + 1.0), Ink::Dark, 0.6);
            x += length + GAP / 2.0 + GUTTER;
        }
        self.y += 5.0;
    }

    fn end(&mut self, text: &str) {
        self.need(BODY * LEADING + 6.0);
        self.y += 4.0 + BODY * LEADING;
        let width = self.fonts.face(true).width(text, BODY);
        let x = self.left + (self.width - width) / 2.0;
        let middle = self.y - 0.55 * BODY;
        self.words((x, self.y - 0.25 * BODY), BODY, true, Ink::Dark, text);
        self.rule((self.left, middle), (x - GAP, middle), Ink::Mark, 0.5);
        self.rule((x + width + GAP, middle), (self.left + self.width, middle), Ink::Mark, 0.5);
    }

    /// Says so where the faces lack characters: what was published holds them.
    fn unknown(&mut self, sheet: &Sheet) {
        // The sheet as text holds each of its characters.
        let all = serde_json::to_string(sheet).unwrap_or_default();
        let mut missing: Vec<char> = all.chars().filter(|c| !self.fonts.knows(*c)).collect();
        missing.sort_unstable();
        missing.dedup();
        if !missing.is_empty() {
            let codes: Vec<String> =
                missing.iter().take(20).map(|c| format!("U+{:04X}", u32::from(*c))).collect();
            let words = format!(
                "The printed font lacks {}; a replacement mark stands in place of each. The published documents hold them.",
                codes.join(", ")
            );
            self.paragraph(&words, Tone::Strong);
        }
    }
}
