use super::*;
use crate::domain::equipment::{Act as On, Kind, State};
use crate::domain::report::{self, Head};
use crate::domain::specimen::judge::Code;

pub(super) const DAY: f64 = 86_400.0;

pub(super) fn kinds() -> Vec<Kind> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/config/equipment");
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|extension| extension == "toml"));
    files.sort();
    let read = |path: &std::path::PathBuf| {
        let text = std::fs::read_to_string(path).unwrap();
        crate::domain::equipment::load(&path.display().to_string(), &text).unwrap()
    };
    files.iter().map(read).collect()
}

fn story() -> Story {
    story_by(t176())
}

fn story_by(method: Arc<Method>) -> Story {
    Story::with(|started| {
        started.methods = vec![method];
        started.equipment = kinds();
        started.instruments = [
            ("balance".to_owned(), crate::domain::reading::InstrumentKind::Balance),
            ("probe".to_owned(), crate::domain::reading::InstrumentKind::SolutionProbe),
        ]
        .into();
    })
}

pub(super) fn on(act: serde_json::Value) -> Do {
    let mut act = act;
    act["act"] = "equipment".into();
    serde_json::from_value(act).unwrap()
}

/// Registers an item of the kit; `more` holds further fields.
pub(super) fn item(story: &mut Story, id: &str, kind: &str, more: serde_json::Value) {
    let mut act = serde_json::json!({ "what": "register", "item": id, "kind": kind, "kit": true });
    act.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    story.ok(on(act));
}

pub(super) fn check(item: &str, check: &str, found: serde_json::Value) -> Do {
    on(serde_json::json!({ "what": "check", "item": item, "check": check, "found": found }))
}

pub(super) fn state(story: &Story, id: &str) -> State {
    let register = &story.bench.equipment;
    story.bench.standing(&register.items[id], &at(story.now_ns)).state
}

/// A check mass with its certificate, and a balance that passed.
fn weighed(story: &mut Story) {
    item(story, "M-1", "check-mass", serde_json::json!({ "class": "F2", "nominal": "1000" }));
    story.ok(check("M-1", "calibration", serde_json::json!({ "good": true, "note": "certificate 12" })));
    item(story, "BAL-1", "balance", serde_json::json!({ "class": "G2", "instrument": "balance" }));
    let found = serde_json::json!({ "with": "M-1", "zero": "0.0", "value": "1000.1", "zero-after": "0.0" });
    story.ok(check("BAL-1", "check mass", found));
}

pub(super) fn codes(story: &Story, specimen: Uuid) -> Vec<Code> {
    story.deviations(specimen).into_iter().map(|d| d.code).collect()
}

/// A story in which everything happens that can happen to the list, with a record.
pub(super) fn everything(method: Arc<Method>) -> Story {
    let mut story = story_by(method);
    weighed(&mut story);
    story.ok(on(serde_json::json!({ "what": "begin-check", "item": "BAL-1", "check": "check mass" })));
    story.weigh("1000.1");
    story.ok(on(serde_json::json!({ "what": "stop-check" })));
    item(&mut story, "CYL-2", "cylinder", serde_json::json!({ "place": 2, "title": "no. 2", "kit": true }));
    story.ok(check("CYL-2", "scale", serde_json::json!({ "value": "381.2", "note": "steel rule" })));
    story.ok(on(serde_json::json!({ "what": "take-out-of-use", "item": "CYL-2", "reason": "cracked" })));
    let sample = story.sample("E-1", 1);
    story.ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    story.weigh("1204.5");
    let specimen = story.specimen(sample, 2);
    story.run_to_line(specimen, 10.0);
    story.input(What::Switch(SwitchReport::Counted {
        name: "cycles".to_owned(),
        pulses: 132,
        first: at(650 * SECOND),
        last: at(650 * SECOND + 131 * 60 * SECOND / 180),
    }));
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    story.ok(on(serde_json::json!({ "what": "put-back", "item": "CYL-2" })));
    story.ok(check("CYL-2", "scale", serde_json::json!({ "value": "390" })));
    let from = at(0).wall_ns.div_euclid(1_000_000);
    let through = serde_json::json!({
        "what": "looked-through", "item": "CYL-2", "check": "scale", "from-ms": from, "note": "no result changed",
    });
    story.ok(on(through));
    story
}

