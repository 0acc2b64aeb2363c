//! What of the kit a specimen uses, when, and by whose requirements; what stays in doubt.

use super::equipment::{DAY, check, codes, item, kinds, on, state};
use super::variants::{sample_of, shipped};
use super::waits::{ADA, asks, weigh_on};
use super::*;
use crate::domain::equipment::{Noting, Register, State};
use crate::domain::reading::InstrumentKind;
use crate::domain::specimen::judge::Code;
use crate::domain::specimen::sample::Preparation;
use serde_json::json;

/// A bench with these methods, the shipped kinds and two balances.
fn bench(methods: &[&str]) -> Story {
    Story::with(|started| {
        started.methods = methods.iter().map(|id| shipped(id)).collect();
        started.equipment = kinds();
        started.instruments =
            [("balance".to_owned(), InstrumentKind::Balance), ("tins".to_owned(), InstrumentKind::Balance)]
                .into();
    })
}

/// Mark, step, seconds after the start and state of everything that the specimen used.
fn used(story: &Story, specimen: Uuid) -> Vec<(String, String, i64, State)> {
    let used = story.bench.specimens[&specimen].equipment.iter();
    used.map(|u| (u.id.clone(), u.step.clone(), (u.moment.boot_ns - at(0).boot_ns) / SECOND, u.state))
        .collect()
}

fn ids(story: &Story, specimen: Uuid) -> Vec<String> {
    used(story, specimen).into_iter().map(|(id, ..)| id).collect()
}

/// Shaker, irrigator, foot, siphon, tin, straight-edge, a cylinder and the clock, none ever checked.
fn whole_kit(story: &mut Story) {
    for (id, kind) in [
        ("CLOCK", "timer"),
        ("CYL", "cylinder"),
        ("EDGE", "straight-edge"),
        ("FOOT", "foot-assembly"),
        ("IRR", "irrigator"),
        ("SHK", "shaker"),
        ("SIP", "siphon"),
        ("TIN", "tin"),
    ] {
        item(story, id, kind, json!({}));
    }
}

fn shaker(story: &mut Story, cycles: u32, seconds: &str) {
    item(story, "SHK", "shaker", json!({}));
    for (name, found) in [
        ("rate", json!({ "cycles": cycles, "seconds": seconds })),
        ("throw", json!({ "value": "203" })),
        ("mount", json!({ "good": true })),
    ] {
        story.ok(check("SHK", name, found));
    }
}

/// All methods are loaded, as the folder is copied; the laboratory works by one. 173.5 cycles a minute
/// keep T 176 (175 ± 2) and not EN 933-8 (90 in 30 ± 1 s).
#[test]
fn a_specimen_deviates_by_the_requirement_of_its_own_method_alone() {
    let mut story = bench(&["aashto-t176-mechanical", "en-933-8"]);
    shaker(&mut story, 347, "120");
    assert_eq!(state(&story, "SHK"), State::Good, "it is right by a method in use");
    let result = story.bench.equipment.items["SHK"].checks["rate"].last().unwrap().clone();
    assert!(result.detail.contains("good by AASHTO T 176, not by EN 933-8"), "{}", result.detail);
    let ours = story.sample("S", 1);
    let one = story.specimen(ours, 1);
    story.run_to_line(one, 10.0);
    assert_eq!(codes(&story, one), []);
    let theirs = sample_of(&mut story, "en-933-8", "E");
    let two = story.specimen(theirs, 2);
    story.to(3000.0).mark(two, "first fill", Edge::Done);
    story.to(3030.0).mark(two, "soak", Edge::Begin);
    story.to(3630.0).mark(two, "shake", Edge::Begin);
    let failed: Vec<_> =
        story.deviations(two).into_iter().filter(|d| d.code == Code::EquipmentFailed).collect();
    assert_eq!(failed.len(), 1, "{failed:?}");
    assert!(failed[0].actual.contains("EN 933-8 requires 174.2 to 186.2"), "{}", failed[0].actual);
    story.check_replay();
}

