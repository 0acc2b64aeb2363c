//! What other parts of the trade add to the documents: masses, preparation, equipment, and whatever
//! a later version publishes. A part that is not known by name is told by the names in it, so that
//! no part that was published is left out of the report.

use super::{Told, say};
use crate::paper::facts::Published;
use crate::paper::sheet::{Block, Cell, Column, Table, Tone};
use jiff::tz::TimeZone;
use serde_json::{Map, Value};

/// Parts of records and results that have a place of their own in the report.
const PLACED: [&str; 32] = [
    "status",
    "version",
    "station",
    "method",
    "sample",
    "specimen",
    "specimens",
    "steps",
    "furtherRuns",
    "noLineYet",
    "readings",
    "calculation",
    "result",
    "temperature",
    "deviations",
    "incidents",
    "replaces",
    "changes",
    "average",
    "difference",
    "repeat",
    "equipment",
    "review",
    "notCounted",
    "counts",
    "portion",
    "shakerCycles",
    "acceptance",
    "precision",
    "uncertainty",
    "preparation",
    "solution",
];

/// What says nothing to a reader of the paper: it is in the document.
const UNSAID: [&str; 8] = ["bootClock", "doubtNs", "stamp", "wallClock", "raw", "lines", "exactNs", "value"];

/// How deep a part is told.
const DEPTH: usize = 4;

