//! Mistakes on a specimen at work: taken back or corrected, the original kept.

use super::*;
use crate::domain::quantity::Unit;
use crate::domain::specimen::correction::{Corrected, Withdrawn};
use crate::domain::specimen::judge::Code;

fn soaking() -> (Story, Uuid) {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.to(10.0).mark(specimen, "first fill", Edge::Done);
    story.to(40.0).mark(specimen, "soak", Edge::Begin);
    (story, specimen)
}

pub(super) fn withdraw(specimen: Uuid) -> Do {
    Do::WithdrawLast { specimen, together: false, for_another: false, reason: None }
}

fn possible(story: &Story, specimen: Uuid) -> String {
    story.bench.possible_text(&story.bench.specimens[&specimen])
}

#[test]
fn the_last_trigger_is_taken_back_and_stays_in_the_history() {
    let (mut story, specimen) = soaking();
    let before = possible(&story, specimen);
    story.to(300.0).trigger("place-3", Contact::Press); // nothing stands there
    story.mark(specimen, "loosen", Edge::Begin);
    story.to(310.0);
    let correction = story.ok(Do::WithdrawLast {
        specimen,
        together: false,
        for_another: false,
        reason: Some("the foot slipped".to_owned()),
    });
    assert_eq!(correction, Uuid::nil(), "several may be taken back: none is named");
    assert_eq!(possible(&story, specimen), before);
    let s = &story.bench.specimens[&specimen];
    let [kept] = s.corrections.as_slice() else { panic!("{:?}", s.corrections) };
    let Corrected::Withdrawn { what: Withdrawn::Point { mark, .. } } = &kept.what else { panic!() };
    assert_eq!(mark.moment, at(300 * SECOND), "the original stays");
    assert_eq!(kept.reason.as_ref().unwrap().text, "the foot slipped");
    assert_eq!(kept.marked.by.person.as_deref(), Some("Ada Brook"));
    // The soak goes on as if nothing had been: it ends in its window.
    story.to(640.0).mark(specimen, "loosen", Edge::Begin);
    assert_eq!(story.deviations(specimen), []);
    story.check_replay();
}

#[test]
fn an_interval_that_runs_again_is_announced_again() {
    let (mut story, specimen) = soaking();
    story.to(710.0);
    let announced = |story: &Story| {
        story.events.iter().filter(|(e, _)| matches!(e, Event::IntervalAnnounced { .. })).count()
    };
    let before = announced(&story);
    story.mark(specimen, "loosen", Edge::Begin);
    story.ok(withdraw(specimen));
    story.to(715.0);
    assert_eq!(announced(&story), before + 1, "the overrun is said once more, and only that");
    story.check_replay();
}

#[test]
fn taking_back_goes_step_by_step_and_ends_where_nothing_is_marked() {
    let (mut story, specimen) = soaking();
    story.ok(withdraw(specimen));
    story.ok(withdraw(specimen));
    let text = story.refused(withdraw(specimen));
    assert!(text.contains("nothing is marked"), "{text}");
    assert_eq!(story.bench.specimens[&specimen].corrections.len(), 2);
    assert!(!story.bench.is_watching(), "no watch without a first fill");
    story.check_replay();
}

#[test]
fn a_correction_names_a_person_and_is_made_now() {
    let (mut story, specimen) = soaking();
    let id = story.id();
    let nobody = Act {
        id,
        who: None,
        via: "page".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: withdraw(specimen),
    };
    let before = story.bench.clone();
    let Outcome::Refused { text, .. } = story.input(What::Act(nobody)) else { panic!() };
    assert!(text.contains("names a person"), "{text}");
    let Outcome::Refused { text, .. } = story.act_at(withdraw(specimen), Some(39)) else { panic!() };
    assert!(text.contains("stated time"), "{text}");
    let long =
        Do::WithdrawLast { specimen, together: false, for_another: false, reason: Some("x".repeat(201)) };
    assert!(story.refused(long).contains("reason"));
    assert_eq!(story.bench, before);
}

#[test]
fn a_first_fill_that_was_none_is_not_watched() {
    let (mut story, specimen) = soaking();
    story.warmth("30.0");
    story.to(60.0).ok(withdraw(specimen));
    story.ok(withdraw(specimen));
    story.to(95.0).warmth("22.0");
    story.to(100.0).mark(specimen, "first fill", Edge::Done);
    let tally = &story.bench.specimens[&specimen].tally;
    assert_eq!(tally.opened, Some(at(100 * SECOND)));
    assert_eq!(tally.highest.unwrap().value.to_string(), "22.0", "what lay before does not count");
    story.check_replay();
}

