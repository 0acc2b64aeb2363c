//! The columns of the tables: a fixed list, in a fixed order. A new column comes at the end. PURE.

mod list;
mod places;
#[cfg(test)]
mod test;

use super::words::text;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::Value;

/// Which documents a table holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Table {
    /// Completed specimens.
    Records,
    /// Results of samples.
    Results,
}

/// What the cells of a column are, in the words of CSVW (W3C, Metadata Vocabulary for Tabular Data).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cells {
    /// Text, much of it typed by people.
    Text,
    /// Names from a closed list, between semicolons.
    Names,
    /// A whole number.
    Whole,
    /// The digits of a figure as they were read.
    Decimal,
    /// `true` or `false`.
    Truth,
    /// An instant with its offset from UTC.
    Time,
}

/// Which tables have a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Of {
    Both,
    Records,
    Results,
}

/// What a row is made of.
#[derive(Debug, Clone, Copy)]
pub struct Told<'a> {
    /// The document of the row.
    pub document: &'a Value,
    /// Of a record: the newest result of its sample, which says whether the specimen counts.
    pub result: Option<&'a Value>,
}

/// How a cell comes out of a document.
#[derive(Debug, Clone, Copy)]
enum From {
    /// What stands there.
    At(&'static str),
    /// An instant that stands there, in the laboratory's zone.
    Local(&'static str),
    /// How many stand in the list there; none where there is no list.
    Count(&'static str),
    /// Of each item of a list, what stands there in it.
    Each(&'static str, &'static str),
    /// Of the first item of a list, what stands there in it.
    First(&'static str, &'static str),
    /// Of the last item of a list, what stands there in it.
    Last(&'static str, &'static str),
    /// Anything else of the document.
    By(fn(&Value) -> Option<String>),
    /// What the sample's result says of the specimen: of the record, and of the result.
    OfResult(fn(&Value, &Value) -> Option<String>),
}

/// One column.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    of: Of,
    /// Its name, in the first line of the file.
    pub name: &'static str,
    /// What its cells are.
    pub cells: Cells,
    /// Each row has it.
    pub required: bool,
    /// Unit of its figures (UCUM), where it is the same in all rows.
    pub unit: Option<&'static str>,
    from: From,
    /// What it is, for people.
    pub about: &'static str,
}

impl Column {
    /// The cell of a row; empty where nothing is said of it.
    pub fn cell(&self, told: &Told<'_>, zone: &TimeZone) -> String {
        let document = told.document;
        let item = |list: &str, which: fn(&[Value]) -> Option<&Value>, place: &str| {
            let items = document.pointer(list).and_then(Value::as_array)?;
            which(items)?.pointer(place).and_then(plain)
        };
        let cell = match self.from {
            From::At(place) => document.pointer(place).and_then(plain),
            From::Local(place) => text(document, place).and_then(|time| local(time, zone)),
            From::Count(list) => {
                document.pointer(list).and_then(Value::as_array).map(|items| items.len().to_string())
            }
            From::Each(list, place) => names(document, list, place, ";"),
            From::First(list, place) => item(list, <[Value]>::first, place),
            From::Last(list, place) => item(list, <[Value]>::last, place),
            From::By(read) => read(document),
            From::OfResult(read) => told.result.and_then(|result| read(document, result)),
        };
        cell.unwrap_or_default()
    }
}

impl Table {
    /// Its documents' kind in the journal.
    pub const fn kind(self) -> &'static str {
        match self {
            Self::Records => "record",
            Self::Results => "result",
        }
    }

    /// Its name in the names of files, and in asks.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Records => "records",
            Self::Results => "results",
        }
    }

    /// Its columns, in the order of the file.
    pub fn columns(self) -> Vec<Column> {
        let own = match self {
            Self::Records => Of::Records,
            Self::Results => Of::Results,
        };
        list::COLUMNS.iter().filter(|column| column.of == Of::Both || column.of == own).copied().collect()
    }
}

/// The text of a value that is one.
fn plain(value: &Value) -> Option<String> {
    match value {
        Value::String(text) => Some(text.clone()),
        Value::Number(number) => Some(number.to_string()),
        Value::Bool(truth) => Some(truth.to_string()),
        Value::Null | Value::Array(_) | Value::Object(_) => None,
    }
}

fn local(time: &str, zone: &TimeZone) -> Option<String> {
    let stamp: Timestamp = time.parse().ok()?;
    Some(stamp.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string())
}

/// What stands at a place of each item of a list, in the order of the list.
fn names(document: &Value, list: &str, place: &str, between: &str) -> Option<String> {
    let items = document.pointer(list).and_then(Value::as_array)?;
    let names: Vec<&str> = items.iter().filter_map(|item| text(item, place)).collect();
    Some(names.join(between))
}
