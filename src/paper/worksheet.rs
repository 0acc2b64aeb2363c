//! The blank worksheet of a method, for the day on which the station is out: the tables of the
//! report with room to write in, so that a filled one can lie beside it.

use super::report::{House, capital};
use super::sheet::{Block, Cell, Head, Sheet, Table, Tone};
use crate::domain::method::{BetweenMarks, Level, Method, StepKind, Timed};
use crate::domain::specimen::judge::{resolution_ns, seconds};

/// Rows for specimens, unless the method asks for more.
const ROWS: usize = 4;

/// The worksheet.
pub fn worksheet(method: &Method, house: &House<'_>) -> Sheet {
    let edition = method.edition.value.as_deref().unwrap_or("not confirmed");
    let quantity = capital(&method.quantity);
    let mut blocks = vec![
        Block::Head(Head {
            laboratory: house.letterhead().unwrap_or_else(|| vec!["Laboratory:".to_owned()]),
            title: format!("{quantity}: worksheet"),
            under: vec![
                format!("{}, edition {edition}", method.standard),
                method.title.clone(),
                "Write times as hours, minutes and seconds, readings as they are read.".to_owned(),
            ],
            symbol: None,
        }),
        item(),
    ];
    blocks.extend(masses(method));
    blocks.push(Block::heading("Specimens"));
    blocks.push(readings(method));
    blocks.extend(notes_on_readings(method));
    blocks.push(Block::heading("Intervals"));
    blocks.push(intervals(method));
    blocks.push(Block::heading("Deviations and remarks"));
    blocks.push(ruled(&["Specimen", "What happened, required and actual", "When", "Who"], 2));
    blocks.push(equipment());
    let names = ["Tested by", "Date", "Authorised by", "Date"];
    blocks.push(Block::Blanks { names: names.map(str::to_owned).into() });
    blocks.push(Block::heading("Steps"));
    blocks.push(steps(method));
    blocks.push(Block::quiet(
        "The laboratory's own current copy of the method, its own safety sheets and the local codes come first.",
    ));
    blocks.push(Block::End { text: format!("End of worksheet {}", method.id) });
    Sheet {
        title: format!("{quantity}: worksheet of {}", method.id),
        foot: format!("Worksheet {}, method file of SHA-256 {}", method.id, method.digest),
        across: None,
        paper: house.paper,
        issued_ns: None,
        identity: format!("{} {}", method.id, method.digest),
        program: format!("stillstand {}", env!("CARGO_PKG_VERSION")),
        blocks,
    }
}

/// A ruled table with empty rows.
fn ruled(heads: &[&str], rows: usize) -> Block {
    let rows = vec![vec![Cell::default(); heads.len()]; rows];
    let heads = heads.iter().map(|head| (*head).to_owned()).collect();
    Block::Table(Table { heads, rows, ruled: true, ..Table::default() })
}

fn item() -> Block {
    const NAMES: [[&str; 3]; 4] = [
        ["Sample, identifier", "Project", "Lot, quantity"],
        ["Material", "Source", "Intended use, limit"],
        ["Sampled when, where", "Sampled by", "Received when, from"],
        ["Solution, batch", "Its temperature (first, last)", "Prepared how, by"],
    ];
    // The name in small letters, and room under it.
    let name = |name: &str| Cell::toned(format!("{name}\n "), Tone::Quiet);
    let rows = NAMES.map(|row| row.map(name).into()).into();
    Block::Table(Table { heads: vec![String::new(); 3], rows, ruled: true, ..Table::default() })
}

/// Masses that the method limits.
fn masses(method: &Method) -> Vec<Block> {
    let rows: Vec<Vec<Cell>> = method
        .preparation
        .weighings
        .iter()
        .filter_map(|rule| {
            let limits = rule.limits.value?.to_string();
            Some(vec![Cell::plain(&rule.title), Cell::plain(limits), Cell::default(), Cell::default()])
        })
        .collect();
    if rows.is_empty() {
        return Vec::new();
    }
    let heads = ["Mass of", "Required", "Mass, g", "When, balance"].map(str::to_owned).into();
    vec![Block::heading("Masses"), Block::Table(Table { heads, rows, ruled: true, ..Table::default() })]
}

fn rows_of(method: &Method) -> usize {
    method.replicates.specimens.value.and_then(|count| usize::try_from(count).ok()).unwrap_or(0).max(ROWS)
}

fn numbered(rows: usize, columns: usize, cell: &Cell) -> Vec<Vec<Cell>> {
    let row = |number: usize| {
        let mut row = vec![Cell::toned(number.to_string(), Tone::Strong)];
        row.resize(columns, cell.clone());
        row
    };
    (1..=rows).map(row).collect()
}

