//! Documents as rows.

use super::*;
use std::collections::{BTreeMap, BTreeSet};

fn frozen(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn cells(table: Table, document: &Value) -> BTreeMap<&'static str, String> {
    let zone = TimeZone::get("America/Denver").unwrap();
    let columns = table.columns();
    let told = Told { document, result: None };
    head(table).into_iter().zip(row(&columns, &told, &zone)).collect()
}

#[test]
fn a_record_becomes_a_row_with_its_digits_as_they_were_read() {
    let record = frozen(include_str!("../../../tests/frozen/record-v1.json"));
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
    let cells = cells(Table::Results, &frozen(include_str!("../../../tests/frozen/result-v1.1.json")));
    assert_eq!(cells["quantity"], "sandEquivalent");
    assert!(!cells["result"].is_empty() && cells["records"].len() >= 36, "{cells:?}");
}

#[test]
fn what_a_document_must_have_by_its_schema_is_never_empty() {
    for (table, text) in [
        (Table::Records, include_str!("../../../tests/frozen/record-v1.json")),
        (Table::Records, include_str!("../../../tests/frozen/record-v1.1.json")),
        (Table::Results, include_str!("../../../tests/frozen/result-v1.1.json")),
    ] {
        let cells = cells(table, &frozen(text));
        for column in table.columns().iter().filter(|column| column.required) {
            assert!(!cells[column.name].is_empty(), "{}", column.name);
        }
    }
}

