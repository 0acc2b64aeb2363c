//! The columns of the tables: a fixed list for each, in a fixed order. A new column comes at the end.
//! PURE.

use super::words::{deviations, text};
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

/// How a cell comes out of a document.
#[derive(Debug, Clone, Copy)]
enum From {
    /// What stands there.
    At(&'static str),
    /// An instant that stands there, in the laboratory's zone.
    Local(&'static str),
    /// Anything else.
    By(fn(&Value) -> Option<String>),
}

/// One column.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Its name, in the first line of the file.
    pub name: &'static str,
    /// What it is, for people.
    pub about: &'static str,
    /// What its cells are.
    pub cells: Cells,
    /// Each row has it.
    pub required: bool,
    /// Unit of its figures (UCUM), where it is the same in all rows.
    pub unit: Option<&'static str>,
    from: From,
}

const fn column(name: &'static str, cells: Cells, from: From, about: &'static str) -> Column {
    Column { name, about, cells, required: false, unit: None, from }
}

impl Column {
    const fn always(mut self) -> Self {
        self.required = true;
        self
    }

    const fn unit(mut self, unit: &'static str) -> Self {
        self.unit = Some(unit);
        self
    }

    /// The cell of a document; empty where it says nothing of it.
    pub fn cell(&self, document: &Value, zone: &TimeZone) -> String {
        let cell = match self.from {
            From::At(place) => document.pointer(place).and_then(plain),
            From::Local(place) => text(document, place).and_then(|time| local(time, zone)),
            From::By(read) => read(document),
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

    /// Its columns.
    pub fn columns(self) -> Vec<Column> {
        let own = match self {
            Self::Records => RECORD,
            Self::Results => RESULT,
        };
        COMMON.iter().chain(own).copied().collect()
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

/// A number of a list, in the order of the list.
fn names(list: Option<&Value>, key: &str) -> Option<String> {
    let items = list.and_then(Value::as_array)?;
    let names: Vec<&str> = items.iter().filter_map(|item| item.get(key)?.as_str()).collect();
    Some(names.join(";"))
}

fn first_instant(document: &Value) -> Option<&str> {
    let steps = document.pointer("/data/steps").and_then(Value::as_array)?;
    let instant = |step: &Value, key: &str| step.pointer(key).and_then(Value::as_str).is_some();
    let first = steps.iter().find(|s| instant(s, "/begin/time") || instant(s, "/at/time"))?;
    text(first, "/begin/time").or_else(|| text(first, "/at/time"))
}

fn exact(document: &Value) -> Option<String> {
    let part = |key: &str| document.pointer(&format!("/data/calculation/exact/{key}")).and_then(plain);
    match (part("numerator"), part("denominator")) {
        (Some(numerator), Some(denominator)) => Some(format!("{numerator}/{denominator}")),
        _ => document.pointer("/data/calculation/unrounded").and_then(plain),
    }
}

fn reading_unit(document: &Value) -> Option<String> {
    let of = |level: &str| document.pointer(&format!("/data/readings/{level}/unit")).and_then(plain);
    of("clay").or_else(|| of("sediment")).or_else(|| of("sand"))
}

/// Seconds of a temperature that lay outside, as in the document.
const OUTSIDE: &str = "/data/temperature/outside/text";

const COMMON: &[Column] = &[
    column(
        "number",
        Cells::Whole,
        From::By(|d| text(d, "/sequence").map(|s| s.trim_start_matches('0').to_owned())),
        "Number of the document in its journal: the order in which documents were made",
    )
    .always(),
    column("document", Cells::Text, From::At("/id"), "Identity of the document").always(),
    column(
        "version",
        Cells::Whole,
        From::At("/data/version"),
        "1, and one more with each amendment of the same test",
    )
    .always(),
    column(
        "status",
        Cells::Text,
        From::At("/data/status"),
        "What the document is worth: preliminary, void, or what a reviewer said",
    )
    .always(),
    column(
        "replaces",
        Cells::Text,
        From::At("/data/replaces/id"),
        "Identity of the document that this one replaces",
    ),
    column("made_utc", Cells::Time, From::At("/time"), "When the document was made, UTC").always(),
    column("made_local", Cells::Time, From::Local("/time"), "The same in the laboratory's time zone")
        .always(),
    column("station", Cells::Text, From::At("/data/station/id"), "Name of the station").always(),
    column("journal", Cells::Text, From::At("/data/station/journal/id"), "Identity of the journal").always(),
    column(
        "rehearsal",
        Cells::Truth,
        From::At("/data/station/rehearsal"),
        "true: simulated instruments, no test result",
    )
    .always(),
    column("sample", Cells::Text, From::At("/data/sample/label"), "What stands on the bag").always(),
    column("sample_id", Cells::Text, From::At("/data/sample/id"), "Identity of the sample").always(),
    column(
        "identifier",
        Cells::Text,
        From::At("/data/sample/particulars/identifier"),
        "What the laboratory's own system knows the sample by",
    ),
    column("project", Cells::Text, From::At("/data/sample/particulars/project"), "Project"),
    column("lot", Cells::Text, From::At("/data/sample/particulars/lot"), "Lot"),
    column("material", Cells::Text, From::At("/data/sample/particulars/material"), "Material"),
    column("source", Cells::Text, From::At("/data/sample/particulars/source"), "Source of the material"),
    column("sampled_by", Cells::Text, From::At("/data/sample/particulars/sampledBy"), "Who took the sample"),
    column(
        "sampled_where",
        Cells::Text,
        From::At("/data/sample/particulars/sampledWhere"),
        "Where it was taken",
    ),
    column(
        "sampled_at",
        Cells::Text,
        From::At("/data/sample/particulars/sampledAt"),
        "When it was taken, as it was said: a date with or without a time of day",
    ),
    column(
        "limit_at_least",
        Cells::Decimal,
        From::At("/data/sample/particulars/limit/atLeast"),
        "Acceptance limit that came with the sample",
    )
    .unit("1"),
    column(
        "specification",
        Cells::Text,
        From::At("/data/sample/particulars/limit/specification"),
        "Where that limit stands",
    ),
    column("method", Cells::Text, From::At("/data/method/id"), "Name of the method file").always(),
    column("standard", Cells::Text, From::At("/data/method/standard"), "The standard").always(),
    column("edition", Cells::Text, From::At("/data/method/edition"), "Edition that the laboratory confirmed")
        .always(),
    column(
        "method_sha256",
        Cells::Text,
        From::At("/data/method/sha256"),
        "Digest of the method file: the same limits",
    )
    .always(),
    column(
        "quantity",
        Cells::Text,
        From::At("/data/result/name"),
        "Which quantity the result is; empty where no result stands",
    ),
    column(
        "result",
        Cells::Decimal,
        From::At("/data/result/text"),
        "The result, rounded as the method says; empty where none stands",
    )
    .unit("1"),
    column(
        "deviations",
        Cells::Whole,
        From::By(|d| Some(deviations(d).to_string())),
        "How many deviations from the method are recorded",
    )
    .always(),
];

const RECORD: &[Column] = &[
    column("specimen", Cells::Text, From::At("/data/specimen/label"), "Label of the specimen").always(),
    column("specimen_id", Cells::Text, From::At("/data/specimen/id"), "Identity of the specimen").always(),
    column("place", Cells::Whole, From::At("/data/specimen/place"), "Place on the bench").always(),
    column(
        "mass",
        Cells::Decimal,
        From::At("/data/specimen/mass/text"),
        "Mass of the tin or the portion, where it was weighed",
    ),
    column("mass_unit", Cells::Text, From::At("/data/specimen/mass/unit"), "Its unit (UCUM)"),
    column(
        "begun_utc",
        Cells::Time,
        From::By(|d| first_instant(d).map(str::to_owned)),
        "First marked instant of the test, UTC",
    ),
    column(
        "clay_entered",
        Cells::Decimal,
        From::At("/data/readings/clay/entered"),
        "Clay reading as it was typed, in the reading unit",
    ),
    column(
        "clay",
        Cells::Decimal,
        From::At("/data/readings/clay/text"),
        "Clay reading as it counts, in the reading unit",
    ),
    column("clay_by", Cells::Text, From::At("/data/readings/clay/by/person"), "Who read it"),
    column(
        "sand_entered",
        Cells::Decimal,
        From::At("/data/readings/sand/entered"),
        "Sand level as it was typed (at the foot's indicator, where there is one), in the reading unit",
    ),
    column(
        "sand",
        Cells::Decimal,
        From::At("/data/readings/sand/text"),
        "Sand reading as it counts, in the reading unit",
    ),
    column("sand_by", Cells::Text, From::At("/data/readings/sand/by/person"), "Who read it"),
    column(
        "sediment",
        Cells::Decimal,
        From::At("/data/readings/sediment/text"),
        "Sediment height as it counts, where the method has one, in the reading unit",
    ),
    column(
        "reading_unit",
        Cells::Text,
        From::By(reading_unit),
        "Unit of the readings (UCUM): [in_i] is the inch, mm the millimetre",
    ),
    column(
        "before_rounding",
        Cells::Text,
        From::By(exact),
        "The number before any rounding, as a fraction or with nine decimals",
    ),
    column(
        "ratio",
        Cells::Decimal,
        From::At("/data/calculation/ratio/text"),
        "The number to the tenth, as the method rounds it",
    )
    .unit("1"),
    column(
        "temperature_lowest",
        Cells::Decimal,
        From::At("/data/temperature/minimum/text"),
        "Lowest temperature of the solution",
    ),
    column("temperature_mean", Cells::Decimal, From::At("/data/temperature/mean/text"), "Mean over time"),
    column("temperature_highest", Cells::Decimal, From::At("/data/temperature/maximum/text"), "Highest"),
    column(
        "temperature_unit",
        Cells::Text,
        From::At("/data/temperature/mean/unit"),
        "Unit of the three (UCUM): Cel is the degree Celsius",
    ),
    column("temperature_outside", Cells::Decimal, From::At(OUTSIDE), "Time outside the method's limits")
        .unit("s"),
    column(
        "temperature_missing",
        Cells::Decimal,
        From::At("/data/temperature/withoutReading/text"),
        "Time for which no reading holds",
    )
    .unit("s"),
    column(
        "deviation_codes",
        Cells::Names,
        From::By(|d| names(d.pointer("/data/deviations"), "code")),
        "Kinds of the deviations, in the order of the record",
    ),
];

const RESULT: &[Column] = &[
    column(
        "specimens",
        Cells::Whole,
        From::By(|d| Some(d.pointer("/data/specimens")?.as_array()?.len().to_string())),
        "How many specimens count",
    )
    .always(),
    column(
        "records",
        Cells::Names,
        From::By(|d| names(d.pointer("/data/specimens"), "record")),
        "Identities of their records",
    ),
    column("rule", Cells::Text, From::At("/data/average/rule"), "How the result was made of them"),
    column(
        "mean",
        Cells::Decimal,
        From::At("/data/average/mean/text"),
        "Their mean before the last rounding",
    )
    .unit("1"),
    column("difference", Cells::Decimal, From::At("/data/difference/text"), "Highest less lowest of them")
        .unit("1"),
    column(
        "difference_limit",
        Cells::Decimal,
        From::At("/data/difference/limit"),
        "The method's limit for it",
    )
    .unit("1"),
    column(
        "difference_verdict",
        Cells::Text,
        From::At("/data/difference/verdict"),
        "within, over, or no-limit",
    )
    .always(),
];
