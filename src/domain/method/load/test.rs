//! What the person who edits a method file is told.

use super::*;
use crate::domain::method::{Begins, Confidence, StepKind};
use crate::domain::moment::{MINUTE, SECOND};
use crate::domain::quantity::Unit;
use proptest::prelude::*;

const T176: &str = include_str!("../../../../config/methods/aashto-t176-mechanical.toml");
const FILE: &str = "config/methods/aashto-t176-mechanical.toml";

fn good() -> Method {
    load(FILE, T176).unwrap()
}

/// The shipped file with one piece of text exchanged; the piece must be there.
fn with(old: &str, new: &str) -> String {
    assert!(T176.contains(old), "{old} is not in the file");
    T176.replacen(old, new, 1)
}

/// The faults of the shipped file with one piece exchanged, as a person reads them.
fn told(old: &str, new: &str) -> Vec<String> {
    let faults = load(FILE, &with(old, new)).unwrap_err();
    faults.iter().map(|f| format!("{}: found {}, expected {}", f.key, f.found, f.expected)).collect()
}

fn only(old: &str, new: &str) -> String {
    let told = told(old, new);
    assert_eq!(told.len(), 1, "{told:#?}");
    told.into_iter().next().unwrap()
}

#[test]
fn a_file_with_five_faults_gives_five_faults_with_their_lines() {
    let text = include_str!("five-faults.toml");
    let faults = load("five-faults.toml", text).unwrap_err();
    let line = |mark: &str| 1 + text.lines().position(|line| line.contains(mark)).unwrap();
    let found: Vec<_> = faults.iter().map(|f| (f.line, f.key.as_str())).collect();
    let expected = [
        (line("fault 1"), "preparation.seive"),
        (line("fault 2"), "step.2.window.min"),
        (line("fault 3"), "temperature.to"),
        (line("fault 4"), "readings.mark.unit"),
        (line("fault 5"), "calculation.result.value"),
    ];
    assert_eq!(found, expected, "{faults:#?}");
    let last = faults.last().unwrap().to_string();
    let expected = format!(
        "five-faults.toml:{}: `calculation.result.value`: found the text `raise-to-hole`, \
         expected one of `raise-to-whole`, `tenth`",
        line("fault 5"),
    );
    assert_eq!(last, expected);
}

#[test]
fn digits_are_kept_as_they_stand_in_the_file() {
    let method = load(FILE, &with("max = 15.0, unit", "max = 15.000, unit")).unwrap();
    let StepKind::Interval(irrigate) = &method.steps[method.step_index("irrigate").unwrap()].kind else {
        panic!()
    };
    let level = irrigate.level.clone().unwrap().value.unwrap();
    assert_eq!(level.max.unwrap().to_string(), "15.000");
    // 14.9 has no finite binary form; as text it is exact.
    assert_eq!(level.min.unwrap().to_string(), "14.9");
    let text = with("offset = { value = 10.0,", "offset = { value = \"10.0000\",");
    assert_eq!(
        load(FILE, &text).unwrap().foot("indicator").unwrap().offset.value.unwrap().to_string(),
        "10.0000"
    );
}

#[test]
fn times_become_nanoseconds_exactly_or_are_refused() {
    let resolution = |value: &str, unit: &str| {
        load(FILE, &with("{ value = 0.1, unit = \"s\"", &format!("{{ value = {value}, unit = \"{unit}\"")))
            .map(|method| method.time_resolution_ns.value.unwrap())
    };
    assert_eq!(resolution("0.1", "s").unwrap(), 100_000_000);
    assert_eq!(resolution("0.000000001", "s").unwrap(), 1);
    assert_eq!(resolution("0.05", "min").unwrap(), 3 * SECOND);
    assert_eq!(resolution("1", "d").unwrap(), 1440 * MINUTE);
    assert!(resolution("0.0000000001", "s").is_err());
    assert!(resolution("0.33333333333", "min").is_err());
    assert!(resolution("1.0000000000000000000000000001", "d").is_err(), "a rounded product would be whole");
    assert!(resolution("200000", "d").is_err(), "over the range");
    assert!(resolution("0", "s").is_err(), "no resolution at all");
    assert!(resolution("1", "mm").is_err());
}