#[test]
fn nothing_that_was_typed_becomes_a_formula_and_all_of_it_can_be_had_back() {
    for typed in ["=1+1", "+1", "-1", "@sum(a1)", "\tx", "\rx", "'x", "'=1", "＝1", "Q-17", "", "3=3", " =1"]
    {
        let cell = guarded(typed.to_owned());
        assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r', '＝']), "{typed}");
        assert_eq!(cell.strip_prefix('\'').unwrap_or(&cell), typed);
    }
    let mut record = frozen(include_str!("../../../tests/frozen/record-v1.json"));
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
/// A record of version 1.2 with what only some laboratories have, as its schema wants it.
fn full_record() -> Value {
    let mut record = frozen(include_str!("../../../tests/frozen/messages/specimen-record-1.2-1.2.0.json"));
    let at = record["data"]["specimen"]["registered"].clone();
    let mut when = at.clone();
    when.as_object_mut().unwrap().remove("by");
    let decision = |decision: &str, reason: Value, version: u32| {
        json!({
            "id": "019f0000-0000-7000-8000-00000000d001",
            "decision": decision,
            "document": { "id": "019f0000-0000-7000-8000-00000000d002", "number": 7 },
            "version": version,
            "who": { "person": "Wren Alder", "via": "page" },
            "person": null,
            "when": when,
            "reason": reason,
        })
    };
    let operator = |person: &str, step: &str| {
        json!({
            "person": person, "id": null, "step": step, "at": "2026-09-21T14:14:00.000Z",
            "qualification": "held", "until": null,
        })
    };
    let data = &mut record["data"];
    data["status"] = json!("approved");
    data["review"] = json!({
        "operators": [operator("Ada Brook", "tap"), operator("Ben Hall", "clay reading"),
            operator("Ada Brook", "irrigate")],
        "decisions": [decision("returned", json!("which foot?"), 1), decision("approved", Value::Null, 2)],
        "authorised": { "person": "Wren Alder", "id": null, "when": when },
    });
    let used = |step: &str, batch: Value, state: Value| json!({ "step": step, "kind": "working", "at": when, "batch": batch, "state": state, "about": null });
    data["solution"] = json!({
        "uses": [used("first fill", json!("WS-4"), json!("good")),
            used("irrigate", json!("WS-5"), json!("past-date"))],
        "batches": [batch("WS-5", Value::Null, json!("L 77")), batch("WS-4", json!("ST-2"), Value::Null)],
    });
    let item = |id: &str, state: &str| {
        json!({
            "id": id, "kind": "timer", "lastGoodCheck": null, "due": null, "state": state, "step": "tap",
            "at": "2026-09-21T14:14:00.000Z",
        })
    };
    data["equipment"] = json!([
        item("C-1", "good"),
        item("C-2", "past-due"),
        item("S-1", "failed"),
        item("C-2", "past-due"),
        item("T-1", "due-soon")
    ]);
    data["preparation"]["drying"]["constant"] = json!(true);
    data["preparation"]["drying"]["stopped"] = Value::Null;
    data["preparation"]["drying"]["water"] = json!({ "value": 1.25, "text": "1.25", "unit": "%" });
    record
}

fn batch(id: &str, stock: Value, lot: Value) -> Value {
    let stock = stock.as_str().map(|id| {
        json!({ "id": id, "title": "Stock solution", "made": null, "expires": "2027-01-31T00:00:00.000Z" })
    });
    json!({
        "id": id,
        "recipe": { "id": "working", "title": "Working solution", "sha256": "0".repeat(64) },
        "made": "2026-09-20T08:00:00.000Z",
        "madeBy": "Ben Hall",
        "expires": "2026-10-20T00:00:00.000Z",
        "water": null,
        "stock": stock,
        "bought": lot.as_str().map(|lot| json!({ "maker": "Fell Chemical", "lot": lot })),
        "notInOrder": [],
        "discarded": null,
    })
}

fn valid(schema: &str, document: &Value) {
    let validator = jsonschema::validator_for(&frozen(schema)).unwrap();
    let faults: Vec<String> = validator.iter_errors(document).map(|fault| fault.to_string()).collect();
    assert_eq!(faults, [""; 0]);
}

#[test]
fn a_row_tells_who_decided_which_solution_it_met_how_it_was_prepared_and_what_was_in_doubt() {
    let record = full_record();
    valid(include_str!("../../../docs/schema/specimen-record-1.2.schema.json"), &record);
    let cells = cells(Table::Records, &record);
    for (name, expected) in [
        ("status", "approved"),
        ("operators", "Ada Brook; Ben Hall"),
        ("decision", "approved"),
        ("decided_by", "Wren Alder"),
        ("decision_reason", ""),
        ("authorised_by", "Wren Alder"),
        ("solution_first_fill", "WS-4"),
        ("solution_irrigation", "WS-5"),
        ("solution_states", "good;past-date"),
        ("solution_stock", "ST-2"),
        ("solution_lot", ""),
        ("solution_expires_utc", "2026-10-20T00:00:00.000Z"),
        ("course", "oven-dry-2"),
        ("steps_skipped", "1"),
        ("tempering", "1000.0"),
        ("constant_mass", "true"),
        ("water_content", "1.25"),
        ("equipment", "C-1; C-2; S-1; T-1"),
        ("equipment_in_doubt", "C-2; S-1"),
        ("equipment_doubts", "past-due;failed"),
        ("deviation_codes", "not-constant;temperature-not-shown"),
        ("corrections", "0"),
        // The story of the frozen record: 20 minutes of sedimentation.
        ("settled", "1200.0"),
        // No result: nobody knows yet.
        ("counts", ""),
    ] {
        assert_eq!(cells[name], expected, "{name}");
    }
}

#[test]
fn of_a_plain_record_everything_that_it_does_not_tell_is_empty() {
    let cells = cells(Table::Records, &frozen(include_str!("../../../tests/frozen/record-v1.json")));
    for name in [
        "decision",
        "authorised_by",
        "operators",
        "counts",
        "solution_first_fill",
        "solution_irrigation",
        "course",
        "steps_skipped",
        "constant_mass",
        "water_content",
        "equipment",
        "equipment_in_doubt",
        "incidents",
        "room_lowest",
        "in_place_of",
        "replaces_number",
    ] {
        assert_eq!(cells[name], "", "{name}");
    }
    assert_eq!((cells["corrections"].as_str(), cells["reasons_pending"].as_str()), ("0", "0"));
}

#[test]
fn a_result_tells_its_limit_verdict_and_rule_and_who_does_not_count() {
    let result = frozen(include_str!("../../../tests/frozen/messages/sample-result-1.2-1.2.0.json"));
    let cells = cells(Table::Results, &result);
    for (name, expected) in [
        ("acceptance_limit", "45"),
        ("acceptance_rule", "simple"),
        ("acceptance_compared", "43"),
        ("acceptance_verdict", "fail"),
        ("acceptance_why", ""),
        ("acceptance_though_cold", "false"),
        ("uncertainty", "2.2"),
        ("not_counted", "1"),
        ("not_counted_specimens", "019f0000-0000-7000-8000-000000011d2a"),
        ("not_counted_whys", "replaced"),
        ("precision_verdict", "no-figure"),
        ("repeated", "false"),
        ("replaces_number", "10"),
    ] {
        assert_eq!(cells[name], expected, "{name}");
    }
}

#[test]
fn whether_a_specimen_counts_stands_in_the_newest_result_of_its_sample() {
    let zone = TimeZone::UTC;
    let columns = Table::Records.columns();
    let counted = |record: &Value, result: &Value| {
        let cells: BTreeMap<&str, String> = head(Table::Records)
            .into_iter()
            .zip(row(&columns, &Told { document: record, result: Some(result) }, &zone))
            .collect();
        ["counts", "not_counted_why", "counted_in", "replaced_by"].map(|name| cells[name].clone())
    };
    let result = frozen(include_str!("../../../tests/frozen/messages/sample-result-1.2-1.2.0.json"));
    let id = result["id"].as_str().unwrap();
    let mut record = full_record();
    let mut of = |specimen: &Value, status: &str, result: &Value| {
        record["data"]["specimen"]["id"] = specimen.clone();
        record["data"]["status"] = json!(status);
        counted(&record, result)
    };
    let counts = &result["data"]["specimens"][0]["id"];
    assert_eq!(of(counts, "preliminary", &result), ["true", "", id, ""]);
    let replaced = &result["data"]["notCounted"][0]["id"];
    assert_eq!(of(replaced, "preliminary", &result), ["false", "replaced", id, "Q-1-3"]);
    // One that no list names: its own record says that it was given up, or nobody says why.
    let other = json!("019f0000-0000-7000-8000-00000000eeee");
    assert_eq!(of(&other, "void", &result), ["false", "void", id, ""]);
    assert_eq!(of(&other, "preliminary", &result), ["false", "", id, ""]);
    // A result of an older version lists them under the repeat.
    let repeated = frozen(include_str!("../../../tests/frozen/result-v1.1.json"));
    let late = &repeated["data"]["repeat"]["notCounted"][0];
    let [counts, why, ..] = of(&late["id"], "preliminary", &repeated);
    assert_eq!((counts.as_str(), why.as_str()), ("false", late["why"].as_str().unwrap()));
}

#[test]
fn marks_and_reasons_that_look_like_formulas_are_guarded_like_any_text() {
    let mut record = full_record();
    record["data"]["solution"]["uses"][0]["batch"] = json!("=WS");
    record["data"]["equipment"][1]["id"] = json!("@C");
    let cells = cells(Table::Records, &record);
    assert_eq!(
        (cells["solution_first_fill"].as_str(), cells["equipment_in_doubt"].as_str()),
        ("'=WS", "'@C; S-1; C-2")
    );
}

#[test]
fn what_is_not_said_is_null_by_the_description() {
    assert_eq!(description(Table::Results, "r.csv", "UTC")["tableSchema"]["null"], "");
}