#[test]
fn a_record_with_equipment_is_as_its_schema_says() {
    use super::documents::{faults, of, published_before, schema};
    let documents = published_before(&everything(t176()));
    let record = of(&documents, crate::domain::report::DocumentKind::Record)[0].clone();
    assert_eq!(record["dataschema"], "https://stillstand.example/schema/specimen-record/1.2.0");
    let found = faults(&schema("specimen-record-1.2"), &record);
    assert!(found.is_empty(), "{found:#?}");
    let codes: Vec<_> =
        record["data"]["deviations"].as_array().unwrap().iter().map(|d| d["code"].clone()).collect();
    assert!(
        codes.contains(&"equipment-out-of-use".into()) && codes.contains(&"shaker-rate".into()),
        "{codes:?}"
    );
    assert_eq!(record["data"]["shakerCycles"][0]["rate"]["text"], "180.00");
}

#[test]
fn without_a_list_nothing_is_asked_noted_or_marked() {
    let mut story = story();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10.0);
    assert_eq!(codes(&story, specimen), []);
    assert!(story.bench.specimens[&specimen].equipment.is_empty());
    story.check_replay();
}

#[test]
fn the_balance_is_checked_with_a_mass_from_its_own_line() {
    let mut story = story();
    weighed(&mut story);
    assert_eq!(state(&story, "BAL-1"), State::Good);
    story.to(10.0);
    story.ok(on(serde_json::json!({ "what": "begin-check", "item": "BAL-1", "check": "check mass" })));
    let (weighings, kept) = (story.bench.weighings, story.bench.kept_weighings.len());
    story.weigh("1000.3");
    assert_eq!(
        (story.bench.weighings, story.bench.kept_weighings.len()),
        (weighings, kept),
        "not a sample's"
    );
    story.ok(check(
        "BAL-1",
        "check mass",
        serde_json::json!({ "with": "M-1", "zero": "0.0", "zero-after": "0.0" }),
    ));
    // 0.3 g against the ± 0.2 g of class G2.
    assert_eq!(state(&story, "BAL-1"), State::Failed);
    let item = &story.bench.equipment.items["BAL-1"];
    let result = item.checks["check mass"].last().unwrap();
    assert_eq!(result.value.unwrap().to_string(), "0.3 g");
    assert_eq!(result.weighings[0].wire.instrument, "balance");
    assert_eq!(item.checks["check mass"].last_good.unwrap(), at(0), "the look-back begins there");
    // The next mass is nobody's check.
    story.weigh("12.0");
    assert_eq!(story.bench.weighings, weighings + 1);
    story.check_replay();
}

#[test]
fn a_mass_that_is_awaited_goes_where_it_was_awaited() {
    let mut story = story();
    weighed(&mut story);
    let sample = story.sample("S", 1);
    story.ok(on(serde_json::json!({ "what": "begin-check", "item": "BAL-1", "check": "check mass" })));
    story.ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    story.weigh("1200.0");
    assert_eq!(story.bench.samples[&sample].masses["passing"].mass.to_string(), "1200.0 g");
    assert!(story.bench.equipment.began.as_ref().unwrap().masses.is_empty());
}

