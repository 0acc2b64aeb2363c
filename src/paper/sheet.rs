//! A sheet: what stands on the paper, block by block, before anybody knows on how many pages.

use super::drawing::Drawing;
use crate::domain::report::laboratory::PaperSize;
use serde::{Deserialize, Serialize};

/// All of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sheet {
    /// Name of the document, for its metadata and a browser's tab.
    pub title: String,
    /// What stands at the foot of every page, beside the number of the page.
    pub foot: String,
    /// A word across every page; `None`: it counts as it is.
    pub across: Option<String>,
    /// On what it is printed.
    pub paper: PaperSize,
    /// When what it tells was issued, wall time in nanoseconds; `None`: it tells nothing yet. There
    /// is no other time in it, so that the same journal gives the same bytes.
    pub issued_ns: Option<i64>,
    /// Identity of what it tells, for the document's metadata.
    pub identity: String,
    /// Name and version of the program.
    pub program: String,
    /// From top to bottom.
    pub blocks: Vec<Block>,
}

/// One part of a sheet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "block", rename_all = "kebab-case")]
pub enum Block {
    /// The top of the first page.
    Head(Head),
    /// The title of what follows; it never stands alone at the foot of a page.
    Heading {
        /// The words.
        text: String,
    },
    /// Named facts, in columns side by side.
    Facts {
        /// From left to right.
        columns: Vec<Column>,
    },
    /// A table; its head stands on every page that it reaches.
    Table(Table),
    /// A paragraph.
    Words {
        /// The words.
        text: String,
        /// How they look.
        tone: Tone,
    },
    /// Drawings, side by side as long as there is room.
    Figures {
        /// In order.
        drawings: Vec<Drawing>,
    },
    /// Lines to write on, each with its name before it.
    Blanks {
        /// The names.
        names: Vec<String>,
    },
    /// The end mark.
    End {
        /// The words.
        text: String,
    },
}

/// The top of the first page.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// Whose sheet it is: name, then lines of the address.
    pub laboratory: Vec<String>,
    /// What it is.
    pub title: String,
    /// Lines under the title.
    pub under: Vec<String>,
    /// A QR symbol in the corner.
    pub symbol: Option<Drawing>,
}

/// One column of named facts.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Column {
    /// Its title.
    pub title: String,
    /// A figure that is read from across the room, and what it is.
    pub figure: Option<(String, String)>,
    /// Name and value.
    pub facts: Vec<(String, String)>,
}

/// A table.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Table {
    /// Words over the columns; none: no head.
    pub heads: Vec<String>,
    /// Columns that stand to the right, as figures do.
    pub figures: Vec<usize>,
    /// Row by row, as many cells as heads.
    pub rows: Vec<Vec<Cell>>,
    /// Lines around every cell, and rows high enough to write in.
    pub ruled: bool,
    /// In small print.
    pub small: bool,
}

/// One cell.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cell {
    /// The words.
    pub text: String,
    /// How they look.
    pub tone: Tone,
}

/// How words look. None of it says anything that the words do not.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tone {
    /// As everything.
    #[default]
    Plain,
    /// Heavier.
    Strong,
    /// Less than the rest.
    Quiet,
    /// Something is not as it should be.
    Wrong,
}

impl Sheet {
    /// A name for its file: letters, digits and hyphens of its title.
    pub fn file_name(&self) -> String {
        let plain = |c: char| if c.is_ascii_alphanumeric() || c == '.' { c } else { '-' };
        let name: String = self.title.to_lowercase().chars().map(plain).collect();
        let parts: Vec<&str> = name.split('-').filter(|part| !part.is_empty()).collect();
        format!("{}.pdf", parts.join("-"))
    }
}

impl Cell {
    /// A cell that looks like others.
    pub fn plain(text: impl Into<String>) -> Self {
        Self { text: text.into(), tone: Tone::Plain }
    }

    /// A cell in a tone.
    pub fn toned(text: impl Into<String>, tone: Tone) -> Self {
        Self { text: text.into(), tone }
    }
}

impl Block {
    /// A heading.
    pub fn heading(text: impl Into<String>) -> Self {
        Self::Heading { text: text.into() }
    }

    /// A paragraph.
    pub fn words(text: impl Into<String>) -> Self {
        Self::Words { text: text.into(), tone: Tone::Plain }
    }

    /// A paragraph in small print.
    pub fn quiet(text: impl Into<String>) -> Self {
        Self::Words { text: text.into(), tone: Tone::Quiet }
    }
}
