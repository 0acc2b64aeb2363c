//! No line at twenty minutes, and none at thirty.

use super::*;
use crate::domain::quality::{Why, counting};
use crate::domain::specimen::judge::Code;

/// Fills at `start` seconds and keeps everything; the sedimentation begins 800 s later.
fn settling(story: &mut Story, specimen: Uuid, start: f64) -> f64 {
    story.to(start).mark(specimen, "first fill", Edge::Done);
    story.to(start + 30.0).mark(specimen, "soak", Edge::Begin);
    story.to(start + 630.0).mark(specimen, "loosen", Edge::Begin);
    story.to(start + 640.0).mark(specimen, "shake", Edge::Begin);
    story.to(start + 685.0).mark(specimen, "shake", Edge::End);
    story.to(start + 800.0).mark(specimen, "irrigate", Edge::End);
    start + 800.0
}

fn read(story: &mut Story, specimen: Uuid, clay: &str, sand: &str) {
    story.read(specimen, Level::Clay, clay);
    story.read(specimen, Level::Sand, sand);
}

/// One specimen that has no line after thirty minutes.
pub(super) fn without_a_line() -> (Story, Uuid, Uuid, f64) {
    let mut story = Story::new();
    let sample = story.sample("L", 1);
    let specimen = story.specimen(sample, 1);
    let begun = settling(&mut story, specimen, 0.0);
    story.to(begun + 1200.0).ok(Do::NoLineYet { specimen });
    (story, sample, specimen, begun)
}

fn called(story: &Story) -> usize {
    story.events.iter().filter(|(e, _)| matches!(e, Event::RepeatCalledFor { .. })).count()
}

/// The three new specimens, filled one after the other and settled in so many seconds each.
fn three_new(story: &mut Story, sample: Uuid, took: [f64; 3]) -> Vec<Uuid> {
    let new: Vec<Uuid> = (2..5).map(|place| story.specimen(sample, place)).collect();
    for (specimen, took) in new.iter().zip(took) {
        #[expect(clippy::cast_precision_loss, reason = "whole seconds in a test")]
        let now = (story.now_ns / SECOND) as f64;
        let begun = settling(story, *specimen, now + 10.0);
        if took > 1215.0 {
            story.to(begun + 1200.0).ok(Do::NoLineYet { specimen: *specimen });
        }
        story.to(begun + took).mark(*specimen, "sedimentation", Edge::End);
    }
    new
}

#[test]
fn a_line_within_thirty_minutes_calls_for_nothing_and_is_no_deviation() {
    let (mut story, sample, specimen, begun) = without_a_line();
    // Thirty minutes in all, to the tenth of a second: class hand-outs on D2419 and T 176.
    story.to(begun + 1800.04).mark(specimen, "sedimentation", Edge::End);
    read(&mut story, specimen, "8.0", "13.3");
    assert_eq!((called(&story), story.deviations(specimen)), (0, vec![]));
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("42"));
    story.check_replay();
}

#[test]
fn beyond_thirty_minutes_three_new_specimens_are_called_for_at_that_instant() {
    let (mut story, sample, specimen, begun) = without_a_line();
    story.to(begun + 1800.0);
    assert_eq!(called(&story), 0);
    story.to(begun + 1801.0);
    assert_eq!(called(&story), 1);
    let known = story.bench.samples[&sample].repeat.clone().unwrap();
    // Three, from memory: AASHTO T 176, procedure.
    assert_eq!((known.specimens, known.wanted(0), known.group.len()), (3, 3, 0));
    assert_eq!(known.called_by[0].label, "L-1");
    // Nobody is stopped: a line may still be read, and 'no line' said again.
    let Outcome::Done { note, .. } = story.to(begun + 1900.0).act(Do::NoLineYet { specimen }) else {
        panic!()
    };
    assert!(note.contains("3 new specimens"), "{note}");
    story.to(begun + 2000.0).mark(specimen, "sedimentation", Edge::End);
    read(&mut story, specimen, "8.0", "13.3");
    assert_eq!(story.deviations(specimen)[0].code, Code::IntervalOver);
    assert_eq!(story.bench.samples[&sample].reported, None, "it does not count by itself");
    assert_eq!(called(&story), 1);
    story.check_replay();
}