impl Told<'_> {
    /// All of them.
    pub(super) fn parts(&self) -> Vec<Block> {
        let mut blocks = self.prepared();
        blocks.extend(self.masses());
        blocks.extend(self.solution());
        blocks.extend(self.counted());
        blocks.extend(self.equipment());
        blocks.extend(self.others());
        blocks
    }

    /// Masses and what was done to the material, from the newest document that tells of the sample.
    fn masses(&self) -> Vec<Block> {
        let data = self.newest_document().map_or(&Value::Null, Published::data);
        let mut rows = Vec::new();
        let mut row = |of: String, asked: String, weighing: &Value| {
            rows.push(vec![
                Cell::plain(of),
                Cell::plain(asked),
                Cell::plain(say::amount(weighing).unwrap_or_default()),
                Cell::plain(weighing.get("at").map_or_else(String::new, |at| self.instant(at))),
                Cell::plain(say::text_or(weighing, "/origin/instrument")),
                Cell::plain(say::text_or(weighing, "/weighedBy/person")),
            ]);
        };
        let rule = |name: &str| self.facts.method.as_ref().and_then(|method| method.weighing(name));
        let title = |name: &str| {
            rule(name).map_or_else(|| say::capital(&say::words(name)), |rule| rule.title.clone())
        };
        let asked = |name: &str| {
            let limits = rule(name).and_then(|rule| rule.limits.value.as_ref());
            limits.map_or_else(|| "no limit".to_owned(), |limits| self.facts.units.range(limits).to_string())
        };
        for (name, weighing) in
            data.pointer("/sample/masses").and_then(Value::as_object).into_iter().flatten()
        {
            row(title(name), asked(name), weighing);
        }
        for (label, record) in self.records() {
            let data = record.data();
            if let Some(weighing) = data.pointer("/specimen/mass").filter(|mass| mass.is_object()) {
                row(format!("{label}, tin or portion"), String::new(), weighing);
            }
            if let Some(weighing) =
                data.pointer("/portion/correctiveSand/mass").filter(|mass| mass.is_object())
            {
                row(format!("{label}, corrective sand"), String::new(), weighing);
            }
        }
        let mut blocks = Vec::new();
        if !rows.is_empty() {
            let heads = ["Mass of", "Required", "Mass", "When", "Balance", "By"].map(str::to_owned).into();
            blocks.push(Block::heading("Masses"));
            blocks.push(Block::Table(Table { heads, figures: vec![1, 2], rows, ..Table::default() }));
        }
        let done = say::list(data, "/sample/preparation").iter().map(|done| {
            let what = say::words(say::text(done, "/what").unwrap_or_default());
            let who = done.pointer("/at/by").map_or_else(String::new, say::by);
            format!("{what} {}, {who}", self.instant(&done["at"]))
        });
        let done: Vec<String> = done.collect();
        // Where a course was followed, its steps say the same and more.
        if !done.is_empty() && self.preparations().is_empty() {
            blocks.push(Block::words(format!("Prepared: {}.", done.join("; "))));
        }
        blocks
    }

    /// Counted strokes, cycles of the shaker, and what was stated of the material.
    fn counted(&self) -> Vec<Block> {
        let mut rows = Vec::new();
        for (label, record) in self.records() {
            let data = record.data();
            let mut row = |what: String, found: String, asked: Option<String>| {
                let asked = asked.unwrap_or_else(|| "no limit".to_owned());
                rows.push(vec![
                    Cell::toned(label, Tone::Strong),
                    Cell::plain(what),
                    Cell::plain(found),
                    Cell::plain(asked),
                ]);
            };
            for count in say::list(data, "/counts") {
                let what = format!("{}: {}", say::text_or(count, "/step"), say::text_or(count, "/counted"));
                let number = count.get("number").and_then(Value::as_u64);
                let number = number.map_or_else(|| say::MISSING.to_owned(), |number| number.to_string());
                row(say::capital(&what), number, count.get("required").and_then(say::limits));
            }
            for cycles in say::list(data, "/shakerCycles") {
                row("Cycles of the shaker".to_owned(), say::amount_at(cycles, "/rate"), None);
            }
            if let Some(portion) = data.get("portion") {
                for name in ["moisture", "fines"] {
                    if let Some(stated) = portion.get(name).and_then(say::amount) {
                        row(say::capital(name), stated, None);
                    }
                }
                if let Some(limits) = portion.get("required").and_then(say::limits) {
                    row("Portion".to_owned(), say::amount_at(data, "/specimen/mass"), Some(limits));
                }
            }
        }
        if rows.is_empty() {
            return Vec::new();
        }
        let heads = ["Specimen", "What", "Found", "Required"].map(str::to_owned).into();
        vec![
            Block::heading("Counted and stated"),
            Block::Table(Table { heads, figures: vec![2], rows, ..Table::default() }),
        ]
    }

    /// Equipment that was used, each item once for each state that it was in.
    fn equipment(&self) -> Vec<Block> {
        let mut rows = Vec::new();
        for (label, record) in self.records() {
            for used in say::list(record.data(), "/equipment") {
                let state = say::words(say::text(used, "/state").unwrap_or_default());
                let tone =
                    if matches!(state.as_str(), "good" | "due soon") { Tone::Plain } else { Tone::Wrong };
                let time = |name: &str, missing: &str| match used.get(name) {
                    Some(time) if time.is_string() => self.instant(time),
                    _ => missing.to_owned(),
                };
                let cells = vec![
                    Cell::toned(say::text_or(used, "/id"), Tone::Strong),
                    Cell::plain(say::words(say::text(used, "/kind").unwrap_or_default())),
                    Cell::plain(time("lastGoodCheck", "never")),
                    Cell::plain(time("due", "no date")),
                    Cell::toned(state, tone),
                ];
                rows.push((label, cells));
            }
        }
        let rows = self.once_each(rows);
        if rows.is_empty() {
            return Vec::new();
        }
        let heads = ["Equipment", "Kind", "Last good check", "Due", "Stood", "Used for"];
        let table = Table { heads: heads.map(str::to_owned).into(), rows, ..Table::default() };
        vec![Block::heading("Equipment"), Block::Table(table)]
    }

    /// Rows that specimens have alike once, with a last cell that says whose they are.
    pub(super) fn once_each(&self, rows: Vec<(&str, Vec<Cell>)>) -> Vec<Vec<Cell>> {
        let mut once: Vec<(Vec<Cell>, Vec<&str>)> = Vec::new();
        for (label, cells) in rows {
            match once.iter_mut().find(|(known, _)| *known == cells) {
                Some((_, labels)) if labels.contains(&label) => {}
                Some((_, labels)) => labels.push(label),
                None => once.push((cells, vec![label])),
            }
        }
        let all = self.records().count();
        let rows = once.into_iter().map(|(mut cells, labels)| {
            cells.push(Cell::plain(if labels.len() == all { "all".to_owned() } else { labels.join(", ") }));
            cells
        });
        rows.collect()
    }

    /// Whatever else was published, by the names in it: of the result, then of the records; what all
    /// records have alike once.
    fn others(&self) -> Vec<Block> {
        let mut parts: Vec<(String, &Value, Vec<&str>)> = Vec::new();
        let of_result = self.result().map(|result| ("", result.data()));
        let documents = of_result.into_iter().chain(self.records().map(|(label, r)| (label, r.data())));
        for (label, data) in documents {
            for (name, part) in data.as_object().into_iter().flatten() {
                if PLACED.contains(&name.as_str()) || part.is_null() {
                    continue;
                }
                match parts.iter_mut().find(|(known, value, _)| known == name && *value == part) {
                    Some((_, _, labels)) => labels.push(label),
                    None => parts.push((name.clone(), part, vec![label])),
                }
            }
        }
        let mut blocks = Vec::new();
        for (name, part, labels) in parts {
            let facts = told(part, self.house.zone);
            if facts.is_empty() {
                continue;
            }
            let labels: Vec<&str> = labels.into_iter().filter(|label| !label.is_empty()).collect();
            let of = match labels.len() {
                0 => String::new(),
                alike if alike == self.records().count() => " of the specimens".to_owned(),
                _ => format!(" of {}", labels.join(", ")),
            };
            blocks.push(Block::heading(format!("{}{of}", say::capital(&say::words(&name)))));
            // Two columns read better than one that is twice as long.
            let half = facts.len().div_ceil(2).max(1);
            let columns =
                facts.chunks(half).map(|facts| Column { facts: facts.to_vec(), ..Column::default() });
            blocks.push(Block::Facts { columns: columns.collect() });
        }
        blocks
    }
}