#[test]
fn an_item_that_no_method_in_use_lets_pass_has_failed() {
    let mut story = bench(&["aashto-t176-mechanical", "aashto-t176-without-shaker", "en-933-8"]);
    shaker(&mut story, 160, "60");
    assert_eq!(state(&story, "SHK"), State::Failed, "that one needs no shaker is no excuse");
}

#[test]
fn a_bench_is_not_asked_for_checks_that_none_of_its_methods_requires() {
    let found = |method: &str, check_name: &str, value: &str| {
        let mut story = bench(&[method]);
        item(&mut story, "SIP", "siphon", json!({}));
        story.ok(check("SIP", check_name, json!({ "value": value })));
        story.ok(check("SIP", "clean", json!({ "good": true })));
        state(&story, "SIP")
    };
    assert_eq!(found("aashto-t176-mechanical", "head", "915"), State::Good);
    assert_eq!(found("caltrans-ct217-mechanical", "level", "1100"), State::Good);
    assert_eq!(found("caltrans-ct217-mechanical", "level", "900"), State::Failed);
    assert_eq!(found("caltrans-ct217-mechanical", "head", "915"), State::PastDue, "its level is not known");
    assert_eq!(found("en-933-8", "head", "1000"), State::Good);
}

#[test]
fn a_specimen_uses_only_what_its_method_has_a_step_for() {
    use Edge::{Begin, Done, End};
    let coarse = &[("fill", Done), ("mix", Begin), ("mix", End)][..];
    for (method, marks, wanted) in [
        ("aashto-t210-coarse", coarse, &["CLOCK", "CYL"][..]),
        ("caltrans-ct227-cleanness", coarse, &["CLOCK", "CYL"]),
        (
            "aashto-t176-without-shaker",
            &[
                ("tin", Done),
                ("first fill", Done),
                ("soak", Begin),
                ("shake", Begin),
                ("shake", End),
                ("irrigate", Begin),
            ],
            &["EDGE", "TIN", "CLOCK", "CYL", "SIP", "IRR"],
        ),
        (
            "en-933-8-by-hand",
            &[("first fill", Done), ("soak", Begin), ("shake", Begin), ("shake", End), ("irrigate", End)],
            &["CLOCK", "CYL", "SIP", "IRR"],
        ),
        (
            "en-933-8",
            &[("first fill", Done), ("soak", Begin), ("shake", Begin)],
            &["CLOCK", "CYL", "SIP", "SHK"],
        ),
    ] {
        let mut story = bench(&[method]);
        whole_kit(&mut story);
        let sample = sample_of(&mut story, method, "S");
        let specimen = story.specimen(sample, 1);
        let mut after = 0.0;
        for (step, edge) in marks {
            after += 20.0;
            story.to(after).mark(specimen, step, *edge);
        }
        assert_eq!(ids(&story, specimen), wanted, "{method}");
        story.check_replay();
    }
}

#[test]
fn a_cylinder_of_a_method_with_other_steps_is_used_from_the_first_instant_on() {
    let mut method = (*shipped("aashto-t176-mechanical")).clone();
    for step in method.steps.iter_mut().filter(|step| step.name == "first fill") {
        step.name = "primer llenado".to_owned();
    }
    method.temperature.from = "primer llenado".to_owned();
    let mut story = Story::with(|started| {
        started.methods = vec![Arc::new(method)];
        started.equipment = kinds();
    });
    whole_kit(&mut story);
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.mark(specimen, "primer llenado", Edge::Done);
    assert_eq!(ids(&story, specimen), ["CYL"]);
}