#[test]
fn numbers_that_are_no_decimals_are_refused() {
    for wrong in ["nan", "inf", "0x10", "true", "\"\"", "\"1_0\"", "\"ten\"", "1e1", "[10]"] {
        let told = only("offset = { value = 10.0,", &format!("offset = {{ value = {wrong},"));
        assert!(told.starts_with("readings.foot.1.offset.value: found"), "{told}");
        assert!(told.contains("expected a decimal number"), "{told}");
    }
}

/// What stands in the file, what is put there, and how the telling begins.
const CASES: [(&str, &str, &str); 20] = [
    ("title = \"Sand", "titel = \"Sand", "titel: found an unknown key, expected one of `id`, `title`"),
    (
        "unit = \"Cel\", source = \"study",
        "unit = \"C\", source = \"study",
        "temperature.limits.unit: found the text `C`, expected one of `Cel`, `[degF]`",
    ),
    ("min = 44, max", "min = 47, max", "step.6.window.min: found 47, which is over `max` = 46"),
    ("value = 45,", "value = 47,", "step.6.required.value: found the number 47, expected a duration inside"),
    (
        "kind = \"tin\"",
        "kind = \"cup\"",
        "specimen.kind: found the text `cup`, expected one of `tin`, `portion`",
    ),
    ("to = \"clay reading\"", "to = \"tin\"", "temperature.to: found a step before `from`"),
    ("name = \"loosen\"", "name = \"soak\"", "step.5.name: found `soak`, which line "),
    ("name = \"guide-cap\"", "name = \"indicator\"", "readings.foot.2.name: found `indicator`, which line "),
    ("frees-place = true", "optional = false", "step: found no step that frees the place"),
    ("of = \"sand\"", "of = \"clay\"", "step.10.of: found readings of clay, clay, expected exactly one"),
    (
        "begins = \"press\"\nends = \"next\"\nrequired",
        "begins = \"previous\"\nends = \"next\"\nrequired",
        "step.4.begins: found `previous` after `tap`, whose end need not be marked",
    ),
    (
        "id = \"aashto",
        "id = \"ashto",
        "id: found the text `ashto-t176-mechanical`, expected `aashto-t176-mechanical`",
    ),
    (
        "top = { value = 15.0,",
        "top = { value = 15.05,",
        "readings.top.value: found the number 15.05, expected a whole number of marks of 0.1",
    ),
    (
        "repeat-specimens = { value = 3,",
        "repeat-specimens = { value = 2.5,",
        "late-line.repeat-specimens.value: found the number 2.5, expected a whole number",
    ),
    ("source = \"WAQTC FOP", "source = \"\" # \"WAQTC FOP", "syntax: "),
    (
        "0.1 s\", confidence = \"read\"",
        "0.1 s\", confidence = \"sure\"",
        "time-resolution.confidence: found the text `sure`, expected one of `read`",
    ),
    ("max = 177\nunit = \"{cycles}/min\"", "max = 177", "apparatus.1.unit: found nothing, expected one of"),
    (
        "value = 30, unit = \"min\", source = \"class",
        "value = 30, source = \"class",
        "late-line.total-max.unit: found nothing, expected one of `s`, `min`, `d`",
    ),
    (
        "instruction = \"Set the",
        "# instruction = \"Set the",
        "step.4.instruction: found nothing, expected a text",
    ),
    ("machine = \"shaker\"", "machine = 3", "step.6.machine: found the number 3, expected one of `shaker`"),
];

#[test]
fn each_kind_of_fault_is_told_in_words() {
    for (old, new, start) in CASES {
        let told = told(old, new);
        assert!(told.iter().any(|told| told.starts_with(start)), "{start}\n{told:#?}");
    }
}

#[test]
fn an_interval_cannot_begin_or_end_with_nothing() {
    let text = with("name = \"clean\"", "name = \"last\"");
    let tail = "kind = \"mark\"\nfrees-place = true";
    let interval = "kind = \"interval\"\nbegins = \"previous\"\nends = \"next\"\n\
         required = { source = \"s\", confidence = \"agency\" }\nwindow = { source = \"s\", confidence = \"agency\" }";
    let faults = load(FILE, &text.replace(tail, interval)).unwrap_err();
    let keys: Vec<_> = faults.iter().map(|fault| fault.key.as_str()).collect();
    // No step frees the place, and `next` is nothing; beginning with the sand reading is fine.
    assert_eq!(keys, ["step", "step.11.ends"], "{faults:#?}");
}

