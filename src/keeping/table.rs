//! Documents as rows of a table (CSV, RFC 4180), and the description of the table for other people's
//! programs (CSVW: W3C, Metadata Vocabulary for Tabular Data, 2015). PURE.

use super::columns::{Cells, Column, Table, Told};
use jiff::tz::TimeZone;
use serde_json::{Value, json};

/// Type of a table's description.
pub const DESCRIPTION_TYPE: &str = "application/csvm+json";

/// Names of the columns: the first line of the file.
pub fn head(table: Table) -> Vec<&'static str> {
    table.columns().iter().map(|column| column.name).collect()
}

/// The row of a document.
pub fn row(columns: &[Column], told: &Told<'_>, zone: &TimeZone) -> Vec<String> {
    let cell = |column: &Column| {
        let cell = column.cell(told, zone);
        if matches!(column.cells, Cells::Text | Cells::Names) { guarded(cell) } else { cell }
    };
    columns.iter().map(cell).collect()
}

/// A text that a spreadsheet would take for a formula gets an apostrophe in front, and so does one
/// that has one: whoever reads the file takes away the first apostrophe of a text and has what was
/// typed. The signs are those that common spreadsheets act on, also in their wide form (common
/// practice, no source).
fn guarded(text: String) -> String {
    const ACTED_ON: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\'', '＝', '＋', '－', '＠'];
    if text.starts_with(ACTED_ON) { format!("'{text}") } else { text }
}

/// The description of a table in the file `url`.
pub fn description(table: Table, url: &str, zone: &str) -> Value {
    let columns: Vec<Value> = table.columns().iter().map(described).collect();
    json!({
        "@context": ["http://www.w3.org/ns/csvw", { "@language": "en" }],
        "url": url,
        "dc:title": match table {
            Table::Records => "Records of completed specimens",
            Table::Results => "Results of samples",
        },
        "dc:description": format!(
            "One row for each document, in the order of their numbers. Local times are of the zone {zone}. \
             An empty cell: the document does not say. Figures hold the digits as they were read. A text that begins with an apostrophe was written \
             with one more in front, so that no spreadsheet takes it for a formula: take the first one away."
        ),
        "dialect": {
            "delimiter": ",",
            "doubleQuote": true,
            "encoding": "utf-8",
            "header": true,
            "lineTerminators": ["\r\n", "\n"],
            "quoteChar": "\"",
        },
        // What a document does not say is an empty cell, and no value: also of a text.
        "tableSchema": { "columns": columns, "primaryKey": "document", "null": "" },
    })
}

fn described(column: &Column) -> Value {
    let mut described = json!({
        "name": column.name,
        "titles": column.name,
        "dc:description": column.about,
        "datatype": match column.cells {
            Cells::Text | Cells::Names => json!("string"),
            Cells::Whole => json!("integer"),
            Cells::Decimal => json!("decimal"),
            Cells::Truth => json!({ "base": "boolean", "format": "true|false" }),
            Cells::Time => json!("dateTime"),
        },
        "required": column.required,
    });
    if let Value::Object(fields) = &mut described {
        if column.cells == Cells::Names {
            fields.insert("separator".to_owned(), json!(";"));
        }
        if let Some(unit) = column.unit {
            fields.insert("schema:unitText".to_owned(), json!(unit));
        }
    }
    described
}

#[cfg(test)]
mod test;
