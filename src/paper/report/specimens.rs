//! The specimens: readings, numbers and intervals, one row for each, void ones too.

use super::{Told, say};
use crate::domain::specimen::Specimen;
use crate::paper::facts::Published;
use crate::paper::sheet::{Block, Cell, Table, Tone};
use serde_json::Value;

impl Told<'_> {
    /// Two tables: what each specimen gave, and how long its steps lasted.
    pub(super) fn specimens(&self) -> Vec<Block> {
        let specimens = &self.facts.subject.specimens;
        if specimens.is_empty() {
            return vec![Block::heading("Specimens"), Block::words("None is registered yet.")];
        }
        let mut blocks = vec![Block::heading("Specimens"), Block::Table(self.numbers())];
        let intervals = self.intervals();
        if intervals.heads.len() > 2 {
            blocks.push(Block::heading("Intervals"));
            blocks.push(Block::Table(intervals));
        }
        blocks
    }

    fn record_of(&self, specimen: &Specimen) -> Option<&Published> {
        self.facts.records.get(&specimen.id)?.newest()
    }

    fn numbers(&self) -> Table {
        let levels: Vec<&str> = match &self.facts.method {
            Some(method) => method.levels().map(crate::domain::method::Level::word).collect(),
            None => vec!["clay", "sand"],
        };
        let mut heads = vec!["Specimen".to_owned()];
        heads.extend(levels.iter().map(|level| format!("{} reading", say::capital(level))));
        heads.extend(["Ratio", "Result", "Solution: lowest, mean, highest", "Remarks"].map(str::to_owned));
        let figures = (1..levels.len() + 3).collect();
        let rows = self.facts.subject.specimens.iter().map(|specimen| {
            let data = self.record_of(specimen).map_or(&Value::Null, Published::data);
            let mut row = vec![Cell::toned(&specimen.label, Tone::Strong)];
            row.extend(levels.iter().map(|level| Cell::plain(level_words(data, level))));
            row.push(Cell::plain(
                data.pointer("/calculation/ratio").and_then(say::amount).unwrap_or_else(none),
            ));
            let result = data.pointer("/result").and_then(say::amount).unwrap_or_else(none);
            row.push(Cell::toned(result, Tone::Strong));
            row.push(Cell::plain(warmth(data)));
            let (remarks, tone) = self.remarks(specimen, data);
            row.push(Cell::toned(remarks, tone));
            row
        });
        Table { rows: rows.collect(), heads, figures, ..Table::default() }
    }

    /// Whether it counts, and what there is to know before its number is used.
    fn remarks(&self, specimen: &Specimen, data: &Value) -> (String, Tone) {
        let mut remarks = Vec::new();
        if let Some((reason, marked)) = &specimen.voided {
            let who = marked.by.person.as_deref().unwrap_or(&marked.by.via);
            remarks.push(format!("given up: {reason} ({who}, {})", self.time(marked.moment.wall_ns)));
        } else if data.is_null() {
            remarks.push("no record yet".to_owned());
        }
        if say::text(data, "/status") == Some("void") && specimen.voided.is_none() {
            remarks.push("void".to_owned());
        }
        // What was given up does not count, and it was just said why.
        remarks.extend(self.not_counted(&specimen.label).filter(|_| specimen.voided.is_none()));
        match say::list(data, "/deviations").len() {
            0 => {}
            deviations => remarks.push(say::count(deviations, "deviation")),
        }
        let tone = if remarks.is_empty() { Tone::Plain } else { Tone::Wrong };
        if remarks.is_empty() {
            remarks.push("no deviation".to_owned());
        }
        // To know, and nothing wrong.
        if let Some(label) = say::text(data, "/specimen/inPlaceOf/label") {
            remarks.push(format!("run in the place of {label}"));
        }
        (remarks.join("; "), tone)
    }

    /// Why a complete specimen does not count, as the result says it.
    fn not_counted(&self, label: &str) -> Option<String> {
        let data = self.result_data();
        let lists = [say::list(data, "/repeat/notCounted"), say::list(data, "/notCounted")];
        let entry = lists.into_iter().flatten().find(|entry| {
            say::text(entry, "/label").or_else(|| say::text(entry, "/specimen/label")) == Some(label)
        })?;
        let why = ["/text", "/reason", "/why"].into_iter().find_map(|path| say::text(entry, path));
        Some(format!("does not count: {}", say::words(why.unwrap_or("no reason stated"))))
    }

    fn intervals(&self) -> Table {
        let opening = self.facts.method.as_ref().map_or("first fill", |method| &method.temperature.from);
        let mut heads = vec!["Specimen".to_owned(), say::capital(opening)];
        // The steps of all records, in the order of the first one that has them.
        let mut names: Vec<(&str, String)> = Vec::new();
        for (_, record) in self.records() {
            for step in say::list(record.data(), "/steps").iter().filter(|s| is_interval(s)) {
                let name = say::text(step, "/name").unwrap_or_default();
                if !names.iter().any(|(known, _)| *known == name) {
                    let limits = step.get("required").and_then(say::limits);
                    let asked = limits.unwrap_or_else(|| "no limit".to_owned());
                    names.push((name, format!("{} ({asked})", say::capital(name))));
                }
            }
        }
        heads.extend(names.iter().map(|(_, head)| head.clone()));
        let rows = self.records().map(|(label, record)| {
            let steps = say::list(record.data(), "/steps");
            let of_step = |name: &str| steps.iter().find(|s| say::text(s, "/name") == Some(name));
            // Not the first step: a tin may have been filled long before.
            let first = of_step(opening).or_else(|| steps.first());
            let first = first.and_then(|step| step.get("at").or_else(|| step.get("begin")));
            let mut row = vec![Cell::toned(label, Tone::Strong)];
            // The day over the time: the row has two lines anyway, and the columns need the room.
            row.push(Cell::plain(first.map_or_else(none, |at| self.instant(at).replacen(' ', "\n", 1))));
            row.extend(
                names.iter().map(|(name, _)| of_step(name).map_or_else(Cell::default, |s| self.interval(s))),
            );
            row
        });
        let rows = rows.collect();
        let figures = (2..heads.len()).collect();
        Table { heads, figures, rows, ..Table::default() }
    }

    /// From when to when, how long it lasted, and the verdict in a word where it is not 'within': what
    /// the paper worksheet asks for.
    fn interval(&self, step: &Value) -> Cell {
        let lasted = say::amount_at(step, "/duration");
        let bound = step.pointer("/end/bound") == Some(&Value::Bool(true));
        let negative = step.pointer("/duration/exactNs").and_then(Value::as_i64).is_some_and(|ns| ns < 0);
        // Not shown, though both ends were marked: the clocks of the two disagree.
        let disagree = say::text(step, "/verdict") == Some("not-shown") && (!bound || negative);
        let lasted = if disagree {
            "how long is not known".to_owned()
        } else if bound {
            format!("at most {lasted}")
        } else {
            format!("lasted {lasted}")
        };
        let wall = say::text(step, "/duration/clock") == Some("wall-clock");
        let lasted = if wall && !disagree { format!("{lasted}, by wall clock") } else { lasted };
        let clock = |end: &str| {
            let time = step.get(end).filter(|end| end.is_object()).map(|end| self.instant(end));
            time.and_then(|time| time.split_once(' ').map(|(_, clock)| clock.to_owned()))
        };
        let ends: Vec<String> = ["begin", "end"].into_iter().filter_map(clock).collect();
        let lines = |last: String| format!("{}\n{last}", ends.join("–"));
        match say::text(step, "/verdict") {
            Some("within" | "no-limit") | None => Cell::plain(lines(lasted)),
            Some(verdict) => Cell::toned(lines(format!("{lasted}: {}", say::words(verdict))), Tone::Wrong),
        }
    }
}

