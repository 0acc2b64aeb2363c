//! The way from the bag to the tin, where the sample followed one: its steps, casts and tempering, the
//! tins, and the drying weighing by weighing.

use super::{Told, say};
use crate::paper::facts::{Facts, Published};
use crate::paper::sheet::{Block, Cell, Table, Tone};
use rust_decimal::{Decimal, RoundingStrategy};
use serde_json::Value;

/// Heads of the table of a drying; the blank worksheet has the same ones.
pub(in crate::paper) const DRYING: [&str; 7] =
    ["Weighing", "Gross", "Net", "After", "Change", "Constant", "When"];

impl<'a> Told<'a> {
    /// All of it; nothing where no record tells of a preparation.
    pub(super) fn prepared(&self) -> Vec<Block> {
        let parts = self.preparations();
        let Some((_, first)) = parts.first() else { return Vec::new() };
        let mut blocks = vec![Block::heading(format!("Preparation: {}", say::text_or(first, "/title")))];
        blocks.push(self.steps(&parts));
        blocks.extend(self.moisture(&parts));
        blocks.extend(self.tins(&parts));
        let mut told: Vec<&Value> = Vec::new();
        for drying in parts.iter().filter_map(|(_, part)| part.get("drying")) {
            if drying.is_object() && !told.contains(&drying) {
                told.push(drying);
                blocks.extend(self.drying(drying));
            }
        }
        blocks
    }

    /// What records tell of the preparation, where their sample followed a course.
    pub(super) fn preparations(&self) -> Vec<(&'a str, &'a Value)> {
        let facts: &'a Facts = self.facts;
        let records = facts.subject.specimens.iter().filter_map(|specimen| {
            let record = facts.records.get(&specimen.id)?.newest()?;
            Some((specimen.label.as_str(), record.data().get("preparation")?))
        });
        records.filter(|(_, part)| part.is_object()).collect()
    }

    fn steps(&self, parts: &[(&str, &Value)]) -> Block {
        let mut names: Vec<&str> = Vec::new();
        let steps = parts.iter().flat_map(|(_, part)| say::list(part, "/steps"));
        for name in steps.filter_map(|step| say::text(step, "/name")) {
            if !names.contains(&name) {
                names.push(name);
            }
        }
        let mut rows = Vec::new();
        for name in names {
            for (label, part) in parts {
                let of =
                    say::list(part, "/steps").iter().filter(|step| say::text(step, "/name") == Some(name));
                rows.extend(of.map(|step| (*label, self.step(step))));
            }
        }
        let heads = ["Step", "Stood", "When, who", "Remarks", "For"].map(str::to_owned).into();
        Block::Table(Table { heads, rows: self.once_each(rows), ..Table::default() })
    }

    fn step(&self, step: &Value) -> Vec<Cell> {
        let stood = say::words(&say::text_or(step, "/standing"));
        let tone = if stood == "open" { Tone::Wrong } else { Tone::Plain };
        // The time of a mass is that of the balance's line.
        let newest = self.newest_document().map_or(&Value::Null, Published::data);
        let mass = say::text(step, "/mass").and_then(|name| newest.pointer("/sample/masses")?.get(name));
        let at = step.get("at").filter(|at| at.is_object());
        let at = at.map(|at| self.when_who(at)).or_else(|| mass.map(|mass| self.weighed(mass)));
        let remarks = say::text(step, "/reason").map(str::to_owned).or_else(|| say::amount(mass?));
        vec![
            Cell::toned(say::capital(&say::text_or(step, "/name")), Tone::Strong),
            Cell::toned(stood, tone),
            Cell::plain(at.unwrap_or_default()),
            Cell::plain(remarks.unwrap_or_default()),
        ]
    }

    fn when_who(&self, marked: &Value) -> String {
        let who = marked.get("by").map_or_else(String::new, |by| format!(", {}", say::by(by)));
        format!("{}{who}", self.instant(marked))
    }

    /// When a mass was taken, and by whom where that is known.
    fn weighed(&self, weighing: &Value) -> String {
        let who = weighing.get("weighedBy").map_or_else(String::new, |by| format!(", {}", say::by(by)));
        format!("{}{who}", self.instant(&weighing["at"]))
    }