#[test]
fn an_interval_with_limits_cannot_be_passed_over() {
    let told = only("machine = \"shaker\"", "machine = \"shaker\"\noptional = true");
    assert!(told.starts_with("step.6.optional: found `true` beside limits"), "{told}");
}

#[test]
fn what_a_file_makes_of_touches_and_of_interrupted_runs_is_read_and_has_defaults() {
    use crate::domain::method::{NoteRule, ResumedRule};
    let method = good();
    let undisturbed: Vec<&str> = (0..method.steps.len())
        .filter(|step| method.is_undisturbed(*step))
        .map(|step| method.steps[step].name.as_str())
        .collect();
    assert_eq!(undisturbed, ["soak", "sedimentation"]);
    // A file from before these keys: what has a window and no machine stands undisturbed.
    let frozen = include_str!("../../../../tests/frozen/method-v1.toml");
    let old = load("aashto-t176-mechanical.toml", frozen).unwrap();
    for step in 0..old.steps.len() {
        let name = &old.steps[step].name;
        assert_eq!(old.is_undisturbed(step), undisturbed.contains(&name.as_str()), "{name}");
    }
    assert_eq!(old.notes.bumped.value, Some(NoteRule::Undisturbed));
    assert_eq!(old.resumed(old.step_index("shake").unwrap()), ResumedRule::Person);
    let told = only("foot-dropped = { value = \"never\"", "foot-dropped = { value = \"seldom\"");
    assert!(told.starts_with("notes.foot-dropped") && told.contains("undisturbed"), "{told}");
    let told = only("ends = \"press\"\nmachine = \"shaker\"", "ends = \"press\"");
    assert!(told.starts_with("step.6.resumed"), "{told}");
}

#[test]
fn an_unset_value_is_legal_and_an_unknown_one_has_no_value() {
    let method = good();
    assert_eq!(method.replicates.max_difference.value, None);
    assert_eq!(method.replicates.max_difference.confidence, Confidence::Agency);
    let unset = "limits = { min = 1000, max = 1500, unit = \"g\"";
    let method = load(FILE, &with(unset, "limits = { unit = \"g\"")).unwrap();
    assert_eq!(method.weighing("passing").unwrap().limits.value, None);
    let half = load(FILE, &with(unset, "limits = { min = 1000, unit = \"g\"")).unwrap();
    let limits = half.weighing("passing").unwrap().limits.value.unwrap();
    assert_eq!(
        (limits.min.map(|min| min.to_string()), limits.max, limits.unit),
        (Some("1000".into()), None, Unit::Gram)
    );
    let told = only(
        "source = \"study cards on T 176\", confidence = \"secondary\" }",
        "source = \"x\", confidence = \"unknown\" }",
    );
    assert!(told.contains("found `unknown` beside a value"), "{told}");
}

#[test]
fn what_is_no_toml_is_one_fault_with_its_line() {
    let text = format!("{T176}\nbroken = [1, 2\n");
    let faults = load(FILE, &text).unwrap_err();
    assert_eq!(faults.len(), 1, "{faults:#?}");
    assert!(faults[0].line >= text.lines().count(), "{faults:#?}");
    let twice = with("id = \"aashto-t176-mechanical\"", "id = \"a\"\nid = \"a\"");
    let faults = load(FILE, &twice).unwrap_err();
    assert_eq!(faults.len(), 1);
    assert!(faults[0].to_string().contains("duplicate key"), "{}", faults[0]);
}

#[test]
fn a_slip_of_the_pen_is_shown_where_it_stands_with_what_may_stand_there() {
    for (old, new, shown, expected) in [
        ("value = 0.1, unit", "value = 0,1, unit", "`, unit", "a point in a number"),
        ("optional = true", "optional = yes", "`yes`", "`true` or `false`"),
        ("title = \"Sand equivalent", "title = Sand equivalent", "mechanical", "double quotes"),
        ("kind = \"tin\"", "kind = \"tin\"\nkind = \"tin\"", "`kind = ", "each key once"),
        ("[[step]]\nname = \"tap\"", "[step]\nname = \"tap\"", "step]", "for each table of a list"),
    ] {
        let faults = load(FILE, &with(old, new)).unwrap_err();
        let told = faults[0].to_string();
        assert!(told.contains(shown) && told.contains(expected), "{new}: {told}");
    }
}

