//! Documents as rows of a table (CSV, RFC 4180), and the description of the table for other people's
//! programs (CSVW: W3C, Metadata Vocabulary for Tabular Data, 2015). PURE.

use super::columns::{Cells, Column, Table};
use jiff::tz::TimeZone;
use serde_json::{Value, json};

/// Type of a table's description.
pub const DESCRIPTION_TYPE: &str = "application/csvm+json";

/// Names of the columns: the first line of the file.
pub fn head(table: Table) -> Vec<&'static str> {
    table.columns().iter().map(|column| column.name).collect()
}

/// The row of a document.
pub fn row(columns: &[Column], document: &Value, zone: &TimeZone) -> Vec<String> {
    let cell = |column: &Column| {
        let cell = column.cell(document, zone);
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
             Figures hold the digits as they were read. A text that begins with an apostrophe was written \
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
        "tableSchema": { "columns": columns, "primaryKey": "document" },
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
mod test {
    use super::*;
    use std::collections::{BTreeMap, BTreeSet};

    fn frozen(text: &str) -> Value {
        serde_json::from_str(text).unwrap()
    }

    fn cells(table: Table, document: &Value) -> BTreeMap<&'static str, String> {
        let zone = TimeZone::get("America/Denver").unwrap();
        let columns = table.columns();
        head(table).into_iter().zip(row(&columns, document, &zone)).collect()
    }

    #[test]
    fn a_record_becomes_a_row_with_its_digits_as_they_were_read() {
        let record = frozen(include_str!("../../tests/frozen/record-v1.json"));
        let cells = cells(Table::Records, &record);
        for (name, expected) in [
            ("sample", "Q-17"),
            ("specimen", "Q-17-1"),
            ("clay_entered", "7.95"),
            ("clay", "8.0"),
            ("sand", "3.3"),
            ("reading_unit", "[in_i]"),
            ("before_rounding", "165/4"),
            ("ratio", "41.3"),
            ("result", "42"),
            ("quantity", "sandEquivalent"),
            ("deviations", "0"),
            ("deviation_codes", ""),
            ("made_utc", "2026-09-21T14:47:00.000Z"),
            // Denver kept summer time on that day: six hours behind UTC (time zone database).
            ("made_local", "2026-09-21T08:47:00.000-06:00"),
            ("begun_utc", "2026-09-21T14:13:30.000Z"),
            ("rehearsal", "false"),
            ("project", ""),
        ] {
            assert_eq!(cells[name], expected, "{name}");
        }
    }

    #[test]
    fn a_result_becomes_a_row() {
        let cells = cells(Table::Results, &frozen(include_str!("../../tests/frozen/result-v1.1.json")));
        assert_eq!(cells["quantity"], "sandEquivalent");
        assert!(!cells["result"].is_empty() && cells["records"].len() >= 36, "{cells:?}");
    }

    #[test]
    fn what_a_document_must_have_by_its_schema_is_never_empty() {
        for (table, text) in [
            (Table::Records, include_str!("../../tests/frozen/record-v1.json")),
            (Table::Records, include_str!("../../tests/frozen/record-v1.1.json")),
            (Table::Results, include_str!("../../tests/frozen/result-v1.1.json")),
        ] {
            let cells = cells(table, &frozen(text));
            for column in table.columns().iter().filter(|column| column.required) {
                assert!(!cells[column.name].is_empty(), "{}", column.name);
            }
        }
    }

    #[test]
    fn nothing_that_was_typed_becomes_a_formula_and_all_of_it_can_be_had_back() {
        for typed in
            ["=1+1", "+1", "-1", "@sum(a1)", "\tx", "\rx", "'x", "'=1", "＝1", "Q-17", "", "3=3", " =1"]
        {
            let cell = guarded(typed.to_owned());
            assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r', '＝']), "{typed}");
            assert_eq!(cell.strip_prefix('\'').unwrap_or(&cell), typed);
        }
        let mut record = frozen(include_str!("../../tests/frozen/record-v1.json"));
        record["data"]["sample"]["label"] = json!("=HYPERLINK(\"http://evil.example\")");
        record["data"]["temperature"]["minimum"] = json!({ "text": "-1.0" });
        let cells = cells(Table::Records, &record);
        assert_eq!(cells["sample"], "'=HYPERLINK(\"http://evil.example\")");
        assert_eq!(cells["temperature_lowest"], "-1.0", "a number stays one");
    }

    #[test]
    fn the_description_names_every_column_once_in_the_order_of_the_file() {
        for table in [Table::Records, Table::Results] {
            let described = description(table, "records.csv", "UTC");
            let names: Vec<_> = described["tableSchema"]["columns"]
                .as_array()
                .unwrap()
                .iter()
                .map(|column| column["name"].as_str().unwrap())
                .collect();
            assert_eq!(names, head(table));
            assert_eq!(names.iter().collect::<BTreeSet<_>>().len(), names.len());
        }
    }
}
