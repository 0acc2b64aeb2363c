//! Tables: columns as wide as their words, rows that never part, a head on every page.

use super::flow::{BODY, Flow, LEADING, SMALL};
use super::font::Fonts;
use super::text::{lines, widest_line, widest_word};
use super::{Item, times};
use crate::paper::drawing::Ink;
use crate::paper::sheet::{Cell, Table, Tone};

/// Room at the sides of a cell, and over and under its words, points.
const PAD: f32 = 3.0;
const OVER: f32 = 1.7;
/// A row to write in is at least this high, points.
const WRITABLE: f32 = 19.0;
/// Height of a line to write on, in parts of the size of its name.
const WRITTEN: f32 = 1.62;
/// A longer word is broken before it takes the other columns' room, points.
const WORD_MOST: f32 = 110.0;
/// A line of figures up to this width is not broken, points.
const FIGURE_MOST: f32 = 70.0;
/// Width of the sign before words that say that something is wrong.
const SIGN: f32 = 7.0;

/// A table with the width of its columns.
pub(super) struct Laid<'a> {
    table: &'a Table,
    fonts: &'a Fonts,
    widths: Vec<f32>,
    size: f32,
}

impl<'a> Laid<'a> {
    pub(super) fn new(table: &'a Table, fonts: &'a Fonts, width: f32) -> Self {
        let size = if table.small { SMALL } else { BODY };
        let mut laid = Self { table, fonts, widths: Vec::new(), size };
        laid.widths = laid.columns(width);
        laid
    }

    /// Height of the head with the first row: what must stand together.
    pub(super) fn least(&self) -> f32 {
        self.head_height() + self.table.rows.first().map_or(0.0, |row| self.row_height(row))
    }

    /// Height of a line in parts of its size: what is written by hand takes more.
    fn leading(&self) -> f32 {
        if self.table.ruled { WRITTEN } else { LEADING }
    }

    fn head_size(&self) -> f32 {
        self.size - 0.4
    }

    /// As wide as the words, if that fits; else what is wider than its longest word gives way.
    fn columns(&self, width: f32) -> Vec<f32> {
        let count = self.table.heads.len();
        let (mut wide, mut least) = (vec![0.0_f32; count], vec![0.0_f32; count]);
        for row in &self.table.rows {
            for (number, cell) in row.iter().enumerate().take(count) {
                let face = self.fonts.face(cell.tone == Tone::Strong);
                let sign = if cell.tone == Tone::Wrong { SIGN } else { 0.0 };
                wide[number] = wide[number].max(widest_line(face, &cell.text, self.size) + sign);
                let mut word = widest_word(face, &cell.text, self.size).min(WORD_MOST);
                let line = widest_line(face, &cell.text, self.size);
                // A figure keeps its unit beside it.
                if self.table.figures.contains(&number) && line <= FIGURE_MOST {
                    word = word.max(line);
                }
                least[number] = least[number].max(word + sign);
            }
        }
        let face = self.fonts.face(true);
        for (number, head) in self.table.heads.iter().enumerate() {
            let word = widest_word(face, head, self.head_size());
            // A head may break where the cells are narrow.
            wide[number] = wide[number].max(word.max(widest_line(face, head, self.head_size()).min(70.0)));
            least[number] = least[number].max(word);
        }
        let pad = 2.0 * PAD;
        let room = width - pad * times(count);
        let (all, shortest): (f32, f32) = (wide.iter().sum(), least.iter().sum());
        let widths: Vec<f32> = if all <= room {
            let even = (room - all) / times(count.max(1));
            // Empty columns are there to be written in: they share alike.
            wide.iter().map(|w| if self.table.ruled { w + even } else { w * room / all.max(1.0) }).collect()
        } else if shortest < room {
            let share = (room - shortest) / (all - shortest);
            wide.iter().zip(&least).map(|(w, l)| l + (w - l) * share).collect()
        } else {
            least.iter().map(|l| l * room / shortest.max(1.0)).collect()
        };
        widths.into_iter().map(|w| w + pad).collect()
    }

    fn has_head(&self) -> bool {
        self.table.heads.iter().any(|head| !head.is_empty())
    }

    fn head_lines(&self) -> Vec<Vec<String>> {
        let face = self.fonts.face(true);
        let of =
            |(head, width): (&String, &f32)| lines(face, head, self.head_size(), width - 2.0 * PAD + 0.1);
        self.table.heads.iter().zip(&self.widths).map(of).collect()
    }

    fn head_height(&self) -> f32 {
        if !self.has_head() {
            return 0.0;
        }
        let rows = self.head_lines().iter().map(Vec::len).max().unwrap_or(1);
        times(rows) * self.head_size() * LEADING + 2.0 * OVER
    }

    fn cell_lines(&self, cell: &Cell, width: f32) -> Vec<String> {
        let sign = if cell.tone == Tone::Wrong { SIGN } else { 0.0 };
        // A hair more, so that what was measured as fitting fits.
        lines(
            self.fonts.face(cell.tone == Tone::Strong),
            &cell.text,
            self.size,
            width - 2.0 * PAD - sign + 0.1,
        )
    }

    fn row_height(&self, row: &[Cell]) -> f32 {
        let cells = row.iter().zip(&self.widths);
        let rows = cells.map(|(cell, width)| self.cell_lines(cell, *width).len()).max().unwrap_or(1);
        let height = times(rows) * self.size * self.leading() + 2.0 * OVER;
        if self.table.ruled { height.max(WRITABLE) } else { height }
    }