#[test]
fn a_check_mass_that_is_too_coarse_or_past_its_date_is_refused() {
    let mut story = story();
    weighed(&mut story);
    item(&mut story, "M-2", "check-mass", serde_json::json!({ "class": "M2", "nominal": "1000" }));
    let found = serde_json::json!({ "with": "M-2", "value": "1000.0", "zero": "0.0", "zero-after": "0.0" });
    let said = story.refused(check("BAL-1", "check mass", found.clone()));
    assert!(said.contains("past due") && said.contains("no check is on record"), "{said}");
    story.ok(check("M-2", "calibration", serde_json::json!({ "good": true })));
    // OIML R 111-1: 1 kg M2 is ± 160 mg; a third of 0.2 g is 67 mg.
    let said = story.refused(check("BAL-1", "check mass", found));
    assert!(said.contains("more than a third"), "{said}");
    let bad = [
        (serde_json::json!({ "with": "M-1", "value": "1000.0" }), "zero-after"),
        (serde_json::json!({ "value": "1000.0", "zero": "0.0", "zero-after": "0" }), "name the check mass"),
        (
            serde_json::json!({ "with": "BAL-1", "value": "1000.0", "zero": "0.0", "zero-after": "0" }),
            "itself",
        ),
        (
            serde_json::json!({ "with": "M-9", "value": "1000.0", "zero": "0.0", "zero-after": "0" }),
            "no item of equipment `M-9`",
        ),
        (
            serde_json::json!({ "with": "M-1", "value": "1000,0", "zero": "0.0", "zero-after": "0" }),
            "is no number",
        ),
        (
            serde_json::json!({ "with": "M-1", "value": "1000", "unit": "mm", "zero": "0.0", "zero-after": "0" }),
            "limits in g",
        ),
        (serde_json::json!({ "with": "M-1", "zero": "0.0", "zero-after": "0" }), "no stable mass"),
    ];
    for (found, wanted) in bad {
        let said = story.refused(check("BAL-1", "check mass", found));
        assert!(said.contains(wanted), "{wanted}: {said}");
    }
}

#[test]
fn what_is_past_its_date_marks_each_specimen_that_uses_it_from_then_on() {
    let mut story = story();
    item(&mut story, "SHK-1", "shaker", serde_json::json!({}));
    for (name, found) in [
        ("rate", serde_json::json!({ "cycles": 175, "seconds": "60.0" })),
        ("throw", serde_json::json!({ "value": "203.2" })),
        ("mount", serde_json::json!({ "good": true })),
    ] {
        story.ok(check("SHK-1", name, found));
    }
    let sample = story.sample("S", 2);
    let first = story.specimen(sample, 1);
    story.run_to_line(first, 10.0);
    assert_eq!(codes(&story, first), []);
    let used = &story.bench.specimens[&first].equipment;
    assert_eq!(
        used.iter().map(|u| (u.id.as_str(), u.step.as_str(), u.state)).collect::<Vec<_>>(),
        [("SHK-1", "shake", State::Good)]
    );
    // The next morning the daily check was forgotten.
    story.to(DAY);
    let second = story.specimen(sample, 2);
    story.run_to_line(second, DAY + 10.0);
    assert_eq!(codes(&story, second), [Code::EquipmentPastDue]);
    assert_eq!(codes(&story, first), [], "what was used before stays as it was");
    let said = &story.deviations(second)[0];
    assert!(said.what.contains("SHK-1") && said.actual.contains("past its date"), "{said:?}");
    story.check_replay();
}

#[test]
fn one_touch_confirms_the_daily_checks_that_were_shown_and_a_failed_one_marks_what_follows() {
    let mut story = story();
    item(&mut story, "IRR-1", "irrigator", serde_json::json!({}));
    item(&mut story, "SIP-1", "siphon", serde_json::json!({}));
    story.ok(check("IRR-1", "holes", serde_json::json!({ "good": true })));
    story.ok(check("SIP-1", "head", serde_json::json!({ "value": "36", "unit": "[in_i]" })));
    let shown = story.bench.daily_checks();
    assert_eq!(shown.len(), 2);
    let said = story.refused(Do::Equipment(Box::new(On::AllInOrder { items: shown[..1].to_vec() })));
    assert!(said.contains("look at it again"), "{said}");
    story.ok(Do::Equipment(Box::new(On::AllInOrder { items: shown })));
    assert_eq!((state(&story, "IRR-1"), state(&story, "SIP-1")), (State::Good, State::Good));
    let said = story.refused(check("IRR-1", "jets", serde_json::json!({ "good": false })));
    assert!(said.contains("say what is not in order"), "{said}");
    story.to(60.0);
    story.ok(check("IRR-1", "jets", serde_json::json!({ "good": false, "note": "one hole blocked" })));
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 100.0);
    assert_eq!(codes(&story, specimen), [Code::EquipmentFailed]);
    story.check_replay();
}

