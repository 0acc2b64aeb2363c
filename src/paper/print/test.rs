//! What must hold of every printed sheet, however much stands on it.

use super::*;
use crate::domain::report::laboratory::PaperSize;
use crate::paper::drawing::{Anchor, Drawing};
use crate::paper::sheet::{Block, Cell, Column, Head, Table, Tone};

fn sheet(blocks: Vec<Block>) -> Sheet {
    Sheet {
        title: "Report of sample S-17".to_owned(),
        foot:
            "Ostrow Materials Laboratory, sample S-17. Report 019f0000-0000-7000-8000-000000000bba, version 3"
                .to_owned(),
        across: None,
        paper: PaperSize::A4,
        issued_ns: Some(1_790_000_000_000_000_000),
        identity: "019f0000-0000-7000-8000-000000000bba".to_owned(),
        program: "stillstand 0".to_owned(),
        blocks,
    }
}

fn pages(sheet: &Sheet) -> Vec<Page> {
    flow::pages(sheet, &Fonts::load().unwrap())
}

/// All words of a page, in the order in which they were put.
fn words(page: &Page) -> Vec<&str> {
    page.items
        .iter()
        .filter_map(|item| match item {
            Item::Words { text, .. } => Some(text.as_str()),
            _ => None,
        })
        .collect()
}

/// Everything stands on the paper, and no two words on each other.
fn sound(sheet: &Sheet) -> Vec<Page> {
    let fonts = Fonts::load().unwrap();
    let (width, height) = sheet.paper.tenths();
    let pages = pages(sheet);
    for (number, page) in pages.iter().enumerate() {
        let mut boxes: Vec<(f32, f32, f32, f32, &str)> = Vec::new();
        for item in &page.items {
            if let Item::Words { x, y, size, strong, text, .. } = item {
                let right = x + fonts.face(*strong).width(text, *size);
                assert!(
                    *x >= 35.0 && right <= points(width) - 35.0 && *y <= points(height) - 20.0,
                    "page {number}: `{text}` at {x} to {right}, {y}"
                );
                // The middle of the letters: what stands closer than that runs into each other.
                let (top, foot) = (y - 0.6 * size, y - 0.1 * size);
                for (left, over, end, under, other) in &boxes {
                    let apart = right <= *left + 0.2 || *x >= *end - 0.2 || foot <= *over || top >= *under;
                    assert!(apart, "page {number}: `{text}` stands on `{other}`");
                }
                boxes.push((*x, top, right, foot, text));
            }
        }
    }
    pages
}

fn row(cells: &[&str]) -> Vec<Cell> {
    cells.iter().map(|text| Cell::plain(*text)).collect()
}

fn big_table(rows: usize) -> Block {
    let long = "a remark that is longer than its column and therefore runs over more than one line of it";
    let rows = (1..=rows)
        .map(|n| row(&[&format!("S-17-{n}"), "8.0 in", "3.4 in (read 13.4, less 10.0)", "42.5", long]));
    Block::Table(Table {
        heads: ["Specimen", "Clay reading", "Sand reading", "Ratio", "Remarks"].map(str::to_owned).into(),
        figures: vec![1, 2, 3],
        rows: rows.collect(),
        ..Table::default()
    })
}

#[test]
fn a_long_table_goes_on_over_pages_with_its_head_and_loses_no_row() {
    let sheet =
        sheet(vec![Block::heading("Specimens"), big_table(120), Block::End { text: "End".to_owned() }]);
    let pages = sound(&sheet);
    assert!(pages.len() > 2);
    let all: Vec<&str> = pages.iter().flat_map(words).collect();
    for n in 1..=120 {
        let label = format!("S-17-{n}");
        assert_eq!(all.iter().filter(|word| **word == label).count(), 1, "{label}");
    }
    for (number, page) in pages.iter().enumerate() {
        let words = words(page);
        assert!(words.contains(&"Ratio"), "the head of page {number}");
        assert!(words.contains(&format!("page {} of {}", number + 1, pages.len()).as_str()));
        assert!(
            words.iter().any(|word| word.contains("019f0000-0000-7000-8000-000000000bba")),
            "the identity"
        );
    }
}

