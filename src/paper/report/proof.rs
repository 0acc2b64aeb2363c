//! What every report says of itself, room to sign, and by what it can be checked.

use super::{Told, say};
use crate::paper::facts::Published;
use crate::paper::sheet::{Block, Cell, Table};
use serde_json::Value;

impl Told<'_> {
    /// Sentences and lines to sign.
    pub(super) fn statements(&self) -> Vec<Block> {
        let mut blocks = Vec::new();
        if !self.result_data().pointer("/review/authorised").is_some_and(Value::is_object) {
            blocks.push(Block::Blanks {
                names: vec!["Authorised by (name, signature)".to_owned(), "Date".to_owned()],
            });
        }
        let mut words = format!(
            "The results relate only to the items tested, as they were received. This report may be copied in \
             full only, unless the laboratory has approved otherwise. Times are those of {}. {}.",
            self.house.zone_name,
            self.edition()
        );
        if !self.facts.units.is_as_read() {
            let shown = say::capital(&self.facts.units.words());
            let keep = "the published documents keep the units of the readings";
            words = format!("{words} {shown}, converted; {keep}.");
        }
        if let Some(statement) = self.house.laboratory.and_then(|laboratory| laboratory.statement.as_deref())
        {
            words.push(' ');
            words.push_str(statement);
        }
        blocks.push(Block::quiet(words));
        blocks
    }

    /// The exact rule that the station worked by.
    fn edition(&self) -> String {
        match &self.facts.method {
            Some(method) => format!("Method file {}, SHA-256 {}", method.id, method.digest),
            None => format!("Method file of SHA-256 {}", self.facts.subject.sample.method),
        }
    }

    /// The published documents that this repeats.
    pub(super) fn proof(&self) -> Vec<Block> {
        let records = self.records().map(|(label, record)| (format!("record of {label}"), record));
        let rows: Vec<Vec<Cell>> = self
            .result()
            .map(|result| ("result".to_owned(), result))
            .into_iter()
            .chain(records)
            .map(line)
            .collect();
        if rows.is_empty() {
            return Vec::new();
        }
        let heads = ["Published document", "Number", "Identity", "SHA-256 of its bytes"];
        vec![
            Block::heading("Published documents that this repeats"),
            Block::Table(Table {
                heads: heads.map(str::to_owned).into(),
                rows,
                small: true,
                ..Table::default()
            }),
            Block::quiet(self.journal()),
        ]
    }

    fn journal(&self) -> String {
        let newest = self.newest_document().map_or(&Value::Null, Published::data);
        format!(
            "Journal {}, event {}, link {}; made by {}. The symbol at the top holds identity and digest of the result.",
            say::text_or(newest, "/station/journal/id"),
            newest
                .pointer("/station/journal/sequence")
                .map_or_else(|| say::MISSING.to_owned(), Value::to_string),
            say::text_or(newest, "/station/journal/link"),
            say::text_or(newest, "/station/software"),
        )
    }
}

fn line((what, document): (String, &Published)) -> Vec<Cell> {
    let version = document.data().get("version").and_then(Value::as_u64).unwrap_or(1);
    vec![
        Cell::plain(format!("{what}, version {version}")),
        Cell::plain(document.number.to_string()),
        Cell::plain(&document.id),
        Cell::plain(&document.sha256),
    ]
}