    /// Casts, tempering and what was taken back, as sentences; what specimens have alike once.
    fn moisture(&self, parts: &[(&str, &Value)]) -> Vec<Block> {
        let mut said: Vec<String> = Vec::new();
        let mut say_once = |words: String| {
            if !said.contains(&words) {
                said.push(words);
            }
        };
        for (_, part) in parts {
            for cast in say::list(part, "/casts") {
                let changed =
                    say::text(cast, "/changed").map_or_else(String::new, |what| format!(": {what}"));
                let finding = say::words(&say::text_or(cast, "/finding"));
                say_once(format!("Cast {finding}{changed} ({}).", self.when_who(&cast["at"])));
            }
            if let Some(tempering) = part.get("tempering").filter(|part| part.is_object()) {
                let least = tempering.get("atLeast").and_then(say::amount);
                let least = least.map_or_else(String::new, |least| format!(", at least {least} required"));
                say_once(format!("Tempered from {}{least}.", self.when_who(&tempering["begin"])));
            }
            for taken in say::list(part, "/takenBack") {
                let (what, reason) = (say::text_or(taken, "/what"), say::text_or(taken, "/reason"));
                say_once(format!("Taken back: {what}: {reason} ({}).", self.when_who(&taken["takenBack"])));
            }
        }
        said.into_iter().map(Block::words).collect()
    }

    fn tins(&self, parts: &[(&str, &Value)]) -> Option<Block> {
        // What no tin has is not asked of any.
        let tempers = parts.iter().any(|(_, part)| part.get("tempering").is_some_and(Value::is_object));
        let dries = parts.iter().any(|(_, part)| part.get("drying").is_some_and(Value::is_object));
        let rows: Vec<Vec<Cell>> = parts
            .iter()
            .filter_map(|(label, part)| {
                let tin = part.get("tin").filter(|tin| tin.is_object())?;
                let number = tin.get("number").map_or_else(String::new, Value::to_string);
                let mark = say::text(tin, "/mark").map_or_else(|| format!("number {number}"), str::to_owned);
                let filled = tin.get("filled").filter(|at| at.is_object());
                let drying = part.pointer("/drying/number").map(Value::to_string);
                let empty = tin.get("empty").and_then(say::amount);
                let tempered = part.pointer("/tempering/duration").and_then(say::amount);
                let mut row = vec![
                    Cell::toned(*label, Tone::Strong),
                    Cell::plain(mark),
                    Cell::plain(empty.unwrap_or_else(|| "not weighed".to_owned())),
                    Cell::plain(filled.map_or_else(|| say::MISSING.to_owned(), |at| self.when_who(at))),
                ];
                row.extend(
                    tempers.then(|| Cell::plain(tempered.unwrap_or_else(|| "not tempered".to_owned()))),
                );
                row.extend(dries.then(|| Cell::plain(drying.unwrap_or_else(|| "not dried".to_owned()))));
                Some(row)
            })
            .collect();
        let heads = ["Specimen", "Tin", "Empty", "Filled and struck off"].into_iter();
        let heads = heads.chain(tempers.then_some("Tempered until then")).chain(dries.then_some("Drying"));
        let heads = heads.map(str::to_owned).collect();
        (!rows.is_empty()).then(|| Block::Table(Table { heads, figures: vec![2], rows, ..Table::default() }))
    }

