//! Whose reports they are, and on what they are printed: what the settings say of it.

use serde::{Deserialize, Serialize};

/// Longest line of a name or an address, characters: what fits beside the symbol of a report.
const LINE_MOST: usize = 80;
/// Lines of an address, at most.
const LINES_MOST: usize = 6;

/// The laboratory, as its reports name it (ISO/IEC 17025, clause 7.8.2).
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Laboratory {
    /// Its name.
    pub name: String,
    /// Lines of its address.
    #[serde(default)]
    pub address: Vec<String>,
    /// Where the bench stands, where that is not the address.
    #[serde(default)]
    pub bench_stands_at: Option<String>,
    /// A sentence that every report carries: an accreditation and its number, for example.
    #[serde(default)]
    pub statement: Option<String>,
}

impl Laboratory {
    /// What cannot be printed: the key, and why.
    pub fn fault(&self) -> Option<(&'static str, String)> {
        let line = |key, text: &str, most: usize| {
            let length = text.chars().count();
            if text.trim().is_empty() {
                Some((key, "is empty; write it, or leave the key out".to_owned()))
            } else if length > most {
                Some((key, format!("has {length} characters; give at most {most}")))
            } else if text.chars().any(char::is_control) {
                Some((key, "holds a character that cannot be printed; write one line".to_owned()))
            } else {
                None
            }
        };
        if self.address.len() > LINES_MOST {
            let count = self.address.len();
            return Some(("address", format!("has {count} lines; give at most {LINES_MOST}")));
        }
        line("name", &self.name, LINE_MOST)
            .or_else(|| self.address.iter().find_map(|text| line("address", text, LINE_MOST)))
            .or_else(|| self.bench_stands_at.as_deref().and_then(|t| line("bench-stands-at", t, LINE_MOST)))
            .or_else(|| self.statement.as_deref().and_then(|t| line("statement", t, 4 * LINE_MOST)))
    }
}

/// How reports are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Printing {
    /// The paper in the printer.
    pub paper: PaperSize,
}

/// Sizes of paper.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PaperSize {
    /// 210 mm by 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

impl PaperSize {
    /// Width and height in tenths of a point, a point being 1/72 inch; A4 to the nearest tenth.
    pub const fn tenths(self) -> (i32, i32) {
        match self {
            Self::A4 => (5953, 8419),
            Self::Letter => (6120, 7920),
        }
    }

    /// Its name in style sheets (CSS Paged Media, `size`).
    pub const fn name(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "letter",
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn what_cannot_be_printed_is_told_with_its_key() {
        let good = Laboratory {
            name: "Ostrow Materials Laboratory".to_owned(),
            address: vec!["4 Kiln Lane".to_owned(), "Ostrow Mills".to_owned()],
            ..Laboratory::default()
        };
        assert_eq!(good.fault(), None);
        let key = |laboratory: Laboratory| laboratory.fault().unwrap().0;
        assert_eq!(key(Laboratory { name: " ".to_owned(), ..good.clone() }), "name");
        assert_eq!(key(Laboratory { address: vec!["a\nb".to_owned()], ..good.clone() }), "address");
        assert_eq!(key(Laboratory { address: vec!["a".to_owned(); 7], ..good.clone() }), "address");
        assert_eq!(key(Laboratory { statement: Some("x".repeat(321)), ..good }), "statement");
    }

    #[test]
    fn paper_has_the_size_of_its_standard() {
        // ISO 216: 210 mm by 297 mm; 1 inch is 25.4 mm and 72 points.
        let (width, height) = PaperSize::A4.tenths();
        assert_eq!((width, height), ((210 * 7200 + 127) / 254, (297 * 7200 + 127) / 254));
    }
}