#[test]
fn only_the_cylinder_of_the_place_is_used_and_what_is_out_of_use_says_so() {
    let mut story = story();
    for (id, place) in [("CYL-1", 1), ("CYL-2", 2)] {
        item(&mut story, id, "cylinder", serde_json::json!({ "place": place }));
        story.ok(check(id, "scale", serde_json::json!({ "value": "381.0" })));
        story.ok(check(id, "bore", serde_json::json!({ "value": "1.25", "unit": "[in_i]" })));
        story.ok(check(id, "whole", serde_json::json!({ "good": true })));
    }
    story.ok(on(serde_json::json!({ "what": "take-out-of-use", "item": "CYL-2", "reason": "cracked" })));
    let sample = story.sample("S", 2);
    let (one, two) = (story.specimen(sample, 1), story.specimen(sample, 2));
    story.mark(one, "first fill", Edge::Done);
    story.mark(two, "first fill", Edge::Done);
    let ids =
        |id: Uuid| story.bench.specimens[&id].equipment.iter().map(|u| u.id.clone()).collect::<Vec<_>>();
    assert_eq!((ids(one), ids(two)), (vec!["CYL-1".to_owned()], vec!["CYL-2".to_owned()]));
    assert_eq!((codes(&story, one), codes(&story, two)), (vec![], vec![Code::EquipmentOutOfUse]));
    story.ok(on(serde_json::json!({ "what": "put-back", "item": "CYL-2" })));
    assert_eq!(state(&story, "CYL-2"), State::Good);
}

#[test]
fn the_switch_at_the_shaker_counts_each_run_and_its_rate() {
    for (rate, code) in [(175, vec![]), (170, vec![Code::ShakerRate])] {
        let mut story = story();
        let sample = story.sample("S", 1);
        let specimen = story.specimen(sample, 1);
        story.run_to_line(specimen, 0.0);
        let pulses = u32::try_from(rate * 3 / 4).unwrap();
        let report = SwitchReport::Counted {
            name: "cycles".to_owned(),
            pulses,
            first: at(640 * SECOND + SECOND / 2),
            last: at(640 * SECOND + SECOND / 2 + i64::from(pulses - 1) * 60 * SECOND / rate),
        };
        story.input(What::Switch(report));
        let counted = &story.bench.specimens[&specimen].cycles;
        assert_eq!(counted.len(), 1);
        assert_eq!(
            (counted[0].count, counted[0].rate.value.round().to_string()),
            (pulses - 1, rate.to_string())
        );
        assert_eq!(codes(&story, specimen), code);
        story.check_replay();
    }
}

#[test]
fn a_persons_count_over_the_time_that_the_station_measures_is_a_check_of_the_rate() {
    let mut story = story();
    item(&mut story, "SHK-1", "shaker", serde_json::json!({}));
    let begin = on(serde_json::json!({ "what": "begin-check", "item": "SHK-1", "check": "rate" }));
    story.ok(begin.clone());
    assert!(story.refused(begin).contains("under way"));
    story.to(20.0);
    let said = story.refused(check("SHK-1", "rate", serde_json::json!({ "cycles": 58 })));
    assert!(said.contains("too short"), "{said}");
    story.to(60.0);
    story.ok(check("SHK-1", "rate", serde_json::json!({ "cycles": 178 })));
    let result = story.bench.equipment.items["SHK-1"].checks["rate"].last().unwrap().clone();
    assert!(!result.good && result.value.unwrap().value == "178".parse().unwrap(), "{result:?}");
    assert_eq!(story.bench.equipment.began, None);
}