#[test]
fn of_the_three_both_readings_of_the_soonest_are_the_result_and_nothing_is_averaged() {
    let (mut story, sample, late, begun) = without_a_line();
    story.to(begun + 1900.0).mark(late, "sedimentation", Edge::End);
    read(&mut story, late, "9.0", "13.0");
    let new = three_new(&mut story, sample, [1500.0, 1310.0, 1700.0]);
    read(&mut story, new[0], "8.0", "13.3"); // 42
    read(&mut story, new[2], "10.0", "13.3"); // 33
    assert_eq!(story.bench.samples[&sample].reported, None, "two of three");
    // 100 x 3.3 / 9.0 = 36.7, raised to 37: T 176's rule on this one pair.
    read(&mut story, new[1], "9.0", "13.3");
    let known = &story.bench.samples[&sample];
    assert_eq!(known.reported.as_deref(), Some("37"));
    let counting = counting(known);
    let ids = |list: &[&crate::domain::specimen::sample::Counted]| -> Vec<Uuid> {
        list.iter().map(|c| c.specimen).collect()
    };
    assert_eq!((ids(&counting.counts), counting.certain), (vec![new[1]], true));
    let why: Vec<(Uuid, Why)> = counting.others.iter().map(|(c, why)| (c.specimen, *why)).collect();
    let soonest = Why::NotTheSoonest;
    assert_eq!(why, [(late, Why::NoLineInTime), (new[0], soonest), (new[2], soonest)]);
    story.check_replay();
}

#[test]
fn the_three_have_no_longest_time_and_call_for_no_more() {
    let (mut story, sample, _, begun) = without_a_line();
    story.to(begun + 1801.0);
    let new = three_new(&mut story, sample, [2400.0, 2000.0, 2100.0]);
    for specimen in &new {
        read(&mut story, *specimen, "8.0", "13.3");
    }
    assert_eq!(called(&story), 1);
    assert_eq!(counting(&story.bench.samples[&sample]).counts[0].specimen, new[1]);
    story.check_replay();
}

#[test]
fn a_new_one_that_is_given_up_takes_another_in_its_stead() {
    let (mut story, sample, _, begun) = without_a_line();
    story.to(begun + 1801.0);
    let new = three_new(&mut story, sample, [1300.0, 1400.0, 1500.0]);
    story.ok(Do::VoidSpecimen { specimen: new[0], reason: "spilled".to_owned() });
    read(&mut story, new[1], "8.0", "13.3");
    read(&mut story, new[2], "9.0", "13.3");
    assert_eq!(story.bench.samples[&sample].reported, None);
    assert_eq!(story.bench.samples[&sample].wanted(), 3);
    let another = story.specimen(sample, 6);
    #[expect(clippy::cast_precision_loss, reason = "whole seconds in a test")]
    let now = (story.now_ns / SECOND) as f64;
    let begun = settling(&mut story, another, now);
    story.to(begun + 1200.0).mark(another, "sedimentation", Edge::End);
    read(&mut story, another, "9.6", "14.2");
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("44"), "it settled soonest");
    story.check_replay();
}

#[test]
fn a_line_that_is_stated_to_have_been_read_in_time_takes_the_call_back() {
    let (mut story, sample, specimen, begun) = without_a_line();
    story.to(begun + 1900.0);
    assert!(story.bench.samples[&sample].repeat.is_some());
    let stated = begun + 1500.0;
    #[expect(clippy::cast_possible_truncation, reason = "whole seconds in a test")]
    let outcome = story.act_at(
        Do::Mark { specimen, step: "sedimentation".to_owned(), edge: Edge::End },
        Some(stated as i64),
    );
    assert!(matches!(outcome, Outcome::Done { .. }), "{outcome:?}");
    assert_eq!(story.bench.samples[&sample].repeat, None);
    read(&mut story, specimen, "8.0", "13.3");
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("42"));
    story.check_replay();
}