/// Monday: the balance is past due when the portion is weighed. Tuesday: it is found good, then the
/// first fill. The record must say how it stood on Monday.
#[test]
fn a_balance_stands_as_it_stood_when_it_weighed_and_only_the_one_that_did() {
    let mut story = bench(&["aashto-t176-mechanical"]);
    item(&mut story, "M", "check-mass", json!({ "class": "F2", "nominal": "1000" }));
    story.ok(check("M", "calibration", json!({ "good": true })));
    item(&mut story, "BAL-1", "balance", json!({ "class": "G2", "instrument": "balance" }));
    item(&mut story, "BAL-2", "balance", json!({ "class": "G2", "instrument": "tins" }));
    item(&mut story, "OVEN", "oven", json!({}));
    item(&mut story, "SIEVE", "sieve", json!({}));
    let good = json!({ "with": "M", "zero": "0.0", "value": "1000.1", "zero-after": "0.0" });
    let sample = story.sample("S", 2);
    story.to(100.0).ok(Do::Prepare { sample, what: Preparation::Sieved });
    story.to(200.0).ok(Do::Prepare { sample, what: Preparation::OvenDried });
    let passing = || Do::AwaitSampleMass { sample, name: "passing".to_owned() };
    asks(ADA).at("balance").does(story.to(300.0), passing());
    weigh_on(&mut story, "balance", "1204.5");
    story.to(DAY);
    for (id, name, found) in [
        ("BAL-1", "check mass", good.clone()),
        ("OVEN", "temperature", json!({ "value": "110" })),
        ("SIEVE", "openings", json!({ "good": true })),
    ] {
        story.ok(check(id, name, found));
    }
    let one = story.specimen(sample, 1);
    story.to(DAY + 60.0).mark(one, "first fill", Edge::Done);
    let monday = [
        ("SIEVE".to_owned(), "sieving".to_owned(), 100, State::PastDue),
        ("OVEN".to_owned(), "drying".to_owned(), 200, State::PastDue),
        ("BAL-1".to_owned(), "weighing".to_owned(), 300, State::PastDue),
    ];
    assert_eq!(used(&story, one), monday);
    assert_eq!(codes(&story, one), [Code::EquipmentPastDue; 3]);
    // The tin of the second specimen is weighed after its first fill, on the other balance.
    let two = story.specimen(sample, 2);
    story.to(DAY + 90.0).mark(two, "first fill", Edge::Done);
    asks(ADA).at("tins").does(story.to(DAY + 100.0), Do::AwaitSpecimenMass { specimen: two });
    weigh_on(&mut story, "tins", "131.2");
    let tin = ("BAL-2".to_owned(), "weighing".to_owned(), 86_500, State::PastDue);
    assert_eq!(used(&story, two), [&monday[..], &[tin]].concat());
    assert_eq!(used(&story, one), monday, "it is not the first one's");
    // What is weighed for the sample now concerns both, on a balance that is in order by now.
    asks(ADA).at("balance").does(&mut story, passing());
    weigh_on(&mut story, "balance", "1204.4");
    let again = ("BAL-1".to_owned(), "weighing".to_owned(), 86_500, State::Good);
    assert!(used(&story, one).contains(&again) && used(&story, two).contains(&again));
    story.check_replay();
}

#[test]
fn a_mass_that_is_placed_afterwards_takes_its_balance_as_it_was_then() {
    let mut story = bench(&["aashto-t176-mechanical"]);
    item(&mut story, "M", "check-mass", json!({ "class": "F2", "nominal": "1000" }));
    story.ok(check("M", "calibration", json!({ "good": true })));
    item(&mut story, "BAL-1", "balance", json!({ "class": "G2" }));
    let sample = story.sample("S", 1);
    story.to(50.0);
    weigh_on(&mut story, "balance", "131.2");
    story.to(100.0);
    let good = json!({ "with": "M", "zero": "0.0", "value": "1000.1", "zero-after": "0.0" });
    story.ok(check("BAL-1", "check mass", good));
    let specimen = story.specimen(sample, 1);
    let weighing = story.bench.kept_weighings[0].id;
    let target = crate::domain::specimen::Target::Specimen { specimen };
    story.ok(Do::PlaceWeighing { weighing, target });
    assert_eq!(
        used(&story, specimen),
        [("BAL-1".to_owned(), "weighing".to_owned(), 50, State::PastDue)],
        "it was checked only afterwards"
    );
    story.check_replay();
}