fn none() -> String {
    "–".to_owned()
}

fn is_interval(step: &Value) -> bool {
    say::text(step, "/kind") == Some("interval")
}

/// The level that counts, and what was read where that is another figure; where a foot stands between
/// eye and sand, what is taken off for it too.
fn level_words(data: &Value, level: &str) -> String {
    data.pointer(&format!("/readings/{level}")).map_or_else(none, reading_words)
}

/// The same of a reading by itself.
pub(super) fn reading_words(reading: &Value) -> String {
    let recorded = say::amount(reading).unwrap_or_else(none);
    let offset =
        say::text(reading, "/offset/text").filter(|digits| digits.chars().any(|c| ('1'..='9').contains(&c)));
    let entered = say::text(reading, "/entered").unwrap_or_default();
    match offset {
        Some(offset) => format!("{recorded} (read {entered}, less {offset})"),
        None if say::text(reading, "/text") == Some(entered) => recorded,
        None => format!("{recorded} (read {entered})"),
    }
}

/// Lowest, mean and highest temperature of the solution.
fn warmth(data: &Value) -> String {
    if data.is_null() {
        return none();
    }
    let of = |name: &str| data.pointer(&format!("/temperature/{name}"));
    match [of("minimum"), of("mean"), of("maximum")].map(|value| value.and_then(say::amount)) {
        [Some(lowest), Some(mean), Some(highest)] => {
            let bare = |words: String| words.split(' ').next().unwrap_or_default().to_owned();
            format!("{}, {}, {highest}", bare(lowest), bare(mean))
        }
        _ => "no reading".to_owned(),
    }
}