#[test]
fn words_of_any_length_stay_on_the_paper() {
    let long = "extraordinarily long particulars ".repeat(12);
    let unbroken = "x".repeat(400);
    let column = |count: usize| Column {
        title: "The item tested".to_owned(),
        figure: Some(("63.5".to_owned(), "Sand equivalent 10".to_owned())),
        facts: (0..count)
            .map(|n| (format!("Particular number {n} with a long name"), format!("{long}{unbroken}")))
            .collect(),
    };
    let head = Head {
        laboratory: vec!["L".repeat(80), long.clone()],
        title: "Sand equivalent: test report ".repeat(4),
        under: vec![long.clone()],
        symbol: Some(Drawing::new(636, 636, "symbol")),
    };
    for count in [1, 6, 40] {
        let blocks = vec![
            Block::Head(head.clone()),
            Block::Facts { columns: vec![column(count), column(2)] },
            Block::words(&long),
            Block::quiet(&unbroken),
            Block::Table(Table {
                heads: vec!["A".to_owned(), "B".to_owned()],
                rows: vec![row(&[&unbroken, &long])],
                ..Table::default()
            }),
            Block::Blanks { names: vec!["Authorised by (name, signature)".to_owned(), "Date".to_owned()] },
        ];
        sound(&sheet(blocks));
    }
}

#[test]
fn a_heading_never_stands_alone_at_the_foot_of_a_page() {
    for filler in 30..60 {
        let rows = (0..filler).map(|n| row(&[&n.to_string()])).collect();
        let before = Block::Table(Table { heads: vec!["N".to_owned()], rows, ..Table::default() });
        let mut drawing = Drawing::new(2000, 1200, "a picture");
        drawing.words((100, 1100), Anchor::Start, 70, Ink::Dark, "in the picture");
        let pictures = [Block::heading("Pictures"), Block::Figures { drawings: vec![drawing] }];
        let rows = [Block::heading("Rows"), big_table(1)];
        let blocks = std::iter::once(before).chain(pictures).chain(rows).collect();
        for page in pages(&sheet(blocks)) {
            let words = words(&page);
            for (heading, under) in [("Pictures", "in the picture"), ("Rows", "S-17-1")] {
                assert!(!words.contains(&heading) || words.contains(&under), "{filler}: {words:?}");
            }
        }
    }
}

#[test]
fn a_character_that_the_font_lacks_is_named_and_does_no_harm() {
    let sheet = sheet(vec![Block::words("砂 and سا"), Block::End { text: "End".to_owned() }]);
    let pages = sound(&sheet);
    let words = words(&pages[0]).join(" ");
    for code in ["U+7802", "U+0633", "U+0627"] {
        assert!(words.contains(code), "{words}");
    }
    assert!(pdf(&sheet).unwrap().starts_with(b"%PDF-"));
    assert!(
        !self::words(&self::pages(&self::sheet(vec![Block::words("Łódź, Ωμέγα, Жито ≥ 5 ± ½ °C")]))[0])
            .iter()
            .any(|word| word.contains("lacks"))
    );
}

#[test]
fn the_same_sheet_gives_the_same_bytes_and_another_gives_others() {
    let one = sheet(vec![big_table(3), Block::Words { text: "Wrong".to_owned(), tone: Tone::Wrong }]);
    let bytes = pdf(&one).unwrap();
    assert_eq!(bytes, pdf(&one).unwrap());
    assert_ne!(bytes, pdf(&Sheet { issued_ns: Some(0), ..one.clone() }).unwrap());
    // A blank sheet was never issued: it has no date, and is no record to archive.
    assert!(pdf(&Sheet { issued_ns: None, ..one.clone() }).is_ok());
    let again: Sheet = serde_json::from_str(&serde_json::to_string(&one).unwrap()).unwrap();
    assert_eq!(again, one, "a sheet crosses to the process that prints it unchanged");
}
