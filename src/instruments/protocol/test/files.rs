//! What the person who edits a shape file is told.

use super::*;

const FILE: &str = "config/instruments/balance-status-words.toml";

fn text(id: &str) -> String {
    shipped().into_iter().find(|(shape, _)| shape.id == id).unwrap().1
}

/// The faults of a shipped file with one piece exchanged, as a person reads them.
fn told(id: &str, old: &str, new: &str) -> Vec<String> {
    let text = text(id);
    assert!(text.contains(old), "{old} is not in the file");
    let faults = Shape::load(&format!("{id}.toml"), &text.replacen(old, new, 1)).unwrap_err();
    faults.iter().map(|f| format!("{}: found {}, expected {}", f.key, f.found, f.expected)).collect()
}

#[track_caller]
fn only(id: &str, old: &str, new: &str, expected: &str) {
    let told = told(id, old, new);
    assert_eq!(told.len(), 1, "{told:#?}");
    assert!(told[0].contains(expected), "{} does not hold {expected}", told[0]);
}

#[test]
fn all_faults_of_a_file_are_told_at_once_with_their_lines() {
    let text = text("balance-status-words")
        .replacen("speed = 9600", "speed = 9601", 1)
        .replacen("\"8N1\"", "\"9N1\"", 1)
        .replacen("kg = \"kg\"", "kg = \"Cel\"", 1)
        .replacen("every-s = \"0.5\"", "every-s = \"soon\"", 1)
        .replacen("title =", "titel =", 1);
    let faults = Shape::load(FILE, &text).unwrap_err();
    let mut found: Vec<_> = faults.iter().map(|fault| fault.key.as_str()).collect();
    found.sort_unstable();
    assert_eq!(found, ["framing", "request.every-s", "speed", "titel", "title", "units.kg"], "{faults:#?}");
    let speed = faults.iter().find(|fault| fault.key == "speed").unwrap();
    assert_eq!(speed.line, 1 + text.lines().position(|line| line.contains("9601")).unwrap());
    assert!(speed.to_string().starts_with(FILE), "{speed}");
}

#[test]
fn each_wrong_thing_is_told_in_words() {
    let words = "balance-status-words";
    let weight = told(words, "(?<mass>", "(?<weight>").join("\n");
    assert!(weight.contains("the group `weight`") && weight.contains("a group `(?<mass>…)`"), "{weight}");
    only(words, "stability = \"marked\"", "stability = \"marked\"\nformat = \"x\"", "an unknown key");
    only(words, "{unit}\"", "{units}\"", "the fields `{sign}`, `{value}` and `{unit}`");
    only(words, "{value:>10}", "{value:>99}", "at most 40");
    only(words, "format-overload = \"S +\"", "", "format-overload: found nothing");
    only(words, "answer-within-ms = 400", "answer-within-ms = 600", "no more time than `every-s` leaves");
    only(words, "terminator = \"\\r\\n\"", "terminator = \"\\n\\r\"", "terminator");
    only("balance-bare-number", "unit = \"g\"\nformat", "format", "unit: found nothing");
    let marked = told("balance-bare-number", "every-line\"", "marked\"").join("\n");
    assert!(marked.contains("no mark of stability") && marked.contains("format-unstable"), "{marked}");
    let idle = "every-line\"\nformat-unstable = \"{value} ?\"";
    only("balance-bare-number", "every-line\"", idle, "no such format");
    only("balance-bare-number", "every-line\"", "every-line\"\nprint-key = true", "print-key");
    let every = told("balance-trailing-mark", "marked\"\nprint-key = true", "every-line\"").join("\n");
    assert!(every.contains("found a mark of stability"), "{every}");
    only("probe-polled-number", "unit = \"Cel\"", "unit = \"g\"", "one of `Cel`, `[degF]`");
    let unity = told("probe-text-unit", "[units]", "[unity]").join("\n");
    assert!(
        unity.contains("unity: found an unknown key") && unity.contains("units: found nothing"),
        "{unity}"
    );
}

#[test]
fn a_pattern_that_is_none_or_undoes_its_anchors_is_a_fault() {
    for pattern in
        ["pattern = '('", "pattern = 'S)|(?:(?<mass>.)'", "pattern = '(?<mass>[0-9]{1,99999}){9999}'"]
    {
        let text = text("balance-bare-number").replacen("pattern = ' *", &format!("{pattern} # '"), 1);
        let faults = Shape::load("balance-bare-number.toml", &text).unwrap_err();
        assert!(
            faults.iter().any(|f| f.key == "pattern" && f.expected == "a regular expression"),
            "{faults:#?}"
        );
    }
}

#[test]
fn an_example_that_reads_otherwise_is_a_fault() {
    let words = "balance-status-words";
    only(words, "line = \"S S      52.30 g\"", "line = \"S D      52.30 g\"", "an unstable mass of 52.30 g");
    only(words, "value = \"52.30\"", "value = \"52.3\"", "a stable mass of 52.3 g");
    let message = "whose end `2.4 C` reads as a temperature of 2.4 °C";
    let pattern = "'(?:TEMP +)?(?<temperature>[0-9]+\\.[0-9]+) (?<unit>[CF])'";
    let text = text("probe-text-unit");
    let old = text.lines().find(|line| line.starts_with("pattern")).unwrap();
    let faults = told("probe-text-unit", old, &format!("pattern = {pattern}"));
    assert!(faults.iter().any(|fault| fault.contains(message)), "{faults:#?}");
}

#[test]
fn what_is_no_toml_is_one_fault() {
    let faults = Shape::load(FILE, "id = \n").unwrap_err();
    assert_eq!(faults.iter().map(|fault| fault.key.as_str()).collect::<Vec<_>>(), ["syntax"]);
}

#[test]
fn a_key_without_a_name_is_seen_in_its_fault() {
    // Found by the fuzz target `shapes`.
    let text = format!("\"\" = 1\n{}", text("probe-text-unit"));
    let faults = Shape::load("probe-text-unit.toml", &text).unwrap_err();
    assert!(
        faults[0].to_string().contains("probe-text-unit.toml:1: `\"\"`: found an unknown key"),
        "{faults:#?}"
    );
}

proptest! {
    #[test]
    fn no_text_makes_the_loader_fall_over(cut in 0_usize..3000, insert in "\\PC{0,20}", index in 0_usize..shipped().len()) {
        let (_, text) = &shipped()[index];
        let mut at = cut.min(text.len());
        while !text.is_char_boundary(at) { at -= 1 }
        let broken = format!("{}{insert}{}", &text[..at], &text[at..]);
        let _ = Shape::load("x.toml", &broken);
    }
}

#[test]
fn the_file_in_the_documentation_has_no_fault_and_its_table_names_every_shape() {
    let page = include_str!("../../../../docs/instruments.md");
    let start = page.find("id = \"balance-word-behind\"").unwrap();
    let text = page[start..].split("```").next().unwrap();
    Shape::load("balance-word-behind.toml", text).unwrap_or_else(|faults| panic!("{faults:#?}"));
    for (shape, _) in shipped() {
        assert!(page.contains(&format!("| `{}` |", shape.id)), "{} is not in the table", shape.id);
    }
}
