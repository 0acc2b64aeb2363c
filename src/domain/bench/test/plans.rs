//! More or fewer specimens than planned, and samples that were registered by mistake.

use super::*;
use crate::domain::specimen::Target;

fn complete(story: &mut Story, sample: Uuid, place: u32, start: f64) -> Uuid {
    let specimen = story.specimen(sample, place);
    story.run_to_line(specimen, start);
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    specimen
}

fn plan(sample: Uuid, specimens: u32) -> Do {
    Do::PlanSpecimens { sample, specimens }
}

#[test]
fn lowering_the_number_to_what_is_complete_makes_the_result() {
    let mut story = Story::new();
    let sample = story.sample("P", 3);
    complete(&mut story, sample, 1, 0.0);
    let at_work = story.specimen(sample, 2);
    let text = story.refused(plan(sample, 1));
    assert!(text.contains("give 2 to 20"), "{text}");
    story.ok(plan(sample, 2));
    assert_eq!(story.bench.samples[&sample].reported, None, "one is at work");
    story.ok(Do::VoidSpecimen { specimen: at_work, reason: "not enough material".to_owned() });
    let Outcome::Done { note, .. } = story.act(plan(sample, 1)) else { panic!() };
    assert!(note.contains("its result is 42"), "{note}");
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("42"));
    let text = story.refused(plan(sample, 4));
    assert!(text.contains("has its result"), "{text}");
    story.check_replay();
}

#[test]
fn raising_the_number_keeps_the_result_waiting() {
    let mut story = Story::new();
    let sample = story.sample("P", 1);
    for wrong in [0, 21] {
        let text = story.refused(plan(sample, wrong));
        assert!(text.contains("give 1 to 20"), "{text}");
    }
    story.ok(plan(sample, 2));
    complete(&mut story, sample, 1, 0.0);
    assert_eq!(story.bench.samples[&sample].reported, None);
    complete(&mut story, sample, 2, 3000.0);
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("42"));
    story.check_replay();
}

#[test]
fn a_finished_sample_without_a_cylinder_leaves_the_bench_with_its_document() {
    let mut story = Story::new();
    let sample = story.sample("P", 2);
    let specimen = complete(&mut story, sample, 1, 0.0);
    story.mark(specimen, "clean", Edge::Done);
    story.ok(plan(sample, 1));
    let document = story.events.iter().find_map(|(e, _)| match e {
        Event::SampleCompleted { document, .. } => Some(*document),
        _ => None,
    });
    let issued = Event::DocumentIssued {
        number: 2,
        document: document.unwrap(),
        kind: "result".to_owned(),
        sha256: String::new(),
    };
    assert!(story.bench.samples.contains_key(&sample), "its document is made of it first");
    story.bench.apply(&issued, &at(story.now_ns));
    assert!(story.bench.samples.is_empty());
}

#[test]
fn a_sample_registered_by_mistake_is_withdrawn_and_its_weighings_are_kept() {
    let mut story = Story::new();
    let (wrong, right) = (story.sample("X", 2), story.sample("Y", 1));
    story.ok(Do::AwaitSampleMass { sample: wrong, name: "passing".to_owned() });
    story.weigh("1250.0");
    let specimen = story.specimen(wrong, 1);
    let withdraw = |reason: &str| Do::WithdrawSample { sample: wrong, reason: reason.to_owned() };
    let text = story.refused(withdraw("twice in the list"));
    assert!(text.contains("X-1 (place 1)") && text.contains("give up"), "{text}");
    story.ok(Do::VoidSpecimen { specimen, reason: "wrong sample".to_owned() });
    let text = story.refused(withdraw(" "));
    assert!(text.contains("reason"), "{text}");
    story.ok(Do::AwaitSampleMass { sample: wrong, name: "passing".to_owned() });
    story.ok(withdraw("twice in the list"));
    assert!(!story.bench.samples.contains_key(&wrong));
    assert!(story.bench.awaited.is_empty());
    let weighing = story.bench.kept_weighings[0].id;
    let target = Target::Sample { sample: right, name: "passing".to_owned() };
    story.ok(Do::PlaceWeighing { weighing, target });
    // The cylinder that was given up is cleaned as any other.
    story.mark(specimen, "clean", Edge::Done);
    assert_eq!(story.bench.at_place(1), None);
    // The label is free again.
    story.sample("X", 1);
    story.check_replay();
}

#[test]
fn a_sample_that_has_something_to_show_stays() {
    let mut story = Story::new();
    let sample = story.sample("X", 2);
    complete(&mut story, sample, 1, 0.0);
    let text = story.refused(Do::WithdrawSample { sample, reason: "a mistake".to_owned() });
    assert!(text.contains("1 specimens of X are complete"), "{text}");
}