#[test]
fn an_item_that_is_checked_while_a_specimen_is_at_work_is_found_on_both_sides_of_the_check() {
    let mut story = bench(&["aashto-t176-mechanical"]);
    item(&mut story, "SIP", "siphon", json!({}));
    story.ok(check("SIP", "head", json!({ "value": "915" })));
    story.ok(check("SIP", "clean", json!({ "good": true })));
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.to(10.0).mark(specimen, "first fill", Edge::Done);
    story.to(30.0).mark(specimen, "soak", Edge::Begin);
    story.to(300.0).ok(check("SIP", "clean", json!({ "good": true })));
    story.to(630.0).mark(specimen, "shake", Edge::Begin);
    story.to(675.0).mark(specimen, "shake", Edge::End);
    story.to(700.0).mark(specimen, "irrigate", Edge::Begin);
    story.to(800.0).mark(specimen, "irrigate", Edge::End);
    let steps: Vec<_> = used(&story, specimen).into_iter().map(|(_, step, ..)| step).collect();
    assert_eq!(steps, ["first fill", "irrigate"], "one entry between two checks");
}

/// From and to of what is in doubt, in days after the start, and whether it is kept.
fn doubts(story: &Story, id: &str) -> Vec<(Option<i64>, Option<i64>, bool)> {
    let item = &story.bench.equipment.items[id];
    let standing = story.bench.standing(item, &at(story.now_ns));
    let day = |wall_ns: i64| (wall_ns - at(0).wall_ns) / (86_400 * SECOND);
    let found = Register::look_back(item, &standing);
    found.iter().map(|d| (d.from_wall_ns.map(day), d.to_wall_ns.map(day), d.kept)).collect()
}

fn jets(story: &mut Story, day: u32, good: bool) {
    story.to(f64::from(day) * DAY);
    let found = json!({ "good": good, "note": if good { "" } else { "one hole blocked" } });
    story.ok(check("IRR", "jets", found));
}

#[test]
fn a_failed_check_stays_in_sight_until_somebody_looked_through_what_it_left_in_doubt() {
    let mut story = bench(&["aashto-t176-mechanical"]);
    item(&mut story, "IRR", "irrigator", json!({}));
    story.ok(check("IRR", "holes", json!({ "good": true })));
    for (day, good) in [(1, true), (2, false), (3, true)] {
        jets(&mut story, day, good);
    }
    for day in 4..30 {
        jets(&mut story, day, true);
    }
    assert_eq!(story.bench.equipment.items["IRR"].checks["jets"].results.len(), 8);
    assert_eq!(doubts(&story, "IRR"), [(Some(1), Some(3), true)], "26 good results later");
    jets(&mut story, 30, false);
    assert_eq!(doubts(&story, "IRR"), [(Some(1), Some(3), true), (Some(29), None, true)]);
    let through = |day: i64| {
        let from = at(day * 86_400 * SECOND).wall_ns / 1_000_000;
        on(
            json!({ "what": "looked-through", "item": "IRR", "check": "jets", "from-ms": from, "note": "two repeated" }),
        )
    };
    let said = story.refused(through(2));
    assert!(said.contains("nothing is in doubt"), "{said}");
    story.ok(through(1));
    assert_eq!(doubts(&story, "IRR"), [(Some(29), None, true)]);
    // Looked through while it is still open: it does not come back when the item is good again.
    story.ok(through(29));
    assert_eq!(doubts(&story, "IRR"), []);
    jets(&mut story, 31, true);
    assert_eq!(doubts(&story, "IRR"), []);
    story.check_replay();
}

#[test]
fn a_time_past_due_stays_in_sight_where_a_specimen_fell_into_it() {
    let mut story = bench(&["aashto-t176-mechanical"]);
    item(&mut story, "IRR", "irrigator", json!({}));
    story.ok(check("IRR", "holes", json!({ "good": true })));
    jets(&mut story, 1, true);
    // Nobody used it on the second day before its check.
    story.to(1.9 * DAY);
    assert_eq!(doubts(&story, "IRR"), [(Some(1), None, false)]);
    jets(&mut story, 2, true);
    assert_eq!(doubts(&story, "IRR"), []);
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 3.0 * DAY);
    assert_eq!(codes(&story, specimen), [Code::EquipmentPastDue]);
    jets(&mut story, 4, true);
    assert_eq!(doubts(&story, "IRR"), [(Some(2), Some(4), true)]);
    story.check_replay();
}

