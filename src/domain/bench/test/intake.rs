//! A bag with all that is known of it, a mistake in that, and the scanner.

use super::*;
use crate::domain::intake::{Act, Limit, Particulars, code};
use crate::domain::report::DocumentKind;

/// Everything that can be said of an invented bag.
pub(super) fn all() -> Particulars {
    let said = |text: &str| Some(text.to_owned());
    Particulars {
        identifier: said("NL-26-0417"),
        project: said("North road, section 3"),
        lot: said("12"),
        quantity: said("500 t"),
        material: said("crushed sand 0/4"),
        source: said("Upper pit"),
        sampled_by: said("Ben Hall"),
        sampled_where: said("belt 2"),
        sampled_at: said("2025-11-24T07:30"),
        intended_use: said("asphalt base course"),
        limit: Some(Limit {
            at_least: "45".parse().unwrap(),
            specification: "Section 3 contract".to_owned(),
        }),
        brought_by: said("Cleo Marsh"),
        brought_at: said("2025-11-24T10:05"),
    }
}

fn register(label: &str, particulars: Particulars) -> Do {
    Do::RegisterSample {
        label: label.to_owned(),
        method: "aashto-t176-mechanical".to_owned(),
        specimens: Some(2),
        particulars: Some(Box::new(particulars)),
    }
}

fn correct(sample: Uuid, particulars: Particulars, version: Option<u32>) -> Do {
    let reason = "the delivery note says so".to_owned();
    Do::Intake(Act::CorrectParticulars { sample, particulars: Box::new(particulars), reason, version })
}

fn find(scan: &str) -> Do {
    Do::Intake(Act::Find { scan: scan.to_owned() })
}

/// A bag is registered with all that is known and tested, and then its lot is corrected.
pub(super) fn whole_story() -> Story {
    let mut story = Story::new();
    let sample = story.ok(register("S-17", all()));
    story.ok(Do::PlanSpecimens { sample, specimens: 1 });
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 1.0);
    story.read(specimen, Level::Clay, "7.95");
    story.read(specimen, Level::Sand, "13.22");
    story.ok(correct(sample, Particulars { lot: Some("13".to_owned()), ..all() }, Some(1)));
    story
}

#[test]
fn what_came_with_the_bag_is_in_record_and_result_and_its_correction_makes_new_versions_of_both() {
    let story = whole_story();
    for kind in [DocumentKind::Record, DocumentKind::Result] {
        let documents = amended::documents(&story, kind);
        let [first, second] = documents.as_slice() else { panic!("{kind:?}: {}", documents.len()) };
        assert!(first["dataschema"].as_str().unwrap().ends_with("/1.2.0"), "{}", first["dataschema"]);
        let said = |document: &serde_json::Value| document["data"]["sample"]["particulars"].clone();
        assert_eq!((&said(first)["lot"], &said(second)["lot"]), (&"12".into(), &"13".into()));
        assert_eq!(said(first)["sampledBy"], "Ben Hall");
        assert_eq!(said(first)["limit"]["atLeast"], "45");
        assert_eq!(second["data"]["version"], 2);
        assert_eq!(second["data"]["replaces"]["id"], first["id"]);
        let change = second["data"]["changes"].as_array().unwrap().last().unwrap();
        assert_eq!(change["kind"], "particulars-corrected");
        assert_eq!((&change["from"]["lot"], &change["to"]["lot"]), (&"12".into(), &"13".into()));
        assert_eq!(change["reason"], "the delivery note says so");
        assert_eq!(second["data"]["result"], first["data"]["result"]);
    }
    story.check_replay();
}

#[test]
fn what_was_said_first_stays_beside_its_correction() {
    let story = whole_story();
    let sample = story.bench.samples.values().next().unwrap();
    assert_eq!(sample.intake.particulars.lot.as_deref(), Some("13"));
    let [correction] = sample.intake.corrections.as_slice() else { panic!("one correction") };
    assert_eq!(correction.before, all());
    assert_eq!(correction.marked.by.person.as_deref(), Some("Ada Brook"));
    assert_eq!(correction.reason, "the delivery note says so");
    let last = story.bench.intake.last.back().unwrap();
    assert_eq!((last.label.as_str(), last.particulars.lot.as_deref()), ("S-17", Some("13")));
}