#[test]
fn an_overrun_of_which_nobody_said_that_there_was_no_line_calls_for_nothing() {
    let mut story = Story::new();
    let sample = story.sample("L", 1);
    let specimen = story.specimen(sample, 1);
    let begun = settling(&mut story, specimen, 0.0);
    story.to(begun + 2400.0).mark(specimen, "sedimentation", Edge::End);
    assert_eq!(called(&story), 0);
    read(&mut story, specimen, "8.0", "13.3");
    assert_eq!(story.deviations(specimen)[0].code, Code::IntervalOver);
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("42"));
}

#[test]
fn said_only_after_thirty_minutes_it_calls_all_the_same() {
    let mut story = Story::new();
    let sample = story.sample("L", 1);
    let specimen = story.specimen(sample, 1);
    let begun = settling(&mut story, specimen, 0.0);
    let Outcome::Done { note, .. } = story.to(begun + 1850.0).act(Do::NoLineYet { specimen }) else {
        panic!()
    };
    assert!(note.contains("no line in time"), "{note}");
    assert_eq!(called(&story), 1);
    // A specimen that was complete before stands aside: the repeat stands for the sample.
    assert_eq!(story.bench.samples[&sample].wanted(), 3);
    story.check_replay();
}

#[test]
fn one_that_may_have_settled_sooner_leaves_the_choice_uncertain() {
    let (mut story, sample, _, begun) = without_a_line();
    story.to(begun + 1801.0);
    let new: Vec<Uuid> = (2..5).map(|place| story.specimen(sample, place)).collect();
    for (n, specimen) in (0..).zip(&new) {
        let begun = settling(&mut story, *specimen, 3000.0 + 3000.0 * f64::from(n));
        if n == 1 {
            // Nobody pressed at the line: the entry bounds it.
            story.to(begun + 1600.0).read(*specimen, Level::Clay, "8.0");
        } else {
            story.to(begun + 1200.0 + 10.0 * f64::from(n)).mark(*specimen, "sedimentation", Edge::End);
            story.read(*specimen, Level::Clay, "8.0");
        }
        story.read(*specimen, Level::Sand, "13.3");
    }
    let counting = counting(&story.bench.samples[&sample]);
    assert_eq!((counting.counts[0].specimen, counting.certain), (new[0], false));
}

#[test]
fn a_tin_that_had_not_been_begun_is_one_of_the_new_ones_and_one_at_work_is_not() {
    let mut story = Story::new();
    let sample = story.sample("L", 3);
    let specimen = story.specimen(sample, 1);
    let (at_work, waiting) = (story.specimen(sample, 2), story.specimen(sample, 3));
    let begun = settling(&mut story, specimen, 0.0);
    story.mark(at_work, "first fill", Edge::Done);
    story.to(begun + 1200.0).ok(Do::NoLineYet { specimen });
    story.to(begun + 1801.0);
    let repeat = story.bench.samples[&sample].repeat.clone().unwrap();
    assert_eq!((repeat.group, repeat.specimens), (vec![waiting], 3));
    story.check_replay();
}

#[test]
fn a_state_that_was_stored_before_all_this_can_be_read() {
    let (mut story, sample, _, begun) = without_a_line();
    story.ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    story.weigh("1200.0");
    story.to(begun + 1210.0);
    let mut old = serde_json::to_value(&story.bench).unwrap();
    let mut taken = 0;
    forget(&mut old, &mut taken);
    assert!(taken > 10, "{taken}");
    let read: Bench = serde_json::from_value(old).unwrap();
    assert_eq!(read.samples, story.bench.samples);
    assert_eq!(read.specimens, story.bench.specimens);
}

/// Takes out of a stored state what an earlier program did not know.
fn forget(value: &mut serde_json::Value, taken: &mut u32) {
    match value {
        serde_json::Value::Object(fields) => {
            // Of a bench, `places` is how many there are; of a specimen, the list of changes.
            fields.retain(|key, inner| {
                let new = [
                    "notes",
                    "interruption",
                    "earlier_masses",
                    "repeat",
                    "settled",
                    "placed",
                    "undisturbed",
                    "resumed",
                ];
                let keep = !(new.contains(&key.as_str()) || key == "places" && inner.is_array());
                *taken += u32::from(!keep);
                keep
            });
            fields.values_mut().for_each(|inner| forget(inner, taken));
        }
        serde_json::Value::Array(items) => items.iter_mut().for_each(|inner| forget(inner, taken)),
        _ => {}
    }
}
