//! The shipped method files, figure by figure. The source of each figure stands beside its check.
#![expect(clippy::unwrap_used, reason = "helpers of a test may stop it")]

use rust_decimal::Decimal;
use std::collections::BTreeSet;
use std::path::Path;
use stillstand::domain::method::SPECIMEN_MASS;
use stillstand::domain::method::{
    AverageRule, Begins, BetweenMarks, Confidence, Edge, Ends, Level, Machine, Method, RatioRule, ResultRule,
    SpecimenKind, StepKind, Timed,
};
use stillstand::domain::moment::{MINUTE, SECOND};
use stillstand::domain::quantity::{Quantity, Range, Side, Unit};
use stillstand::settings::load_methods;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/methods");

fn all() -> Vec<Method> {
    load_methods(Path::new(FOLDER)).unwrap_or_else(|faults| {
        panic!("{}", faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    })
}

fn method(id: &str) -> Method {
    all().into_iter().find(|method| method.id == id).unwrap()
}

fn t176() -> Method {
    method("aashto-t176-mechanical")
}

fn d2419() -> Method {
    method("astm-d2419-mechanical")
}

fn dec(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn range(min: Option<&str>, max: Option<&str>, unit: Unit) -> Range {
    Range { min: min.map(dec), max: max.map(dec), unit }
}

fn timed<'m>(method: &'m Method, step: &str) -> &'m Timed {
    method.timed(method.step_index(step).unwrap()).unwrap()
}

fn requirement(method: &Method, name: &str) -> Range {
    method.apparatus.iter().find(|requirement| requirement.name == name).unwrap().limits.unwrap()
}

#[test]
fn both_methods_take_a_specimen_through_the_same_steps() {
    // The order of the test as class hand-outs and slides on D2419 and T 176 tell it.
    let steps = [
        "tin",
        "first fill",
        "tap",
        "soak",
        "loosen",
        "shake",
        "irrigate",
        "sedimentation",
        "clay reading",
        "sand reading",
        "clean",
    ];
    for method in [t176(), d2419()] {
        let names: Vec<_> = method.steps.iter().map(|step| step.name.as_str()).collect();
        assert_eq!(names, steps, "{}", method.id);
        let kinds: Vec<_> = method.steps.iter().map(|step| &step.kind).collect();
        assert!(matches!(kinds[0], StepKind::Mark { optional: true, .. }));
        assert!(matches!(kinds[2], StepKind::Mark { optional: true, .. }));
        assert!(matches!(kinds[8], StepKind::Reading { of: Level::Clay }));
        assert!(matches!(kinds[9], StepKind::Reading { of: Level::Sand }));
        assert!(matches!(kinds[10], StepKind::Mark { frees_place: true, optional: false, .. }));
        assert!(method.steps.iter().all(|step| step.instruction.len() < 140), "{}", method.id);
    }
}

#[test]
fn only_what_must_be_pressed_must_be_pressed() {
    for method in [t176(), d2419()] {
        let pressed: Vec<_> = method
            .points()
            .iter()
            .filter(|point| !point.optional && !matches!(point.edge, Edge::Value(_)))
            .map(|point| (method.steps[point.step].name.as_str(), point.edge))
            .map(|(name, edge)| format!("{name} {edge:?}"))
            .collect();
        let needed =
            ["first fill Done", "soak Begin", "shake Begin", "shake End", "irrigate End", "clean Done"];
        assert_eq!(pressed, needed, "{}", method.id);
    }
}