#[test]
fn many_doubts_are_drawn_together_and_none_is_lost() {
    let mut story = bench(&["aashto-t176-mechanical"]);
    item(&mut story, "IRR", "irrigator", json!({}));
    story.ok(check("IRR", "holes", json!({ "good": true })));
    for day in 0..80 {
        jets(&mut story, day, day % 2 == 0);
    }
    let found = doubts(&story, "IRR");
    assert_eq!(found.len(), 16);
    assert_eq!((found[0].0, found[15]), (Some(0), (Some(78), None, true)));
    for pair in found.windows(2) {
        assert_eq!(pair[0].1, pair[1].0, "no day between two is left out: {found:?}");
    }
}

#[test]
fn a_check_that_is_no_longer_right_by_one_standard_leaves_that_ones_tests_in_doubt() {
    let mut story = bench(&["aashto-t176-mechanical", "en-933-8"]);
    shaker(&mut story, 175, "60");
    story.to(DAY).ok(check("SHK", "rate", json!({ "cycles": 347, "seconds": "120" })));
    let kept = |story: &Story| {
        let item = &story.bench.equipment.items["SHK"];
        let found = Register::look_back(item, &story.bench.standing(item, &at(story.now_ns)));
        found
            .into_iter()
            .filter(|d| d.kept)
            .map(|d| (d.standards, d.to_wall_ns.is_some()))
            .collect::<Vec<_>>()
    };
    assert_eq!(kept(&story), [(vec!["EN 933-8".to_owned()], false)]);
    story.to(2.0 * DAY).ok(check("SHK", "rate", json!({ "cycles": 175, "seconds": "60" })));
    assert_eq!(kept(&story), [(vec!["EN 933-8".to_owned()], true)]);
}

/// A state from before doubts were kept shows those of its results.
#[test]
fn an_older_list_shows_what_its_results_show() {
    let mut story = bench(&["aashto-t176-mechanical"]);
    item(&mut story, "IRR", "irrigator", json!({}));
    story.ok(check("IRR", "holes", json!({ "good": true })));
    for (day, good) in [(1, true), (2, false), (3, true)] {
        jets(&mut story, day, good);
    }
    let mut whole = serde_json::to_value(&story.bench).unwrap();
    for check in ["holes", "jets"] {
        let kept = whole.pointer_mut(&format!("/equipment/items/IRR/checks/{check}")).unwrap();
        assert!(kept.as_object_mut().unwrap().remove("doubts").is_some());
    }
    story.bench = serde_json::from_value(whole).unwrap();
    assert_eq!(doubts(&story, "IRR")[0], (Some(1), Some(3), true));
    jets(&mut story, 4, true);
    assert_eq!(doubts(&story, "IRR"), [(Some(1), Some(3), true)]);
}

/// Journals hold kinds from before uses were noted as they are done: what they made is made again.
#[test]
fn a_journal_of_before_is_replayed_as_it_was_noted_then() {
    let mut old = kinds();
    for kind in &mut old {
        (kind.noting, kind.machine, kind.specimen) = (Noting::Once, None, None);
        if kind.stands_at_place || kind.kind == "timer" {
            kind.used_at = vec!["first fill".to_owned()];
        }
    }
    let mut story = Story::with(|started| {
        started.methods = vec![shipped("aashto-t210-coarse")];
        started.equipment = old;
    });
    whole_kit(&mut story);
    let sample = sample_of(&mut story, "aashto-t210-coarse", "S");
    let specimen = story.specimen(sample, 1);
    story.mark(specimen, "fill", Edge::Done);
    assert_eq!(ids(&story, specimen), ["CLOCK", "CYL", "EDGE", "FOOT", "IRR", "SHK", "SIP", "TIN"]);
    story.check_replay();
    assert!(kinds().iter().all(|kind| kind.noting == Noting::AsDone), "files come with the newer way");
}
