//! The blank worksheet of a method, for the day on which the station is out: the tables of the
//! report with room to write in, so that a filled one can lie beside it.

use super::report::{DRYING, House, capital};
use super::sheet::{Block, Cell, Head, Sheet, Table, Tone};
use crate::domain::method::{
    BetweenMarks, Bound, CourseKind, CourseRule, Level, Method, SpecimenKind, StepKind, Timed,
};
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
        Block::heading("The item tested"),
        named(&ITEM),
        Block::heading("Result"),
        named(&RESULT),
    ];
    blocks.push(Block::heading("Specimens"));
    blocks.push(readings(method));
    blocks.extend(notes_on_readings(method));
    blocks.push(Block::heading("Intervals"));
    blocks.push(intervals(method));
    blocks.push(Block::heading("Deviations from the method"));
    blocks.push(ruled(&["Specimen", "What", "Required", "Actual", "By how much", "When"], 2));
    blocks.push(Block::heading("Noted at the bench"));
    blocks.push(ruled(&["Specimen", "What was noted", "When", "Who"], 2));
    blocks.extend(preparation(method));
    blocks.extend(masses(method));
    blocks.push(Block::heading("Solution"));
    blocks.push(ruled(&["Solution, batch", "Recipe", "Made, by", "Last day", "Stock"], 1));
    blocks.extend(counted(method));
    blocks.push(Block::heading("Equipment"));
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
    filled_in(heads, vec![vec![Cell::default(); heads.len()]; rows])
}

/// Cells with their names, by the words and in the order of the report.
fn named(names: &[[&str; 4]]) -> Block {
    // The name in small letters, and room under it.
    let name = |name: &&str| Cell::toned(format!("{name}\n "), Tone::Quiet);
    let rows = names.iter().map(|row| row.iter().map(name).collect()).collect();
    Block::Table(Table { heads: vec![String::new(); 4], rows, ruled: true, ..Table::default() })
}

const ITEM: [[&str; 4]; 3] = [
    ["Sample", "Identifier", "Project", "Material"],
    ["Source", "Lot", "Stands for", "Intended use"],
    ["Sampled, at", "Sampled by", "Received", "Brought by"],
];

const RESULT: [[&str; 4]; 2] = [
    ["Result, made of", "Largest difference", "Specification", "Acceptance: pass, fail"],
    ["Tested from, to", "Where", "By", "Status"],
];

/// The steps of all ways in the order of work, and whether one of them dries.
fn all_steps(courses: &[CourseRule]) -> (Vec<&str>, bool) {
    let mut steps: Vec<&str> = Vec::new();
    let mut dries = false;
    for course in courses {
        let mut next = 0;
        for step in &course.steps {
            dries |= matches!(step.kind, CourseKind::Dry { .. });
            // A step that only this way has stands behind the one before it.
            let at = steps.iter().position(|known| *known == step.name).unwrap_or_else(|| {
                steps.insert(next, &step.name);
                next
            });
            next = at + 1;
        }
    }
    (steps, dries)
}

/// The steps of the ways to prepare a sample, with room for tins and weighings of a drying.
fn preparation(method: &Method) -> Vec<Block> {
    let courses = &method.preparation.courses;
    let (steps, dries) = all_steps(courses);
    if steps.is_empty() {
        return Vec::new();
    }
    let ways: Vec<&str> = courses.iter().map(|course| course.title.as_str()).collect();
    let rows = steps.iter().map(|step| {
        let mut row = vec![Cell::toned(capital(step), Tone::Strong)];
        row.resize(3, Cell::default());
        row
    });
    let heads = ["Step", "When, who", "Remarks: skipped and why, casts, what was changed"];
    let mut blocks = vec![
        Block::heading("Preparation"),
        Block::quiet(format!("Mark the way: {}.", ways.join("; "))),
        filled_in(&heads, rows.collect()),
        filled_in(&TINS, numbered(rows_of(method), TINS.len(), &Cell::default())),
    ];
    if dries {
        let names = ["before drying", "dried 1", "dried 2", "dried 3", "dried 4"];
        let rows = names.map(|name| {
            let mut row = vec![Cell::toned(name, Tone::Strong)];
            row.resize(DRYING.len(), Cell::default());
            row
        });
        blocks.push(Block::heading("Drying"));
        blocks.push(filled_in(&DRYING, rows.into()));
        blocks.extend(constant(method).map(Block::quiet));
    }
    blocks
}