    fn drying(&self, drying: &'a Value) -> Vec<Block> {
        let number = drying.get("number").map_or_else(String::new, Value::to_string);
        let dash = || "–".to_owned();
        let amount = |value: Option<&Value>| value.and_then(say::amount).unwrap_or_else(dash);
        let mut rows = Vec::new();
        if let Some(before) = drying.get("before").filter(|before| before.is_object()) {
            let cells = [
                amount(Some(before)),
                amount(drying.get("netBefore")),
                dash(),
                dash(),
                dash(),
                self.weighed(before),
            ];
            rows.push(row("before drying".to_owned(), cells, Tone::Plain));
        }
        for (at, weighed) in say::list(drying, "/weighings").iter().enumerate() {
            let verdict = say::text(weighed, "/verdict");
            let coarse = weighed.get("coarse") == Some(&Value::Bool(true));
            let coarse = if coarse { ", balance too coarse" } else { "" };
            let words = match verdict {
                Some("constant") => format!("yes{coarse}"),
                Some("losing") => format!("not yet{coarse}"),
                Some(other) => format!("{}{coarse}", say::words(other)),
                None => dash(),
            };
            let cells = [
                amount(weighed.get("gross")),
                amount(weighed.get("net")),
                weighed.get("after").map_or_else(dash, after),
                amount(weighed.get("change")),
                words,
                self.weighed(&weighed["gross"]),
            ];
            let tone = if verdict == Some("gained") { Tone::Wrong } else { Tone::Plain };
            rows.push(row(format!("dried {}", at + 1), cells, tone));
        }
        let heads = DRYING.map(str::to_owned).into();
        vec![
            Block::heading(format!("Drying {number}")),
            Block::Table(Table { heads, figures: vec![1, 2, 3, 4], rows, ..Table::default() }),
            Block::words(self.drying_words(drying)),
        ]
    }

    fn drying_words(&self, drying: &Value) -> String {
        let mut words = Vec::new();
        let tins: Vec<String> = say::list(drying, "/tins").iter().map(Value::to_string).collect();
        let what = if tins.len() == 1 { "Tin" } else { "Tins" };
        let pan =
            drying.get("pan").and_then(say::amount).map_or_else(String::new, |pan| format!(", pan {pan}"));
        words.push(format!(
            "{what} {} together, tare {}{pan}.",
            tins.join(" and "),
            say::amount_at(drying, "/tare")
        ));
        for oven in say::list(drying, "/oven") {
            let at = say::amount(oven).unwrap_or_default();
            words.push(format!("Oven at {at} ({}).", self.when_who(&oven["at"])));
        }
        if let Some(criterion) = drying.get("criterion").filter(|criterion| criterion.is_object()) {
            let bound =
                if say::text(criterion, "/bound") == Some("at-most") { "at most" } else { "less than" };
            let every = criterion.get("every").and_then(say::amount);
            let every = every.map_or_else(String::new, |every| format!(" over {every} or more"));
            words.push(format!(
                "Constant: a change of {bound} {}{every}.",
                say::amount_at(criterion, "/change")
            ));
        }
        let constant = drying.get("constant") == Some(&Value::Bool(true));
        words.push(
            if constant { "Constant mass was reached." } else { "Constant mass was not shown." }.to_owned(),
        );
        if let Some(water) = drying.get("water").and_then(say::amount) {
            words.push(format!("Water driven off: {water} of the dry mass."));
        }
        if let Some(stopped) = drying.get("stopped").filter(|stopped| stopped.is_object()) {
            words.push(format!(
                "Stopped: {} ({}).",
                say::text_or(stopped, "/reason"),
                self.when_who(&stopped["at"])
            ));
        }
        if let Some(cooled) = drying.get("cooled").filter(|cooled| cooled.is_object()) {
            words.push(format!("Cooled: {}.", self.when_who(cooled)));
        }
        words.join(" ")
    }
}

/// Time since the weighing before, in tenths of a second: it is held against minutes.
fn after(value: &Value) -> String {
    let seconds = say::text(value, "/text").and_then(|digits| digits.parse::<Decimal>().ok());
    let Some(seconds) = seconds else { return "–".to_owned() };
    let tenths = seconds.round_dp_with_strategy(1, RoundingStrategy::MidpointAwayFromZero);
    say::with_unit(&tenths.to_string(), say::text(value, "/unit").unwrap_or("s"))
}

fn row(name: String, cells: [String; 6], tone: Tone) -> Vec<Cell> {
    let mut row = vec![Cell::toned(name, Tone::Strong)];
    let [gross, net, after, change, constant, when] = cells;
    row.extend([gross, net, after, change].map(Cell::plain));
    row.push(Cell::toned(constant, tone));
    row.push(Cell::plain(when));
    row
}
