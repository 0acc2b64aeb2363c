//! Edges that nobody saw, and contacts that stand otherwise than the bench thinks.

use super::*;
use crate::domain::specimen::judge::Code;

/// Two specimens: one whose soak is over, one that soaks on. The probe is out, so that its silence is
/// no alarm.
fn bench(change: impl FnOnce(&mut Started)) -> (Story, Uuid, Uuid) {
    let mut story = Story::with(change);
    story.ok(Do::TakeProbeOut);
    let sample = story.sample("S", 2);
    let (a, b) = (story.specimen(sample, 1), story.specimen(sample, 3));
    for (id, start) in [(a, 0.0), (b, 400.0)] {
        story.to(start).mark(id, "first fill", Edge::Done);
        story.mark(id, "soak", Edge::Begin);
    }
    story.to(600.0);
    (story, a, b)
}

fn lost(story: &mut Story, name: &str, since_s: i64) -> String {
    let since = Some(at(since_s * SECOND));
    match story.input(What::Switch(SwitchReport::Lost { name: name.to_owned(), edges: 2, since })) {
        Outcome::Done { note, .. } => note,
        other => panic!("{other:?}"),
    }
}

fn found(story: &mut Story, closed: bool) -> Outcome {
    story.input(What::Switch(SwitchReport::Found { name: "shaker".to_owned(), closed }))
}

/// What the record would say of unseen edges: the step, and what was not seen.
fn unseen(story: &Story, specimen: Uuid) -> Vec<(Option<String>, String)> {
    let all = story.deviations(specimen).into_iter();
    all.filter(|d| d.code == Code::IntervalNotShown).map(|d| (d.step, d.actual)).collect()
}

pub(super) fn unseen_story(method: Arc<Method>) -> Story {
    let (mut story, ..) = bench(|s| s.methods = vec![method]);
    lost(&mut story, "shaker", 590);
    story
}

#[test]
fn lost_edges_are_said_on_the_cylinders_that_the_switch_may_have_acted_on_and_on_no_other() {
    let (mut story, a, b) = bench(|_| {});
    let note = lost(&mut story, "foot", 595);
    assert!(note.contains("S-1 (place 1)") && !note.contains("S-2"), "{note}");
    let what = "foot: 2 edges were lost; a press may be missing".to_owned();
    assert_eq!(unseen(&story, a), [(Some("soak".to_owned()), what)]);
    assert!(unseen(&story, b).is_empty(), "its soak goes on: no press would have marked it");
    assert!(story.bench.alarms.contains_key("switch-gone-foot"));
    // A button of a place touches what stands there, due or not.
    lost(&mut story, "place-3", 599);
    assert_eq!(unseen(&story, b).len(), 1);
    assert_eq!(unseen(&story, a).len(), 1);
    story.check_replay();
}

#[test]
fn lost_edges_of_the_shakers_contact_touch_who_was_in_it_meanwhile() {
    let (mut story, a, b) = bench(|_| {});
    story.trigger("shaker", Contact::On);
    story.to(645.0).trigger("shaker", Contact::Off);
    story.mark(a, "irrigate", Edge::Begin);
    story.to(650.0);
    lost(&mut story, "shaker", 640);
    let steps: Vec<_> = unseen(&story, a).into_iter().map(|(step, _)| step).collect();
    assert_eq!(steps, [Some("irrigate".to_owned())]);
    assert!(unseen(&story, b).is_empty());
    // Long after the run, it touches nobody any more.
    story.to(800.0);
    lost(&mut story, "shaker", 790);
    assert_eq!(unseen(&story, a).len(), 1);
}

#[test]
fn a_running_shaker_at_start_is_compared_and_marks_nothing() {
    let (mut story, a, b) = bench(|_| {});
    found(&mut story, false);
    assert!(story.bench.alarms.is_empty(), "it stands, as the bench thinks");
    found(&mut story, true);
    let alarm = &story.bench.alarms["switch-gone-shaker"];
    assert!(alarm.text.contains("its begin was not seen"), "{}", alarm.text);
    assert_eq!(unseen(&story, a).len(), 1);
    assert!(unseen(&story, b).is_empty() && story.bench.presses.is_empty());
    let (method, points) = story.bench.rule(&story.bench.specimens[&a]).unwrap();
    let shaken = points.iter().position(|p| method.steps[p.step].name == "shake").unwrap();
    assert!(story.bench.specimens[&a].points[shaken].is_none(), "no run is made up");
}

#[test]
fn a_shaker_that_stands_while_a_run_is_marked_is_said_and_one_that_runs_is_as_marked() {
    let (mut story, a, _) = bench(|_| {});
    story.trigger("shaker", Contact::On);
    story.to(620.0);
    found(&mut story, true);
    assert!(story.bench.alarms.is_empty());
    found(&mut story, false);
    assert!(story.bench.alarms["switch-gone-shaker"].text.contains("whose end was not seen"));
    assert_eq!(unseen(&story, a).len(), 1);
    assert!(matches!(story.trigger("shaker", Contact::Off), Outcome::Done { .. }));
}

#[test]
fn a_press_kept_without_a_cylinder_is_a_run_too() {
    let mut story = Story::new();
    story.trigger("shaker", Contact::On);
    assert_eq!(story.bench.presses.len(), 1);
    found(&mut story, true);
    assert!(!story.bench.alarms.contains_key("switch-gone-shaker"));
}

#[test]
fn the_relays_opening_ends_the_run_where_no_contact_tells_of_it_and_early_it_is_an_alarm() {
    for contact in [true, false] {
        let (mut story, a, _) = bench(|started| {
            if !contact {
                started.triggers.remove("shaker");
            }
        });
        story.mark(a, "shake", Edge::Begin);
        story.to(620.0);
        let (name, why) = ("motor".to_owned(), "no stroke was seen".to_owned());
        story.input(What::Switch(SwitchReport::RelayOpened { name, why, early: true }));
        let ended = story.bench.specimens[&a].points.iter().flatten().any(|m| m.by.via == "output motor");
        assert_eq!(ended, !contact);
        assert!(story.bench.alarms["output-gone-motor"].text.contains("no stroke"));
        story.check_replay();
    }
}