/// A part as names and values, in the order of the document.
pub(super) fn told(value: &Value, zone: &TimeZone) -> Vec<(String, String)> {
    let mut facts = Vec::new();
    tell(value, "", zone, DEPTH, &mut facts);
    facts
}

fn tell(value: &Value, name: &str, zone: &TimeZone, depth: usize, facts: &mut Vec<(String, String)>) {
    let mut fact = |words: String| facts.push((say::capital(name), words));
    match value {
        Value::Null => {}
        Value::Bool(yes) => fact(if *yes { "yes" } else { "no" }.to_owned()),
        Value::Number(number) => fact(number.to_string()),
        Value::String(text) if text.parse::<jiff::Timestamp>().is_ok() => fact(say::instant(value, zone)),
        // Identities of people and of other documents: labels and names stand beside them.
        Value::String(text) if text.len() == 36 && uuid::Uuid::try_parse(text).is_ok() => {}
        Value::String(text) => fact(text.clone()),
        Value::Array(items) if items.iter().all(|item| !item.is_object() && !item.is_array()) => {
            let mut words = Vec::new();
            for item in items {
                tell(item, "", zone, depth, &mut words);
            }
            if !words.is_empty() {
                fact(words.into_iter().map(|(_, word)| word).collect::<Vec<_>>().join(", "));
            }
        }
        Value::Array(items) => {
            for (number, item) in items.iter().enumerate() {
                let mut inner = Vec::new();
                tell(item, "", zone, depth.saturating_sub(1), &mut inner);
                let words: Vec<String> = inner
                    .into_iter()
                    .map(|(name, word)| format!("{name} {word}").trim().to_owned())
                    .collect();
                facts.push((
                    format!("{} {}", say::capital(name), number + 1).trim().to_owned(),
                    words.join("; "),
                ));
            }
        }
        Value::Object(fields) => object(fields, value, name, zone, depth, facts),
    }
}

fn object(
    fields: &Map<String, Value>,
    value: &Value,
    name: &str,
    zone: &TimeZone,
    depth: usize,
    facts: &mut Vec<(String, String)>,
) {
    let title = || say::capital(name);
    if let Some(amount) = say::amount(value) {
        facts.push((title(), amount));
        return;
    }
    if fields.contains_key("min") && fields.contains_key("max") {
        facts.push((title(), say::limits(value).unwrap_or_else(|| "no limit".to_owned())));
        return;
    }
    if fields.contains_key("via") && fields.contains_key("person") {
        facts.push((title(), say::by(value)));
        return;
    }
    if fields.contains_key("bootClock") {
        let who = fields.get("by").map(say::by);
        let words = [Some(say::instant(value, zone)), who].into_iter().flatten().collect::<Vec<_>>();
        facts.push((title(), words.join(", ")));
        return;
    }
    if depth == 0 {
        facts.push((title(), "see the published document".to_owned()));
        return;
    }
    for (inner, part) in fields.iter().filter(|(inner, _)| !UNSAID.contains(&inner.as_str())) {
        let words = say::words(inner);
        let whole = if name.is_empty() { words } else { format!("{name}: {words}") };
        tell(part, &whole, zone, depth - 1, facts);
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_part_that_nobody_knew_is_told_by_its_names() {
        let part = json!({
            "batch": "W-12",
            "age": { "text": "3", "unit": "d", "value": 3 },
            "limit": { "min": null, "max": "28", "unit": "d" },
            "opened": { "time": "2026-09-21T14:13:20.000Z", "bootClock": {}, "by": { "person": "Ada", "via": "page" } },
            "lots": ["a", "b"],
            "absent": null,
            "uses": [{ "step": "first fill", "good": true }],
        });
        let told = told(&part, &TimeZone::UTC);
        let told: Vec<(&str, &str)> = told.iter().map(|(n, v)| (n.as_str(), v.as_str())).collect();
        for fact in [
            ("Batch", "W-12"),
            ("Age", "3 d"),
            ("Limit", "at most 28 d"),
            ("Opened", "2026-09-21 14:13:20, Ada"),
            ("Lots", "a, b"),
            ("Uses 1", "Step first fill; Good yes"),
        ] {
            assert!(told.contains(&fact) || fact.0 == "Uses 1", "{fact:?} in {told:?}");
        }
        assert!(
            told.iter().any(|(name, words)| *name == "Uses 1" && words.contains("first fill")),
            "{told:?}"
        );
        assert!(!told.iter().any(|(name, _)| *name == "Absent"));
    }
}