#[test]
fn a_clay_reading_taken_back_leaves_no_hole_in_the_watch() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    for ten in 0..=205_i32 {
        story.to(f64::from(10 * ten)).warmth("22.0");
        match ten {
            0 => story.mark(specimen, "first fill", Edge::Done),
            3 => story.mark(specimen, "soak", Edge::Begin),
            63 => story.mark(specimen, "shake", Edge::Begin),
            68 => story.mark(specimen, "shake", Edge::End),
            80 => story.mark(specimen, "irrigate", Edge::End),
            200 => story.mark(specimen, "sedimentation", Edge::End),
            201 => story.read(specimen, Level::Clay, "7.0"),
            _ => {}
        }
    }
    let closed = story.bench.specimens[&specimen].tally.clone();
    assert!(closed.closed);
    story.ok(withdraw(specimen));
    let s = &story.bench.specimens[&specimen];
    assert!(s.clay.is_none() && s.tally.is_open());
    story.read(specimen, Level::Clay, "8.0");
    let s = &story.bench.specimens[&specimen];
    assert_eq!(s.tally.missing_us, 0, "the time in between was counted all along");
    assert!(s.tally.covered_us > closed.covered_us);
    let Corrected::Withdrawn { what: Withdrawn::Reading { reading, .. } } = &s.corrections[0].what else {
        panic!()
    };
    assert_eq!(reading.text, "7.0");
    story.check_replay();
}

/// Two specimens in the shaker, begun by its contact at 600 s.
pub(super) fn two_in_the_shaker() -> (Story, [Uuid; 2]) {
    let mut story = Story::with(|s| s.bench.shaker_holds = 2);
    let sample = story.sample("S", 2);
    let both = [story.specimen(sample, 1), story.specimen(sample, 2)];
    for one in both {
        story.mark(one, "first fill", Edge::Done);
        story.mark(one, "soak", Edge::Begin);
    }
    story.to(600.0).trigger("shaker", Contact::On);
    (story, both)
}

#[test]
fn what_one_contact_marked_on_several_is_taken_back_for_all_in_one_act() {
    let (mut story, [a, b]) = two_in_the_shaker();
    assert_eq!(story.bench.marked_with(a), [b]);
    story.to(603.0).ok(Do::WithdrawLast { specimen: b, together: true, for_another: false, reason: None });
    for one in [a, b] {
        assert_eq!(story.bench.specimens[&one].corrections.len(), 1);
        assert!(possible(&story, one).contains("shake begins"));
    }
    // The run that was none ends without a word, and the next one counts.
    story.to(604.0).trigger("shaker", Contact::Off);
    story.to(610.0).trigger("shaker", Contact::On);
    story.to(655.0).trigger("shaker", Contact::Off);
    assert_eq!((story.deviations(a), story.deviations(b)), (vec![], vec![]));
    assert!(story.bench.presses.is_empty());
    story.check_replay();
}

#[test]
fn several_are_not_taken_back_together_once_one_has_gone_on() {
    let (mut story, [a, b]) = two_in_the_shaker();
    story.to(645.0).mark(a, "shake", Edge::End);
    assert!(story.bench.marked_with(b).is_empty());
    let text =
        story.refused(Do::WithdrawLast { specimen: b, together: true, for_another: false, reason: None });
    assert!(text.contains("gone on"), "{text}");
    story.ok(withdraw(b));
    story.check_replay();
}

#[test]
fn further_runs_and_no_line_notes_are_taken_back_too() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.mark(specimen, "first fill", Edge::Done);
    story.mark(specimen, "soak", Edge::Begin);
    story.to(600.0).trigger("shaker", Contact::On);
    story.to(645.0).trigger("shaker", Contact::Off);
    story.to(650.0).trigger("shaker", Contact::On); // a test run of the empty machine
    story.to(652.0).trigger("shaker", Contact::Off);
    story.ok(withdraw(specimen));
    assert!(story.bench.specimens[&specimen].open_further_run().is_some(), "its end alone: it runs again");
    story.ok(withdraw(specimen));
    assert_eq!(story.deviations(specimen), []);
    story.to(700.0).mark(specimen, "irrigate", Edge::End);
    story.to(700.0 + 1190.0).ok(Do::NoLineYet { specimen });
    story.ok(withdraw(specimen));
    story.to(700.0 + 1300.0).mark(specimen, "sedimentation", Edge::End);
    let codes: Vec<Code> = story.deviations(specimen).iter().map(|d| d.code).collect();
    assert_eq!(codes, [Code::IntervalOver], "without the note the window closed at twenty minutes");
    story.check_replay();
}

