//! What was not as the method has it, what went otherwise than planned, and what was corrected.

use super::{Told, say};
use crate::paper::sheet::{Block, Cell, Table, Tone};
use serde_json::Value;

impl Told<'_> {
    /// Deviations from the method, of every specimen.
    pub(super) fn deviations(&self) -> Vec<Block> {
        let mut rows: Vec<Vec<Cell>> = Vec::new();
        for (label, record) in self.records() {
            for deviation in say::list(record.data(), "/deviations") {
                let part = |path: &str| Cell::plain(say::text(deviation, path).unwrap_or_default());
                let when = deviation.get("time").map_or_else(String::new, |time| self.instant(time));
                rows.push(vec![
                    Cell::toned(label, Tone::Strong),
                    Cell::plain(say::capital(say::text(deviation, "/what").unwrap_or_default())),
                    part("/required"),
                    part("/actual"),
                    part("/by"),
                    Cell::plain(when),
                ]);
            }
        }
        let heading = Block::heading("Deviations from the method");
        if rows.is_empty() {
            let words = match self.records().next() {
                Some(_) => "None was seen on the specimens with a record.",
                None => "No specimen has a record yet.",
            };
            return vec![heading, Block::words(words)];
        }
        let heads =
            ["Specimen", "What", "Required", "Actual", "By how much", "When"].map(str::to_owned).into();
        vec![heading, Block::Table(Table { heads, rows, ..Table::default() })]
    }

    /// Notes, changes of place, interrupted runs, what was corrected, and what this replaces.
    pub(super) fn otherwise(&self) -> Vec<Block> {
        let mut blocks = Vec::new();
        let notes: Vec<Vec<Cell>> =
            self.records().flat_map(|(label, record)| self.notes(label, record.data())).collect();
        if !notes.is_empty() {
            let heads = ["Specimen", "What was noted", "When", "Who"].map(str::to_owned).into();
            blocks.push(Block::heading("Noted at the bench"));
            blocks.push(Block::Table(Table { heads, rows: notes, ..Table::default() }));
        }
        let changes = self.changes();
        if !changes.is_empty() {
            let heads = ["Of", "What", "Was", "Is", "Why", "Who and when"].map(str::to_owned).into();
            blocks.push(Block::heading("Corrections"));
            blocks.push(Block::Table(Table { heads, rows: changes, ..Table::default() }));
        }
        let replaced = self.replaced();
        if !replaced.is_empty() {
            let heads =
                ["Replaced version", "Number", "Result", "Issued", "Identity"].map(str::to_owned).into();
            blocks.push(Block::heading("This report replaces"));
            blocks.push(Block::Table(Table { heads, rows: replaced, small: true, ..Table::default() }));
        }
        blocks
    }

    fn notes(&self, label: &str, data: &Value) -> Vec<Vec<Cell>> {
        let incidents = data.get("incidents").unwrap_or(&Value::Null);
        let row = |words: String, at: &Value| {
            let who = at.get("by").map_or_else(String::new, say::by);
            let when = if at.is_null() { String::new() } else { self.instant(at) };
            vec![Cell::toned(label, Tone::Strong), Cell::plain(words), Cell::plain(when), Cell::plain(who)]
        };
        let part = |value: &Value, path: &str| say::text(value, path).map(say::words);
        let mut rows = Vec::new();
        for note in say::list(incidents, "/notes") {
            let said = [part(note, "/kind"), say::text(note, "/text").map(str::to_owned)];
            let during = part(note, "/during").map(|step| format!("during {step}"));
            let words: Vec<String> = said.into_iter().chain([during]).flatten().collect();
            rows.push(row(say::capital(&words.join(", ")), &note["at"]));
        }
        for place in say::list(incidents, "/places") {
            let change = part(place, "/change").unwrap_or_default();
            let words = format!("Place {} from {} to {}", change, place["from"], place["to"]);
            rows.push(row(words, &place["at"]));
        }
        if let Some(run) = incidents.get("interruption").filter(|run| run.is_object()) {
            let words = format!(
                "{} interrupted: {} runs, {} in all; {} counts{}",
                say::capital(&part(run, "/step").unwrap_or_default()),
                run["runs"],
                say::amount_at(run, "/total"),
                if say::text(run, "/counts") == Some("sum") { "their sum" } else { "the first" },
                say::text(run, "/reason").map_or_else(String::new, |reason| format!(" ({reason})")),
            );
            rows.push(row(words, run.get("said").unwrap_or(&Value::Null)));
        }
        if let Some(words) = say::text(incidents, "/lateLine/text") {
            rows.push(row(say::capital(words), &Value::Null));
        }
        for run in say::list(data, "/furtherRuns") {
            rows.push(row("The shaker ran again with the cylinder".to_owned(), &run["begin"]));
        }
        rows
    }

    /// Every correction once: of the records, and of what came with the bag.
    fn changes(&self) -> Vec<Vec<Cell>> {
        let of_records = self.records().flat_map(|(label, record)| {
            say::list(record.data(), "/changes").iter().map(move |change| (label, change))
        });
        let of_result = say::list(self.result_data(), "/changes").iter().map(|change| ("result", change));
        let mut seen: Vec<&str> = Vec::new();
        let mut rows = Vec::new();
        for (of, change) in of_records.chain(of_result) {
            let id = say::text(change, "/id").unwrap_or_default();
            if seen.contains(&id) && !id.is_empty() {
                continue;
            }
            seen.push(id);
            let of = if say::text(change, "/kind") == Some("particulars-corrected") { "the bag" } else { of };
            let why = say::text(change, "/reason").unwrap_or("reason pending");
            let who = change.get("who").map_or_else(String::new, say::by);
            rows.push(vec![
                Cell::toned(of, Tone::Strong),
                Cell::plain(say::capital(say::text(change, "/what").unwrap_or_default())),
                Cell::plain(self.stood(&change["from"])),
                Cell::plain(self.stood(&change["to"])),
                Cell::plain(why),
                Cell::plain(format!("{who}, {}", self.instant(&change["when"]))),
            ]);
        }
        rows
    }

    /// What stood there: a reading, a time, or named words.
    fn stood(&self, value: &Value) -> String {
        if value.get("entered").is_some() {
            return super::specimens::reading_words(value);
        }
        if let Some(amount) = say::amount(value) {
            return amount;
        }
        if value.get("time").is_some() {
            return self.instant(value);
        }
        let facts = super::parts::told(value, self.house.zone);
        let facts: Vec<String> = facts.into_iter().map(|(name, value)| format!("{name} {value}")).collect();
        if facts.is_empty() { "–".to_owned() } else { facts.join("; ") }
    }

    fn replaced(&self) -> Vec<Vec<Cell>> {
        let versions = self.facts.result.as_ref().map_or(&[][..], |versions| versions.0.as_slice());
        let row = |version: &crate::paper::facts::Published| {
            let data = version.data();
            let number = data.get("version").and_then(Value::as_u64).unwrap_or(1);
            let status = say::text(data, "/status").unwrap_or_default();
            vec![
                Cell::plain(format!("version {number}, {status}")),
                Cell::plain(version.number.to_string()),
                Cell::plain(say::text(data, "/result/text").unwrap_or("none")),
                Cell::plain(self.time(version.made_ns)),
                Cell::plain(&version.id),
            ]
        };
        versions.iter().skip(1).map(row).collect()
    }
}