#[test]
fn a_bag_with_only_a_label_is_registered_as_before() {
    let mut story = Story::new();
    let empty = Particulars { project: Some("  ".to_owned()), ..Particulars::default() };
    story.ok(register("S-1", empty));
    let (event, _) = story.events.iter().find(|(e, _)| e.kind() == "sample-registered").unwrap();
    assert!(!serde_json::to_string(event).unwrap().contains("particulars"));
    assert!(story.bench.intake.last.is_empty());
}

#[test]
fn a_bag_with_a_bad_particular_is_not_registered_and_the_field_is_named() {
    let mut story = Story::new();
    for (particulars, word) in [
        (Particulars { identifier: Some("Süd 7".to_owned()), ..all() }, "identifier"),
        (Particulars { sampled_at: Some("yesterday".to_owned()), ..all() }, "sampled-at"),
        (Particulars { quantity: Some("x".repeat(81)), ..all() }, "quantity"),
    ] {
        let text = story.refused(register("S-2", particulars));
        assert!(text.starts_with(word), "{text}");
    }
    assert!(story.bench.samples.is_empty());
}

#[test]
fn two_bags_at_work_do_not_share_an_identifier() {
    let mut story = Story::new();
    story.ok(register("S-1", all()));
    let text = story.refused(register("S-2", all()));
    assert!(text.contains("NL-26-0417") && text.contains("S-1"), "{text}");
    let other = story.ok(register("S-2", Particulars { identifier: None, ..all() }));
    let text = story.refused(correct(other, all(), None));
    assert!(text.contains("belongs to sample S-1"), "{text}");
}

#[test]
fn a_correction_names_a_person_and_a_reason_and_changes_something() {
    let mut story = Story::new();
    let sample = story.ok(register("S-1", all()));
    let text = story.refused(correct(sample, all(), None));
    assert!(text.contains("so already"), "{text}");
    let new = Particulars { lot: None, ..all() };
    let nobody = story.input(What::Act(super::Act {
        id: Uuid::from_u128(7),
        who: None,
        via: "ask".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: correct(sample, new.clone(), None),
    }));
    assert!(
        matches!(&nobody, Outcome::Refused { text, .. } if text.contains("names a person")),
        "{nobody:?}"
    );
    let reason = " \n".to_owned();
    let particulars = Box::new(new);
    let mute = Do::Intake(Act::CorrectParticulars { sample, particulars, reason, version: None });
    let text = story.refused(mute);
    assert!(text.starts_with("reason"), "{text}");
    assert!(story.bench.samples[&sample].intake.corrections.is_empty());
}

#[test]
fn the_second_of_two_people_is_told_that_the_first_corrected() {
    let mut story = Story::new();
    let sample = story.ok(register("S-1", all()));
    story.ok(correct(sample, Particulars { lot: Some("13".to_owned()), ..all() }, Some(1)));
    let text = story.refused(correct(sample, Particulars { lot: Some("14".to_owned()), ..all() }, Some(1)));
    assert!(text.contains("the particulars were corrected, by Ada Brook"), "{text}");
    assert_eq!(story.bench.samples[&sample].intake.particulars.lot.as_deref(), Some("13"));
}

#[test]
fn the_scanner_finds_a_sample_by_its_code_its_identifier_and_its_label_and_a_tin_by_its_code() {
    let mut story = Story::new();
    let one = story.ok(register("S-1", all()));
    let two = story.ok(register("S-2", Particulars::default()));
    let tin = story.specimen(two, 4);
    for (scan, sample, words) in [
        (code::digits(one), one, "sample S-1: 0 of 2"),
        (one.to_string(), one, "sample S-1"),
        ("NL-26-0417".to_owned(), one, "sample S-1"),
        (" S-2\r".trim_end_matches('\r').to_owned(), two, "sample S-2"),
        (code::digits(tin), two, "S-2-1 at place 4, of sample S-2"),
    ] {
        let outcome = story.act(find(&scan));
        let Outcome::Done { note, made } = outcome else { panic!("{scan}: {outcome:?}") };
        assert_eq!(made, Some(sample), "{scan}");
        assert!(note.starts_with(words), "{note}");
    }
}

#[test]
fn a_scan_that_is_nobodys_says_so_and_what_there_is() {
    let mut story = Story::new();
    story.ok(register("S-1", all()));
    let text = story.refused(find("4006381333931"));
    assert!(text.contains("`4006381333931`") && text.contains("S-1"), "{text}");
    for scan in ["", "two\nlines", &"x".repeat(81)] {
        assert!(story.refused(find(scan)).starts_with("scan"), "{scan:?}");
    }
}