#[test]
fn a_time_is_corrected_between_its_neighbours_and_shown_as_stated() {
    let (mut story, specimen) = soaking();
    story.to(640.0).trigger("shaker", Contact::On);
    story.to(670.0).trigger("shaker", Contact::Off); // the foot was on it late: 45 s by the stopwatch
    let correct = Do::CorrectTime { specimen, step: "shake".to_owned(), edge: Edge::Begin, reason: None };
    let refused = |story: &mut Story, s: i64| match story.act_at(correct.clone(), Some(s)) {
        Outcome::Refused { text, .. } => text,
        other => panic!("{other:?}"),
    };
    let before = story.bench.clone();
    assert!(refused(&mut story, 39).contains("before what came before it"));
    assert!(refused(&mut story, 675).contains("future"));
    story.to(680.0);
    assert!(refused(&mut story, 671).contains("after what followed it"));
    assert!(story.refused(correct.clone()).contains("is missing"));
    assert_eq!(story.bench, before);
    assert!(matches!(story.act_at(correct, Some(625)), Outcome::Done { .. }));
    assert_eq!(story.deviations(specimen), []);
    let s = &story.bench.specimens[&specimen];
    let Corrected::Time { from, to, .. } = &s.corrections[0].what else { panic!() };
    assert_eq!((from.moment, from.by.via.as_str()), (at(640 * SECOND), "trigger shaker"));
    assert_eq!((to.moment.stamp, to.moment.doubt_ns), (crate::domain::moment::Stamp::Entered, SECOND));
    assert_eq!(s.corrections[0].reason, None, "pending");
    story.check_replay();
}

#[test]
fn a_corrected_begin_of_the_watch_hides_no_time() {
    let (mut story, specimen) = soaking();
    story.warmth("22.0");
    story.to(50.0).warmth("22.0");
    let fill =
        |s| (Do::CorrectTime { specimen, step: "first fill".to_owned(), edge: Edge::Done, reason: None }, s);
    let (earlier, later) = (fill(4), fill(30));
    let missing = story.bench.specimens[&specimen].tally.missing_us;
    assert!(matches!(story.act_at(earlier.0, Some(earlier.1)), Outcome::Done { .. }));
    let tally = &story.bench.specimens[&specimen].tally;
    assert_eq!(tally.missing_us, missing + 6_000_000, "no reading is known for what was added");
    assert_eq!((tally.moved, tally.opened), (true, Some(at(10 * SECOND))));
    assert!(matches!(story.act_at(later.0, Some(later.1)), Outcome::Done { .. }));
    assert_eq!(story.bench.specimens[&specimen].tally.missing_us, missing + 6_000_000);
    story.check_replay();
}

#[test]
fn somebody_who_saw_an_older_version_is_told_what_happened() {
    let (mut story, specimen) = soaking();
    let seen = story.bench.specimens[&specimen].version;
    story.to(600.0).trigger("shaker", Contact::On);
    story.ok(Do::AwaitSpecimenMass { specimen });
    story.weigh("130.25");
    let id = story.id();
    let act = Act {
        id,
        who: Some("Ben Hill".to_owned()),
        via: "page".to_owned(),
        seen: Some(seen),
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: Do::MarkNext { specimen },
    };
    let Outcome::Refused { refusal: Refusal::Changed { since, version, .. }, text } =
        story.input(What::Act(act))
    else {
        panic!()
    };
    assert_eq!(version, seen + 2);
    assert_eq!(since.iter().map(|t| t.by.as_str()).collect::<Vec<_>>(), ["trigger shaker", "balance"]);
    // 1 790 000 000 s after 1970 is 2026-09-21T14:13:20Z; ten minutes later it is 14:23:20.
    assert!(text.contains("place 1: shake begins, by trigger shaker, 14:23:20 UTC"), "{text}");
    assert!(text.contains("possible now: shake ends"), "{text}");
}

#[test]
fn a_reading_is_corrected_before_the_record_is_made() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 0.0);
    let fix = |value: &str| Do::CorrectReading {
        specimen,
        of: Level::Clay,
        value: value.to_owned(),
        confirmed: false,
        reason: None,
    };
    assert!(story.refused(fix("8.0")).contains("has not been entered"));
    story.read(specimen, Level::Clay, "3.0");
    for (bad, word) in [("3.0", "already"), ("15.2", "clay"), ("abc", "clay")] {
        let text = story.refused(fix(bad));
        assert!(text.contains(word), "{bad}: {text}");
    }
    story.ok(fix("7.95"));
    story.read(specimen, Level::Sand, "13.22");
    let s = &story.bench.specimens[&specimen];
    assert_eq!(s.calculation.unwrap().reported.to_string(), "42");
    assert_eq!(s.record.unwrap().version, 1, "nothing had gone out: the first version shows the correction");
    assert_eq!(story.bench.samples[&sample].result.unwrap().version, 1);
    let unit = story.bench.methods.values().next().unwrap().readings.unit;
    assert_eq!(unit, Unit::Inch);
    story.check_replay();
}