#[test]
fn the_three_limited_intervals_have_their_figures() {
    for method in [t176(), d2419()] {
        // Soak 10 min +/- 1 min (study cards on T 176).
        let soak = timed(&method, "soak");
        assert_eq!(soak.required_ns.value, Some(10 * MINUTE));
        assert_eq!((soak.min_ns.value, soak.max_ns.value), (Some(540 * SECOND), Some(660 * SECOND)));
        assert_eq!((soak.begins, soak.ends), (Begins::Press, Ends::Next));
        // Mechanical shaker 45 s (class hand-outs, slides) +/- 1 s (T 176, from memory).
        let shake = timed(&method, "shake");
        assert_eq!(shake.required_ns.value, Some(45 * SECOND));
        assert_eq!((shake.min_ns.value, shake.max_ns.value), (Some(44 * SECOND), Some(46 * SECOND)));
        assert_eq!(shake.min_ns.confidence, Confidence::FromMemory);
        assert_eq!(shake.machine, Some(Machine::Shaker));
        // Sedimentation 20 min +/- 15 s (study cards on T 176).
        let sedimentation = timed(&method, "sedimentation");
        assert_eq!(sedimentation.required_ns.value, Some(20 * MINUTE));
        let window = (sedimentation.min_ns.value, sedimentation.max_ns.value);
        assert_eq!(window, (Some(1185 * SECOND), Some(1215 * SECOND)));
        assert_eq!((sedimentation.begins, sedimentation.ends), (Begins::Previous, Ends::Press));
        for free in ["loosen", "irrigate"] {
            let free = timed(&method, free);
            assert_eq!((free.required_ns.value, free.min_ns.value, free.max_ns.value), (None, None, None));
            assert!(free.optional);
        }
        // Nevada T227J, 2019: a stop-watch to 0.1 s.
        assert_eq!(method.time_resolution_ns.value, Some(SECOND / 10));
    }
}

#[test]
fn levels_and_readings_have_their_figures() {
    for method in [t176(), d2419()] {
        // First fill 4.0 +/- 0.1 in (class hand-outs on D2419 and T 176).
        let StepKind::Mark { level: Some(fill), .. } = &method.steps[1].kind else { panic!("{}", method.id) };
        assert_eq!(fill.value, Some(range(Some("3.9"), Some("4.1"), Unit::Inch)));
        // Final level between the two top marks (T 176, from memory).
        let last = timed(&method, "irrigate").level.clone().unwrap();
        assert_eq!(last.value, Some(range(Some("14.9"), Some("15.0"), Unit::Inch)));
        assert_eq!(last.confidence, Confidence::FromMemory);
        // Graduated by 0.1 in to 15 in (Peru MTC E 114-2000).
        let readings = &method.readings;
        assert_eq!(readings.mark.value, Some(dec("0.1")));
        assert_eq!(readings.top.value, Some(dec("15")));
        assert_eq!(readings.unit, Unit::Inch);
        // 7.95 is recorded as 8.0 (T 176 / D2419, from memory).
        assert_eq!(readings.between_marks.value, Some(BetweenMarks::Higher));
        // Indicator 10 in over the foot; the guide-cap foot is read without subtraction
        // (WSDOT Materials Manual, 2018; WAQTC FOP, 2018).
        let feet: Vec<_> = readings.feet.iter().map(|foot| (foot.name.as_str(), foot.offset.value)).collect();
        assert_eq!(feet, [("indicator", Some(dec("10"))), ("guide-cap", Some(dec("0")))]);
    }
}

#[test]
fn results_late_lines_and_replicates_have_their_rules() {
    for method in [t176(), d2419()] {
        // Ratio to 0.1, raised to the next whole number; whole values averaged and raised again:
        // 41.2, 43.8, 40.9 give 42, 44, 41 and 43 (wording of T 176 / D2419; Colombian class report).
        assert_eq!(method.calculation.ratio.value, Some(RatioRule::NearestTenth));
        assert_eq!(method.calculation.result.value, Some(ResultRule::RaiseToWhole));
        assert_eq!(method.calculation.average.value, Some(AverageRule::RaiseMeanOfReported));
        // Over 30 min in all: rerun with three specimens (class hand-outs; T 176, from memory).
        assert_eq!(method.late_line.total_max_ns.value, Some(30 * MINUTE));
        assert_eq!(method.late_line.repeat_specimens.value, Some(3));
        // How many, and how far apart, is the agency's: unset as shipped.
        assert_eq!((method.replicates.specimens.value, method.replicates.max_difference.value), (None, None));
        assert_eq!(method.replicates.max_difference.confidence, Confidence::Agency);
    }
}