const TINS: [&str; 6] =
    ["Specimen", "Tin", "Empty, g", "Filled and struck off", "Tempered until then", "Drying"];

/// A ruled table of which some cells are printed.
fn filled_in(heads: &[&str], rows: Vec<Vec<Cell>>) -> Block {
    let heads = heads.iter().map(|head| (*head).to_owned()).collect();
    Block::Table(Table { heads, rows, ruled: true, ..Table::default() })
}

/// The criterion of constant mass, and the oven.
fn constant(method: &Method) -> Option<String> {
    let rule = &method.preparation;
    let mut words =
        vec!["Net is gross less the tins. Change in percent of the net mass before it.".to_owned()];
    if let Some(figure) = rule.constant_mass_percent.value {
        let bound = match rule.constant_mass_bound.as_ref().and_then(|bound| bound.value) {
            Some(Bound::AtMost) => "at most",
            Some(Bound::Under) | None => "less than",
        };
        words.push(format!("Constant: {bound} {figure} %."));
    }
    if let Some(oven) = &rule.oven.value {
        words.push(format!("Oven: {oven}."));
    }
    (words.len() > 1).then(|| words.join(" "))
}

/// Strokes or cycles that the method has counted, and what it asks of a weighed portion.
fn counted(method: &Method) -> Vec<Block> {
    let row = |what: String, asked: String| {
        vec![Cell::default(), Cell::toned(what, Tone::Strong), Cell::default(), Cell::plain(asked)]
    };
    let mut rows: Vec<Vec<Cell>> = timed(method)
        .filter_map(|(name, timed)| {
            let rule = timed.count.as_ref()?;
            let asked = rule.limits.value.as_ref().map_or_else(|| "no limit".to_owned(), ToString::to_string);
            Some(row(format!("{}: {}", capital(name), rule.of.word()), asked))
        })
        .collect();
    if method.specimen.kind == SpecimenKind::Portion {
        let size = method.specimen.size.value.as_ref().map_or_else(String::new, ToString::to_string);
        rows.extend(["Moisture", "Fines"].map(|what| row(what.to_owned(), "no limit".to_owned())));
        rows.push(row("Portion".to_owned(), size));
    }
    if rows.is_empty() {
        return Vec::new();
    }
    vec![Block::heading("Counted and stated"), filled_in(&["Specimen", "What", "Found", "Required"], rows)]
}

/// Masses that the method has weighed.
fn masses(method: &Method) -> Vec<Block> {
    let rows: Vec<Vec<Cell>> = method
        .preparation
        .weighings
        .iter()
        .map(|rule| {
            let limits =
                rule.limits.value.as_ref().map_or_else(|| "no limit".to_owned(), ToString::to_string);
            let mut row = vec![Cell::plain(&rule.title), Cell::plain(limits)];
            row.resize(5, Cell::default());
            row
        })
        .collect();
    if rows.is_empty() {
        return Vec::new();
    }
    vec![Block::heading("Masses"), filled_in(&["Mass of", "Required", "Mass, g", "When", "Balance"], rows)]
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
    heads.extend(method.levels().map(|level| format!("{} reading, {unit}", capital(level.word()))));
    let rest = ["Ratio", "Result", "Solution: lowest, mean, highest", "Remarks"];
    heads.extend(rest.map(str::to_owned));
    let offset = method.readings.feet.iter().any(|foot| foot.offset.value.is_some_and(|v| !v.is_zero()));
    let mut rows = numbered(rows_of(method), heads.len(), &Cell::default());
    for row in &mut rows {
        for (level, cell) in method.levels().zip(row.iter_mut().skip(1)) {
            let lines = if level == Level::Sand && offset { "read\nless\ncounts" } else { "read\ncounts" };
            *cell = Cell::toned(lines, Tone::Quiet);
        }
    }
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
    let mut heads = vec!["Specimen".to_owned(), capital(&method.temperature.from)];
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
    const KINDS: [&str; 6] = ["balance", "cylinder", "shaker", "foot assembly", "thermometer", "timer"];
    let rows = KINDS.map(|kind| {
        let mut row = vec![Cell::default(), Cell::plain(kind)];
        row.resize(5, Cell::default());
        row
    });
    filled_in(&["Equipment", "Kind", "Last good check", "Due", "Stood"], rows.into())
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