#[test]
fn a_giving_up_is_taken_back_while_the_cylinder_stands_there() {
    let (mut story, specimen) = soaking();
    story.warmth("22.0");
    let sample = story.bench.specimens[&specimen].sample;
    let void = Do::VoidSpecimen { specimen, reason: "the wrong place".to_owned() };
    story.to(60.0).ok(void.clone());
    story.to(61.0).warmth("22.0");
    story.to(70.0).ok(withdraw(specimen));
    let s = &story.bench.specimens[&specimen];
    assert!(s.voided.is_none() && s.tally.is_open());
    assert_eq!(story.bench.samples[&sample].voided_specimens, 0);
    assert!(possible(&story, specimen).contains("loosen begins"));
    story.to(640.0).mark(specimen, "loosen", Edge::Begin);
    assert_eq!(story.deviations(specimen), []);
    // Where the result was made without it, it stays given up.
    let other = story.specimen(sample, 2);
    story.ok(Do::VoidSpecimen { specimen, reason: "spilled".to_owned() });
    story.run_to_line(other, 700.0);
    story.read(other, Level::Clay, "8.0");
    story.read(other, Level::Sand, "13.3");
    assert!(story.refused(withdraw(specimen)).contains("stays given up"));
    story.check_replay();
}

#[test]
fn a_run_on_the_wrong_cylinder_is_given_to_the_right_one_with_its_own_moments() {
    let mut story = Story::new();
    let sample = story.sample("S", 2);
    let [wrong, right] = [story.specimen(sample, 1), story.specimen(sample, 2)];
    story.mark(wrong, "first fill", Edge::Done);
    story.mark(wrong, "soak", Edge::Begin);
    story.mark(right, "first fill", Edge::Done);
    story.to(300.0).mark(right, "soak", Edge::Begin);
    // The second one was clamped in early; the bench took it for the first, which was due.
    story.to(600.0).trigger("shaker", Contact::On);
    story.to(645.0).trigger("shaker", Contact::Off);
    let take = |for_another| Do::WithdrawLast { specimen: wrong, together: false, for_another, reason: None };
    assert!(story.refused(take(true)).contains("began something"), "its end alone is no press");
    story.to(650.0).ok(take(false));
    story.ok(take(true));
    let press = story.bench.presses[0].clone();
    assert_eq!((press.moment, press.ended), (at(600 * SECOND), Some(at(645 * SECOND))));
    assert!(press.why.contains("S-1 (place 1)"), "{}", press.why);
    story.ok(Do::AssignPress { press: press.id, specimens: vec![right] });
    let codes: Vec<Code> = story.deviations(right).iter().map(|d| d.code).collect();
    assert_eq!(codes, [Code::IntervalShort], "its soak was short; its run was kept");
    assert!(possible(&story, wrong).contains("shake begins"));
    story.check_replay();
}

#[test]
fn a_run_that_still_goes_on_ends_at_the_cylinder_that_it_is_given_to() {
    let (mut story, specimen) = soaking();
    story.to(640.0).trigger("shaker", Contact::On);
    story.to(645.0).ok(Do::WithdrawLast { specimen, together: false, for_another: true, reason: None });
    story.to(685.0).trigger("shaker", Contact::Off);
    assert_eq!(story.bench.presses[0].ended, Some(at(685 * SECOND)));
    // What a person marked is no press.
    story.to(690.0).mark(specimen, "loosen", Edge::Begin);
    let text = story.refused(Do::WithdrawLast { specimen, together: false, for_another: true, reason: None });
    assert!(text.contains("press of a switch"), "{text}");
    story.check_replay();
}

#[test]
fn a_state_of_before_there_were_corrections_is_read_and_goes_on() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 0.0);
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    let mut old = serde_json::to_value(&story.bench).unwrap();
    let forget = |value: &mut serde_json::Value, keys: &[&str]| {
        for key in keys {
            value.as_object_mut().unwrap().remove(*key).unwrap_or_else(|| panic!("{key} is not there"));
        }
    };
    forget(&mut old, &["cleared", "closed", "left_unseen", "together"]);
    let one = &mut old["specimens"][specimen.to_string()];
    forget(one, &["history", "corrections", "record", "going_on"]);
    forget(&mut one["tally"], &["opened", "moved"]);
    forget(&mut old["samples"][sample.to_string()], &["result"]);
    story.bench = serde_json::from_value(old).unwrap();
    story.events.clear();
    let fix = Do::CorrectReading {
        specimen,
        of: Level::Sand,
        value: "13.4".to_owned(),
        confirmed: false,
        reason: None,
    };
    story.ok(fix);
    let record = story.bench.specimens[&specimen].record.unwrap();
    assert_eq!((record.version, record.replaces), (2, None), "nobody kept the name of the first one");
    assert_eq!(story.bench.samples[&sample].result.unwrap().version, 2);
    story.mark(specimen, "clean", Edge::Done);
    assert_eq!(story.bench.closed.len(), 1);
}