#[test]
fn a_file_of_nothing_but_brackets_or_dots_is_told() {
    for text in [
        "a = ".to_owned() + &"[".repeat(100_000),
        "a = ".to_owned() + &"{a=".repeat(100_000),
        "a.".repeat(100_000),
    ] {
        assert!(!load(FILE, &text).unwrap_err().is_empty());
    }
}

#[test]
fn an_empty_file_names_every_part_that_is_missing() {
    let faults = load(FILE, "").unwrap_err();
    let keys: Vec<_> = faults.iter().map(|fault| fault.key.as_str()).collect();
    for key in
        ["id", "title", "safety", "preparation", "specimen", "step", "temperature", "readings", "calculation"]
    {
        assert!(keys.contains(&key), "{key} is not named: {keys:?}");
    }
    assert!(faults.iter().all(|fault| fault.line == 1));
}

#[test]
fn the_digest_is_that_of_the_bytes() {
    // FIPS 180-4 example: SHA-256 of "abc".
    assert_eq!(digest("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    assert_ne!(good().digest, load(FILE, &format!("{T176}#")).unwrap().digest);
}

#[test]
fn begins_and_ends_reach_the_model() {
    let method = good();
    let index = method.step_index("sedimentation").unwrap();
    assert_eq!(method.timed(index).unwrap().begins, Begins::Previous);
    assert_eq!(method.timed(index).unwrap().min_ns.value, Some(1185 * SECOND));
    assert!(method.points().iter().any(|point| point.step == index));
}

/// Either a whole method, or faults that a person can find in the file.
fn loads_or_tells(text: &str) {
    match load(FILE, text) {
        Ok(method) => assert!(!method.points().is_empty()),
        Err(faults) => {
            assert!(!faults.is_empty(), "refused without a reason");
            let lines = text.lines().count() + 1;
            for fault in faults {
                assert!(
                    (1..=lines.max(1)).contains(&fault.line),
                    "{fault} is outside the file's {lines} lines"
                );
                assert!(!fault.key.is_empty() && !fault.found.is_empty() && !fault.expected.is_empty());
            }
        }
    }
}

/// Values that people and broken editors put in the wrong place.
fn value() -> impl Strategy<Value = String> {
    prop_oneof![
        Just("\"\"".to_owned()),
        Just("[]".to_owned()),
        Just("{}".to_owned()),
        Just("[[]]".to_owned()),
        Just("-0".to_owned()),
        Just("nan".to_owned()),
        Just("1979-05-27".to_owned()),
        Just("79228162514264337593543950335".to_owned()),
        Just("\"79228162514264337593543950335\"".to_owned()),
        Just("0.0000000000000000000000000001".to_owned()),
        any::<i64>().prop_map(|number| number.to_string()),
        any::<bool>().prop_map(|on| on.to_string()),
        "\"[a-z ]{1,8}\"",
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_text_loads_or_tells(text in any::<String>()) {
        loads_or_tells(&text);
    }

    #[test]
    fn text_out_of_the_format_loads_or_tells(
        text in "([a-z.\\[\\]{}=\"',#0-9_\n -]|step|value|unit|\\[\\[step\\]\\]\n){0,200}",
    ) {
        loads_or_tells(&text);
    }

    #[test]
    fn a_file_that_lost_a_line_loads_or_tells(line in any::<prop::sample::Index>()) {
        let lines: Vec<_> = T176.lines().collect();
        let lost = line.index(lines.len());
        let rest: Vec<_> = lines.iter().enumerate().filter(|(i, _)| *i != lost).map(|(_, line)| *line).collect();
        loads_or_tells(&rest.join("\n"));
    }

    #[test]
    fn a_file_with_a_value_exchanged_loads_or_tells(place in any::<prop::sample::Index>(), value in value()) {
        // Every `= something` up to a comma, a brace or the line's end.
        let starts: Vec<_> = T176.match_indices("= ").map(|(at, _)| at + 2).collect();
        let start = starts[place.index(starts.len())];
        let tail = &T176[start..];
        let end = start + tail.find([',', '}', '\n']).unwrap_or(tail.len());
        loads_or_tells(&format!("{}{value}{}", &T176[..start], &T176[end..]));
    }

    #[test]
    fn a_file_cut_short_loads_or_tells(at in any::<prop::sample::Index>()) {
        let at = at.index(T176.len());
        loads_or_tells(&String::from_utf8_lossy(&T176.as_bytes()[..at]));
    }
}
