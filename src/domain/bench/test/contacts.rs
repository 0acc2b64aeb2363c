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

#[test]
fn what_a_switch_did_not_show_is_said_also_where_an_older_alarm_of_it_waits_to_be_seen() {
    let (mut story, ..) = bench(|_| {});
    let name = || "shaker".to_owned();
    story.input(What::Switch(SwitchReport::Gone { name: name(), why: "the chip is gone".to_owned() }));
    story.input(What::Switch(SwitchReport::Open { name: name() }));
    let before = story.bench.alarms["switch-gone-shaker"].occurrence;
    found(&mut story, true);
    let alarm = &story.bench.alarms["switch-gone-shaker"];
    assert!(alarm.text.contains("state its time"), "{}", alarm.text);
    assert_ne!(alarm.occurrence, before);
    // While its line is gone, that comes first.
    story.input(What::Switch(SwitchReport::Gone { name: name(), why: "the chip is gone".to_owned() }));
    let gone = story.bench.alarms["switch-gone-shaker"].occurrence;
    lost(&mut story, "shaker", 590);
    assert_eq!(story.bench.alarms["switch-gone-shaker"].occurrence, gone);
}

#[test]
fn a_place_that_an_older_setting_gave_the_shakers_contact_misdirects_nothing() {
    let (mut story, a, b) = bench(|started| {
        started.triggers.get_mut("shaker").unwrap().place = Some(3);
    });
    story.mark(a, "shake", Edge::Begin);
    story.to(620.0);
    lost(&mut story, "shaker", 610);
    assert_eq!((unseen(&story, a).len(), unseen(&story, b).len()), (1, 0), "the one in the shaker");
}

#[test]
fn strokes_that_were_not_counted_are_said_and_no_deviation_of_an_interval() {
    let (mut story, a, _) = bench(|started| {
        let cycles = TriggerSettings { does: Does::ShakerPulse, place: None, own_line: true };
        started.triggers.insert("cycles".to_owned(), cycles);
    });
    story.trigger("shaker", Contact::On);
    story.to(620.0);
    let said = "cycles: strokes were not counted; this run has no count";
    assert_eq!(lost(&mut story, "cycles", 610), said);
    assert_eq!(story.bench.alarms["switch-gone-cycles"].text, said);
    assert!(unseen(&story, a).is_empty());
}

#[test]
fn a_press_just_after_the_relays_own_end_was_meant_to_end_the_run_and_begins_nothing() {
    for name in ["start", "place-1", "foot"] {
        let (mut story, a, b) = bench(|started| {
            started.triggers.remove("shaker");
            for (name, does, place) in [("start", Does::ShakerPress, None), ("place-1", Does::Next, Some(1))]
            {
                started.triggers.insert(name.to_owned(), TriggerSettings { does, place, own_line: false });
            }
        });
        let made = |story: &Story| {
            let of = |id: &Uuid| {
                let specimen = &story.bench.specimens[id];
                specimen.points.iter().flatten().count() + specimen.further_runs.len()
            };
            of(&a) + of(&b) + story.bench.presses.len()
        };
        story.mark(a, "shake", Edge::Begin);
        story.to(645.0);
        let why = "the interval is over".to_owned();
        story.input(What::Switch(SwitchReport::RelayOpened { name: "motor".to_owned(), why, early: false }));
        let before = made(&story);
        story.to(647.9);
        let trigger = story.bench.triggers[name].clone();
        assert_eq!(story.bench.meaning(&trigger, &at(story.now_ns)), "nothing: the run has ended already");
        let Outcome::Done { note, .. } = story.trigger(name, Contact::On) else { panic!("{name}") };
        assert_eq!((note.as_str(), made(&story)), ("the run has ended already", before), "{name}");
        // Whoever presses later means what comes next.
        story.to(648.0).trigger(name, Contact::On);
        assert_eq!(made(&story), before + 1, "{name}");
    }
}

#[test]
fn where_another_act_is_due_as_the_relay_ends_a_run_a_shared_press_is_kept() {
    let (mut story, a, b) = bench(|started| {
        started.triggers.remove("shaker");
    });
    story.to(980.0).mark(a, "shake", Edge::Begin);
    // The soak of the other one is over, too: AASHTO T 176, 10 min from 400 s.
    story.to(1025.0);
    let why = "the interval is over".to_owned();
    story.input(What::Switch(SwitchReport::RelayOpened { name: "motor".to_owned(), why, early: false }));
    story.to(1026.0).trigger("foot", Contact::Press);
    let why = &story.bench.presses[0].why;
    assert!(
        why.contains("S-2 (place 3) is due") && why.contains("S-1 (place 1) has only just ended"),
        "{why}"
    );
    let loosened = story.bench.specimens[&b].points.iter().flatten().count();
    assert_eq!(loosened, 2, "first fill and soak");
}