fn readings(method: &Method) -> Block {
    let unit = method.readings.unit;
    let mut heads = vec!["Specimen".to_owned()];
    for level in method.levels() {
        heads.push(format!("{} reading, {unit}", capital(level.word())));
        if level == Level::Sand
            && method.readings.feet.iter().any(|foot| foot.offset.value.is_some_and(|v| !v.is_zero()))
        {
            heads.push("Less foot, sand".to_owned());
        }
    }
    let rest = ["Ratio", "Result", "Solution: lowest, mean, highest", "Remarks"];
    heads.extend(rest.map(str::to_owned));
    let mut rows = numbered(rows_of(method), heads.len(), &Cell::default());
    let mut last = vec![Cell::toned("Sample", Tone::Strong)];
    last.resize(heads.len(), Cell::default());
    rows.push(last);
    Block::Table(Table { heads, rows, ruled: true, ..Table::default() })
}

/// How levels are read, as the method's file has it.
fn notes_on_readings(method: &Method) -> Option<Block> {
    let mut words = Vec::new();
    let unit = method.readings.unit;
    if let Some(mark) = method.readings.mark.value {
        let rule = match method.readings.between_marks.value {
            Some(BetweenMarks::Higher) => "; between two, the higher counts",
            Some(BetweenMarks::Nearest) => "; between two, the nearest counts",
            None => "",
        };
        words.push(format!("Marks stand {mark} {unit} apart{rule}."));
    }
    for foot in &method.readings.feet {
        if let Some(offset) = foot.offset.value {
            words.push(format!("Foot {}: {offset} {unit} are taken from the level at it.", foot.name));
        }
    }
    let limits = method.temperature.limits.value;
    if let Some(limits) = limits {
        let (from, to) = (&method.temperature.from, &method.temperature.to);
        words.push(format!("Solution: {limits}, from {from} to {to}."));
    }
    (!words.is_empty()).then(|| Block::quiet(words.join(" ")))
}

fn timed(method: &Method) -> impl Iterator<Item = (&str, &Timed)> {
    method.steps.iter().filter_map(|step| match &step.kind {
        StepKind::Interval(timed) => Some((step.name.as_str(), timed)),
        _ => None,
    })
}

fn intervals(method: &Method) -> Block {
    let mut heads = vec!["Specimen".to_owned(), "First fill".to_owned()];
    for (name, timed) in timed(method) {
        heads.push(format!("{} ({})", capital(name), window(method, timed)));
    }
    let mut rows = numbered(rows_of(method), heads.len(), &Cell::toned("from\nto\nlasted", Tone::Quiet));
    for row in &mut rows {
        if let Some(first) = row.get_mut(1) {
            *first = Cell::default();
        }
    }
    Block::Table(Table { heads, rows, ruled: true, ..Table::default() })
}

/// The window of an interval in seconds.
fn window(method: &Method, timed: &Timed) -> String {
    let resolution = resolution_ns(method);
    let end = |ns: Option<i64>| ns.map(|ns| seconds(ns, resolution).trim_end_matches(".0").to_owned());
    match (end(timed.min_ns.value), end(timed.max_ns.value)) {
        (Some(min), Some(max)) => format!("{min} to {max} s"),
        (Some(min), None) => format!("at least {min} s"),
        (None, Some(max)) => format!("at most {max} s"),
        (None, None) => "no limit".to_owned(),
    }
}

fn equipment() -> Block {
    const NAMES: [&str; 5] = ["Balance", "Thermometer", "Shaker", "Foot assembly", "Timer"];
    let cells = NAMES.map(|name| Cell::toned(format!("{name}\n "), Tone::Quiet)).into();
    Block::Table(Table {
        heads: vec![String::new(); NAMES.len()],
        rows: vec![cells],
        ruled: true,
        ..Table::default()
    })
}

fn steps(method: &Method) -> Block {
    let rows = method.steps.iter().map(|step| {
        let asked = match &step.kind {
            StepKind::Interval(timed) => window(method, timed),
            StepKind::Mark { level: Some(level), .. } => {
                level.value.as_ref().map_or_else(String::new, |range| format!("level {range}"))
            }
            _ => String::new(),
        };
        let name = capital(&step.name);
        vec![Cell::toned(name, Tone::Strong), Cell::plain(&step.instruction), Cell::plain(asked)]
    });
    let heads = ["Step", "What to do", "Required"].map(str::to_owned).into();
    Block::Table(Table { heads, rows: rows.collect(), small: true, ..Table::default() })
}
