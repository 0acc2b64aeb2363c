//! The list of columns against the schemas of the documents and the manual.

use super::{Cells, Column, From, Table};
use serde_json::Value;

const SCHEMAS: [(Table, [&str; 4]); 2] = [
    (
        Table::Records,
        [
            include_str!("../../../docs/schema/specimen-record.schema.json"),
            include_str!("../../../docs/schema/specimen-record-1.1.schema.json"),
            include_str!("../../../docs/schema/specimen-record-1.2.schema.json"),
            include_str!("../../../docs/schema/specimen-record-1.4.schema.json"),
        ],
    ),
    (
        Table::Results,
        [
            include_str!("../../../docs/schema/sample-result.schema.json"),
            include_str!("../../../docs/schema/sample-result-1.1.schema.json"),
            include_str!("../../../docs/schema/sample-result-1.2.schema.json"),
            include_str!("../../../docs/schema/sample-result-1.4.schema.json"),
        ],
    ),
];

/// Every schema that may stand for a value: itself, what it refers to, its alternatives.
fn meanings<'a>(whole: &'a Value, schema: &'a Value) -> Vec<&'a Value> {
    let mut found = vec![schema];
    if let Some(place) = schema["$ref"].as_str() {
        found.extend(meanings(whole, whole.pointer(place.trim_start_matches('#')).unwrap()));
    }
    for one in schema["oneOf"].as_array().into_iter().flatten() {
        found.extend(meanings(whole, one));
    }
    found
}

fn under<'a>(whole: &'a Value, from: &[&'a Value], place: &str) -> Vec<&'a Value> {
    let mut here = from.to_vec();
    for key in place.split('/').skip(1) {
        let inner = here.iter().filter_map(|schema| schema.pointer(&format!("/properties/{key}")));
        here = inner.flat_map(|schema| meanings(whole, schema)).collect();
    }
    here
}

/// The schemas of what a column reads; `None`: a function does.
fn read<'a>(whole: &'a Value, column: &Column) -> Option<Vec<&'a Value>> {
    let top = meanings(whole, whole);
    match column.from {
        From::At(place) | From::Local(place) => Some(under(whole, &top, place)),
        From::Count(list) => Some(under(whole, &top, list)),
        From::Each(list, place) | From::First(list, place) | From::Last(list, place) => {
            let lists = under(whole, &top, list);
            let items = lists.iter().filter_map(|schema| schema.get("items"));
            let items: Vec<&Value> = items.flat_map(|schema| meanings(whole, schema)).collect();
            Some(under(whole, &items, place))
        }
        From::By(_) | From::OfResult(_) => None,
    }
}

#[test]
fn every_column_reads_a_place_that_a_schema_knows_and_cells_are_of_its_type() {
    for (table, texts) in SCHEMAS {
        let schemas = texts.map(|text| serde_json::from_str::<Value>(text).unwrap());
        for column in table.columns() {
            let Some(found) = read(&schemas[3], &column) else { continue };
            assert!(!found.is_empty(), "no schema knows the place of `{}`", column.name);
            let types: Vec<&str> = found.iter().filter_map(|schema| schema["type"].as_str()).collect();
            let fits = match (column.from, column.cells) {
                (From::Count(_), cells) => cells == Cells::Whole && types.contains(&"array"),
                (_, Cells::Whole) => found.iter().any(|schema| {
                    schema["type"] == "integer"
                        || schema["type"].as_array().is_some_and(|types| types.contains(&"integer".into()))
                }),
                (_, Cells::Truth) => types.contains(&"boolean"),
                _ => !types.contains(&"integer") && !types.contains(&"boolean"),
            };
            assert!(fits, "`{}`: {found:?}", column.name);
        }
    }
}

#[test]
fn the_manual_says_of_every_column_what_its_description_says() {
    let manual = include_str!("../../../docs/integrator.md");
    for table in [Table::Records, Table::Results] {
        for column in table.columns() {
            let unit = match column.unit {
                Some("s") => ", in seconds",
                Some("%") => ", in percent",
                Some("{cycles}/min") => ", in cycles a minute",
                _ => "",
            };
            let line = format!("| `{}` | {}{unit} |", column.name, column.about);
            assert!(manual.contains(&line), "docs/integrator.md lacks the line\n{line}");
        }
    }
}

#[test]
fn columns_that_were_there_first_stay_first() {
    let names = |table: Table| table.columns().iter().map(|column| column.name).collect::<Vec<_>>();
    for (table, last, place) in
        [(Table::Records, "deviation_codes", 52), (Table::Results, "difference_verdict", 36)]
    {
        assert_eq!(names(table)[place - 1], last);
        assert_eq!(names(table)[..2], ["number", "document"]);
    }
}