#[test]
fn tin_foot_probe_and_clock_are_checked_with_what_the_station_reads() {
    let mut story = story();
    weighed(&mut story);
    item(&mut story, "TIN-1", "tin", serde_json::json!({}));
    story.ok(on(serde_json::json!({ "what": "begin-check", "item": "TIN-1", "check": "volume" })));
    story.weigh("31.2");
    story.weigh("116.0");
    let said = story.refused(check("TIN-1", "volume", serde_json::json!({})));
    assert!(said.contains("temperature"), "{said}");
    story.warmth("20.0");
    story.ok(check("TIN-1", "volume", serde_json::json!({})));
    // 84.8 g at 20 °C, where a litre weighs 998.2 g.
    let volume = story.bench.equipment.items["TIN-1"].checks["volume"].last().unwrap().clone();
    assert_eq!((volume.good, volume.value.unwrap().to_string()), (true, "84.95 mL".to_owned()));
    assert_eq!(volume.weighings.len(), 2);
    let said = story.refused(check("TIN-1", "volume", serde_json::json!({ "empty": "90", "value": "80" })));
    assert!(said.contains("not heavier"), "{said}");
    item(&mut story, "FOOT-1", "foot-assembly", serde_json::json!({}));
    story.ok(check("FOOT-1", "mass", serde_json::json!({ "value": "1.0051", "unit": "kg" })));
    assert_eq!(state(&story, "FOOT-1"), State::Failed);
    item(&mut story, "REF-1", "reference-thermometer", serde_json::json!({}));
    story.ok(check("REF-1", "calibration", serde_json::json!({ "good": true, "note": "certificate 7" })));
    item(&mut story, "PRB-1", "probe", serde_json::json!({ "instrument": "probe" }));
    story.ok(check("PRB-1", "reference", serde_json::json!({ "with": "REF-1", "value": "20.25" })));
    let probe = story.bench.equipment.items["PRB-1"].checks["reference"].last().unwrap().clone();
    assert_eq!((probe.good, probe.value.unwrap().to_string()), (true, "0.25 °C".to_owned()));
    assert!(probe.detail.contains("[instruments.probe.correction]"), "{}", probe.detail);
    assert!(probe.detail.contains(r#"offset = "0.25""#), "{}", probe.detail);
    item(&mut story, "CLOCK", "timer", serde_json::json!({}));
    story.ok(check("CLOCK", "network time", serde_json::json!({})));
    assert_eq!(state(&story, "CLOCK"), State::Good);
    story.check_replay();
}

#[test]
fn a_mass_from_a_balance_that_failed_is_no_check_of_anything() {
    let mut story = story();
    weighed(&mut story);
    story.to(5.0);
    let found = serde_json::json!({ "with": "M-1", "value": "1000.4", "zero": "0.0", "zero-after": "0.0" });
    story.ok(check("BAL-1", "check mass", found));
    item(&mut story, "FOOT-1", "foot-assembly", serde_json::json!({}));
    story.ok(on(serde_json::json!({ "what": "begin-check", "item": "FOOT-1", "check": "mass" })));
    story.weigh("1000.0");
    let said = story.refused(check("FOOT-1", "mass", serde_json::json!({})));
    assert!(said.contains("BAL-1") && said.contains("failed"), "{said}");
}

#[test]
fn an_earlier_certificate_is_stated_with_its_date_and_none_goes_before_a_later_one() {
    let mut story = story();
    story.to(400.0 * DAY);
    item(&mut story, "REF-1", "reference-thermometer", serde_json::json!({}));
    let good = check("REF-1", "calibration", serde_json::json!({ "good": true }));
    let thirty_days_ago = 370 * 86_400;
    assert!(matches!(story.act_at(good.clone(), Some(thirty_days_ago)), Outcome::Done { .. }));
    let register = &story.bench.equipment;
    let standing = story.bench.standing(&register.items["REF-1"], &at(story.now_ns));
    assert_eq!(standing.state, State::Good);
    // Twelve months with the 29th of February 2028 in them.
    assert_eq!(standing.due_wall_ns, Some(at((370 + 366) * 86_400 * SECOND).wall_ns));
    let Outcome::Refused { text, .. } = story.act_at(good, Some(thirty_days_ago - 86_400)) else { panic!() };
    assert!(text.contains("before the last result"), "{text}");
    // Eleven of twelve months are over: due soon.
    story.to((370.0 + 340.0) * DAY);
    assert_eq!(state(&story, "REF-1"), State::DueSoon);
    story.to((370.0 + 366.0) * DAY);
    assert_eq!(state(&story, "REF-1"), State::PastDue);
}

#[test]
fn what_cannot_be_is_refused_with_a_sentence_and_changes_nothing() {
    let mut story = story();
    item(&mut story, "SHK-1", "shaker", serde_json::json!({}));
    let bad = [
        (serde_json::json!({ "what": "register", "item": "SHK-1", "kind": "shaker" }), "already"),
        (serde_json::json!({ "what": "register", "item": "a b", "kind": "shaker" }), "letters"),
        (serde_json::json!({ "what": "register", "item": "", "kind": "shaker" }), "letters"),
        (
            serde_json::json!({ "what": "register", "item": "X", "kind": "lathe" }),
            "no kind of equipment `lathe`",
        ),
        (serde_json::json!({ "what": "register", "item": "X", "kind": "cylinder", "place": 99 }), "place 99"),
        (
            serde_json::json!({ "what": "register", "item": "X", "kind": "balance", "instrument": "scale" }),
            "`scale`",
        ),
        (serde_json::json!({ "what": "register", "item": "X", "kind": "balance", "class": "G3" }), "G1, G2"),
        (serde_json::json!({ "what": "register", "item": "X", "kind": "check-mass" }), "nominal"),
        (
            serde_json::json!({ "what": "register", "item": "X", "kind": "check-mass", "class": "M1", "nominal": "750" }),
            "no 750 g",
        ),
        (serde_json::json!({ "what": "change", "item": "Y", "kit": false }), "no item of equipment `Y`"),
        (
            serde_json::json!({ "what": "begin-check", "item": "SHK-1", "check": "noise" }),
            "no check of this kind",
        ),
        (serde_json::json!({ "what": "begin-check", "item": "SHK-1", "check": "throw" }), "needs no begin"),
        (serde_json::json!({ "what": "stop-check" }), "no check is under way"),
        (serde_json::json!({ "what": "put-back", "item": "SHK-1" }), "is in use"),
        (serde_json::json!({ "what": "take-out-of-use", "item": "SHK-1", "reason": " " }), "reason"),
        (
            serde_json::json!({ "what": "check", "item": "SHK-1", "check": "throw" }),
            "enter what was measured",
        ),
        (serde_json::json!({ "what": "check", "item": "SHK-1", "check": "mount" }), "say whether"),
        (
            serde_json::json!({ "what": "check", "item": "SHK-1", "check": "rate", "found": { "cycles": 0 } }),
            "cycles",
        ),
    ];
    for (act, wanted) in bad {
        let said = story.refused(on(act));
        assert!(said.contains(wanted), "{wanted}: {said}");
    }
    let id = story.id();
    let what = on(serde_json::json!({ "what": "put-back", "item": "SHK-1" }));
    let nobody = Act {
        id,
        who: None,
        via: "ask".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what,
    };
    let Outcome::Refused { text, .. } = story.input(What::Act(nobody)) else { panic!() };
    assert!(text.contains("names a person"), "{text}");
}

#[test]
fn the_record_says_what_was_used_and_how_it_stood() {
    let mut story = story();
    item(&mut story, "FOOT-1", "foot-assembly", serde_json::json!({}));
    story.ok(check("FOOT-1", "mass", serde_json::json!({ "value": "1001.3" })));
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10.0);
    story.read(specimen, Level::Clay, "8.0");
    let input = Input { id: story.id(), moment: at(story.now_ns), what: What::Deadline };
    story.read(specimen, Level::Sand, "13.3");
    let head = Head { journal: Uuid::from_u128(9), sequence: 12, link: "ab".repeat(32) };
    let completed = story.events.iter().find(|(e, _)| matches!(e, Event::SpecimenCompleted { .. })).unwrap();
    let document = report::document(&story.bench, &completed.0, &input, &head).unwrap().json;
    let used = &document.pointer("/data/equipment").unwrap()[0];
    assert_eq!(
        (&used["id"], &used["kind"], &used["state"]),
        (&"FOOT-1".into(), &"foot-assembly".into(), &"past-due".into())
    );
    assert!(used["lastGoodCheck"].is_null(), "the daily check was never made: {used}");
    let deviations = document.pointer("/data/deviations").unwrap().as_array().unwrap();
    let past_due = deviations.iter().find(|d| d["code"] == "equipment-past-due").unwrap();
    assert_eq!(past_due["step"], "sand reading");
}

#[test]
fn a_list_from_before_there_was_one_is_empty() {
    let mut whole = serde_json::to_value(Bench::default()).unwrap();
    whole.as_object_mut().unwrap().remove("equipment");
    let bench: Bench = serde_json::from_value(whole).unwrap();
    assert!(!bench.equipment.is_kept());
}