    /// Puts it where the pages stand.
    pub(super) fn put(&self, flow: &mut Flow<'_>) {
        flow.need(self.least());
        self.put_head(flow);
        let most = flow.whole() - self.head_height();
        for row in self.table.rows.iter().flat_map(|row| self.parted(row, most)) {
            let height = self.row_height(&row);
            if height > flow.room() {
                flow.need(height);
                self.put_head(flow);
            }
            self.put_row(flow, &row, height);
        }
    }

    /// A row in as many as it takes: no page holds more than `most` points of it.
    fn parted(&self, row: &[Cell], most: f32) -> Vec<Vec<Cell>> {
        if self.row_height(row) <= most {
            return vec![row.to_vec()];
        }
        let cells = row.iter().zip(&self.widths);
        let lines: Vec<Vec<String>> = cells.map(|(cell, width)| self.cell_lines(cell, *width)).collect();
        let mut height = 2.0 * OVER + self.size * self.leading();
        let mut fits = 0;
        while height <= most {
            height += self.size * self.leading();
            fits += 1;
        }
        let longest = lines.iter().map(Vec::len).max().unwrap_or(0);
        let parts = (0..longest).step_by(fits.max(1));
        let cell = |lines: &Vec<String>, cell: &Cell, from: usize| {
            let text: Vec<&str> = lines.iter().skip(from).take(fits.max(1)).map(String::as_str).collect();
            Cell::toned(text.join("\n"), cell.tone)
        };
        parts.map(|from| lines.iter().zip(row).map(|(lines, old)| cell(lines, old, from)).collect()).collect()
    }

    fn put_head(&self, flow: &mut Flow<'_>) {
        if !self.has_head() {
            return;
        }
        let (top, height) = (flow.y, self.head_height());
        for ((number, words), x) in self.head_lines().iter().enumerate().zip(self.lefts(flow.left)) {
            for (row, text) in words.iter().enumerate() {
                let y = top + OVER + times(row + 1) * self.head_size() * LEADING - 0.25 * self.head_size();
                let x = self.aligned(number, x, self.fonts.face(true).width(text, self.head_size()));
                flow.words((x, y), self.head_size(), true, Ink::Quiet, text.clone());
            }
        }
        flow.y += height;
        if self.table.ruled {
            self.borders(flow, top, height);
        } else {
            flow.rule((flow.left, flow.y), (flow.left + flow.width, flow.y), Ink::Quiet, 0.7);
        }
    }

    fn put_row(&self, flow: &mut Flow<'_>, row: &[Cell], height: f32) {
        let top = flow.y;
        for ((number, cell), x) in row.iter().enumerate().zip(self.lefts(flow.left)) {
            let Some(width) = self.widths.get(number) else { continue };
            let strong = cell.tone == Tone::Strong;
            let ink = match cell.tone {
                Tone::Plain | Tone::Strong => Ink::Dark,
                Tone::Quiet => Ink::Quiet,
                Tone::Wrong => Ink::Red,
            };
            let lines = self.cell_lines(cell, *width);
            if cell.tone == Tone::Wrong {
                let wide = self.fonts.face(strong).width(lines.first().map_or("", String::as_str), self.size);
                let left = self.aligned(number, x, wide + SIGN);
                let foot = top + OVER + self.size * 1.02;
                let corners = vec![(left, foot), (left + 5.0, foot), (left + 2.5, foot - 5.0)];
                flow.put(Item::Area { corners, ink });
            }
            let right = self.table.figures.contains(&number);
            let begin = if cell.tone == Tone::Wrong && !right { x + SIGN } else { x };
            for (line, text) in lines.into_iter().enumerate() {
                let y = top + OVER + times(line) * self.size * self.leading() + 1.03 * self.size;
                let wide = self.fonts.face(strong).width(&text, self.size);
                let x = self.aligned(number, begin, wide);
                if !text.trim().is_empty() {
                    flow.words((x, y), self.size, strong, ink, text);
                }
            }
        }
        flow.y += height;
        if self.table.ruled {
            self.borders(flow, top, height);
        } else {
            flow.rule((flow.left, flow.y), (flow.left + flow.width, flow.y), Ink::Mark, 0.35);
        }
    }

    /// Where words of a width stand in a column that begins at `x`.
    fn aligned(&self, column: usize, x: f32, width: f32) -> f32 {
        let room = self.widths.get(column).copied().unwrap_or(0.0);
        if self.table.figures.contains(&column) { x + room - PAD - width } else { x + PAD }
    }

    /// Where the columns begin.
    fn lefts(&self, left: f32) -> impl Iterator<Item = f32> {
        self.widths.iter().scan(left, |x, width| {
            let begin = *x;
            *x += width;
            Some(begin)
        })
    }

    fn borders(&self, flow: &mut Flow<'_>, top: f32, height: f32) {
        let mut x = flow.left;
        flow.rule((x, top), (x, top + height), Ink::Quiet, 0.5);
        for width in &self.widths {
            x += width;
            flow.rule((x, top), (x, top + height), Ink::Quiet, 0.5);
        }
        flow.rule((flow.left, top), (x, top), Ink::Quiet, 0.5);
        flow.rule((flow.left, top + height), (x, top + height), Ink::Quiet, 0.5);
    }
}