#[test]
fn preparation_has_its_figures() {
    for method in [t176(), d2419()] {
        assert!(method.preparation.sieve.value.as_deref().unwrap().starts_with("4.75 mm"));
        // Tempering at least 15 min (T 176, 2013, extract). Oven 110 +/- 5 °C (Nevada T227J, 2019).
        assert_eq!(method.preparation.tempering_min_ns.value, Some(15 * MINUTE));
        assert_eq!(method.preparation.oven.value, Some(range(Some("105"), Some("115"), Unit::Celsius)));
        // FOP for T 255, from memory: at most 0.10 % in a further 30 min.
        assert_eq!(method.preparation.constant_mass_percent.value, Some(dec("0.10")));
        assert_eq!(method.preparation.constant_mass_every_ns.value, Some(30 * MINUTE));
        assert_eq!(method.preparation.constant_mass_percent.confidence, Confidence::FromMemory);
        // One tin of 85 +/- 5 mL (WAQTC FOP, 2018); its mass may be kept and has no limit.
        assert_eq!(method.specimen.kind, SpecimenKind::Tin);
        assert_eq!(method.specimen.size.value, Some(range(Some("80"), Some("90"), Unit::Millilitre)));
        let mut tins = method.preparation.weighings.iter().filter(|w| w.name == SPECIMEN_MASS);
        assert_eq!(tins.next().unwrap().limits.value, None);
    }
}

#[test]
fn apparatus_and_solution_have_their_figures() {
    for method in [t176(), d2419()] {
        // 175 +/- 2 cycles/min (California Test 217, 2011; Nevada T227J, 2019).
        let rate = requirement(&method, "shaker rate");
        assert_eq!(rate, range(Some("173"), Some("177"), Unit::CyclesPerMinute));
        // 203.2 +/- 1.0 mm (T 176, from memory; Nevada prints 203 +/- 1).
        assert_eq!(
            requirement(&method, "shaker throw"),
            range(Some("202.2"), Some("204.2"), Unit::Millimetre)
        );
        // 31.75 +/- 0.381 mm (Peru MTC E 114-2000).
        assert_eq!(
            requirement(&method, "cylinder bore"),
            range(Some("31.369"), Some("32.131"), Unit::Millimetre)
        );
        // 1000 +/- 5 g; shelf 915 +/- 25 mm (WAQTC FOP, 2018).
        assert_eq!(requirement(&method, "foot mass"), range(Some("995"), Some("1005"), Unit::Gram));
        assert_eq!(requirement(&method, "siphon shelf"), range(Some("890"), Some("940"), Unit::Millimetre));
        // 85 +/- 5 mL of stock (Nevada T227J, 2019); 30 days (study cards on T 176).
        assert_eq!(
            requirement(&method, "working solution stock"),
            range(Some("80"), Some("90"), Unit::Millilitre)
        );
        assert_eq!(requirement(&method, "working solution age"), range(None, Some("30"), Unit::Day));
    }
}

#[test]
fn the_two_methods_differ_where_they_should() {
    let (t176, d2419) = (t176(), d2419());
    assert_ne!(t176.digest, d2419.digest);
    assert_eq!((t176.standard.as_str(), d2419.standard.as_str()), ("AASHTO T 176", "ASTM D2419"));
    // T 176: 1000 to 1500 g (an agency's hand-out); D2419: at least 1500 g (class hand-outs).
    let passing = |method: &Method| method.weighing("passing").unwrap().limits.value;
    assert_eq!(passing(&t176), Some(range(Some("1000"), Some("1500"), Unit::Gram)));
    assert_eq!(passing(&d2419), Some(range(Some("1500"), None, Unit::Gram)));
    // T 176 has alternate methods 1 and 2 (2013, extract); D2419 procedures A, B and C
    // (abstract of an interlaboratory report).
    let ways = |method: &Method| {
        method.preparation.alternatives.iter().map(|way| way.name.clone()).collect::<Vec<_>>()
    };
    assert_eq!(ways(&t176), ["alternate method 1", "alternate method 2", "oven-dry"]);
    assert_eq!(ways(&d2419), ["procedure A", "procedure B", "procedure C", "oven-dry"]);
    assert_eq!((t176.precision.len(), d2419.precision.len()), (2, 3));
}

#[test]
fn temperature_windows_share_their_top_and_not_their_bottom() {
    let (t176, d2419) = (t176(), d2419());
    let (celsius, fahrenheit) =
        (t176.temperature.limits.value.unwrap(), d2419.temperature.limits.value.unwrap());
    // 22 +/- 3 °C and 72 +/- 5 °F, printed side by side (study cards on T 176).
    assert_eq!(celsius, range(Some("19"), Some("25"), Unit::Celsius));
    assert_eq!(fahrenheit, range(Some("67"), Some("77"), Unit::Fahrenheit));
    // 67 °F is 19.44 °C: 19.2 °C lies in the one window only. 25 °C = 77 °F is within by both.
    let at = |text: &str| Quantity::new(dec(text), Unit::Celsius);
    assert_eq!(
        (celsius.side(&at("19.2")), fahrenheit.side(&at("19.2"))),
        (Some(Side::Within), Some(Side::Below))
    );
    assert_eq!(
        (celsius.side(&at("25.0")), fahrenheit.side(&at("25.0"))),
        (Some(Side::Within), Some(Side::Within))
    );
    assert_eq!(fahrenheit.side(&at("25.1")), Some(Side::Above));
    for method in [t176, d2419] {
        assert_eq!(
            (method.temperature.from.as_str(), method.temperature.to.as_str()),
            ("first fill", "clay reading")
        );
    }
}

#[test]
fn precision_stands_as_it_is_printed() {
    // D2419, precision clause, from memory: 1s and d2s for one operator, then for laboratories.
    let printed = [
        ("over 80", ["1.5", "4.2", "4.4", "12.5"]),
        ("under 80", ["2.9", "8.2", "8.0", "22.6"]),
        ("30 to 50, dirtier materials", ["3.2", "9.1", "5.2", "14.7"]),
    ];
    for (class, (name, figures)) in d2419().precision.iter().zip(printed) {
        assert_eq!(class.class, name);
        let found = [&class.operator_1s, &class.operator_d2s, &class.laboratory_1s, &class.laboratory_d2s];
        for (sourced, figure) in found.into_iter().zip(figures) {
            assert_eq!(sourced.value, Some(dec(figure)), "{name}");
            assert_eq!(sourced.confidence, Confidence::FromMemory);
        }
    }
    assert_eq!(t176().precision, d2419().precision[..2]);
}

#[test]
fn a_file_owns_up_to_what_it_does_not_know() {
    for method in all() {
        assert_eq!(method.edition.value.as_deref(), Some("not confirmed"));
        assert!(method.notice.contains("own current copy"), "{}", method.id);
        let text = std::fs::read_to_string(format!("{FOLDER}/{}.toml", method.id)).unwrap();
        let top: Vec<_> = text.lines().take_while(|line| line.starts_with('#')).collect();
        assert!(top.join(" ").contains("works from its own current copy of the standard"), "{}", method.id);
        let lines: Vec<_> = text.lines().collect();
        let recalled = lines
            .iter()
            .enumerate()
            .filter(|(_, line)| line.ends_with("\"from-memory\"") || line.contains("\"from-memory\" }"));
        let mut count = 0;
        for (i, line) in recalled {
            assert!(lines[i - 1].starts_with("# From memory"), "{}:{}: {line}", method.id, i + 1);
            count += 1;
        }
        assert!(
            count > 5 || method.id == "saskatchewan-stp",
            "{}: the figures recalled are marked, not hidden",
            method.id
        );
    }
}

#[test]
fn dangers_are_named_and_defer_to_the_laboratory() {
    for method in all() {
        let safety = method.safety.join(" ").to_lowercase();
        for word in [
            "formaldehyde",
            "biocide",
            "calcium chloride",
            "shaker",
            "oven",
            "silica",
            "glass",
            "bleach",
            "safety sheet",
            "local codes",
        ] {
            assert!(safety.contains(word), "{}: nothing is said of {word}", method.id);
        }
    }
}

#[test]
fn ids_are_unique() {
    let methods = all();
    let ids: BTreeSet<_> = methods.iter().map(|method| method.id.as_str()).collect();
    assert_eq!(ids.len(), methods.len());
    assert!(methods.len() >= 14);
}
