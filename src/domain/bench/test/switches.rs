use super::*;
use crate::domain::specimen::judge::Code;
use crate::domain::specimen::walk::FURTHER_RUNS_MOST;

/// Two specimens in soak, begun 200 s apart.
fn two_soaking() -> (Story, Uuid, Uuid) {
    let mut story = Story::new();
    let sample = story.sample("S", 2);
    let (a, b) = (story.specimen(sample, 1), story.specimen(sample, 3));
    for (id, start) in [(a, 0.0), (b, 200.0)] {
        story.to(start).mark(id, "first fill", Edge::Done);
        story.mark(id, "soak", Edge::Begin);
    }
    (story, a, b)
}

fn marked(story: &Story, specimen: Uuid, step: &str, edge: Edge) -> bool {
    let method = t176();
    let step = method.step_index(step).unwrap();
    let index = method.points().iter().position(|p| p.step == step && p.edge == edge).unwrap();
    story.bench.specimens[&specimen].points[index].is_some()
}

#[test]
fn the_shakers_contact_acts_on_the_one_specimen_that_is_due() {
    let (mut story, a, b) = two_soaking();
    story.to(600.0);
    assert!(matches!(story.trigger("shaker", Contact::On), Outcome::Done { .. }));
    assert!(marked(&story, a, "shake", Edge::Begin) && !marked(&story, b, "shake", Edge::Begin));
    story.to(645.0).trigger("shaker", Contact::Off);
    assert!(marked(&story, a, "shake", Edge::End));
    assert!(story.bench.presses.is_empty());
}

#[test]
fn where_none_is_due_the_run_is_kept_whole_and_a_person_gives_it_a_cylinder() {
    let (mut story, a, _) = two_soaking();
    story.to(300.0).trigger("shaker", Contact::On);
    story.to(345.0).trigger("shaker", Contact::Off);
    let press = story.bench.presses[0].clone();
    assert!(press.why.contains("no specimen is due"), "{}", press.why);
    assert_eq!(press.ended, Some(at(345 * SECOND)));
    story.to(400.0).ok(Do::AssignPress { press: press.id, specimens: vec![a] });
    assert!(marked(&story, a, "shake", Edge::End));
    let codes: Vec<_> = story.deviations(a).into_iter().map(|d| (d.code, d.actual)).collect();
    assert_eq!(codes, [(Code::IntervalShort, "300.0 s".to_owned())]);
    story.check_replay();
}

#[test]
fn several_due_are_more_than_the_shaker_holds_unless_the_setting_says_so() {
    let at_once = |holds| {
        let mut story = Story::with(|s| s.bench.shaker_holds = holds);
        let sample = story.sample("S", 2);
        let ids = [story.specimen(sample, 1), story.specimen(sample, 2)];
        for id in ids {
            story.mark(id, "first fill", Edge::Done);
            story.mark(id, "soak", Edge::Begin);
        }
        story.to(600.0).trigger("shaker", Contact::On);
        (ids.map(|id| marked(&story, id, "shake", Edge::Begin)), story.bench.presses.len())
    };
    assert_eq!(at_once(1), ([false, false], 1));
    assert_eq!(at_once(2), ([true, true], 0));
}

#[test]
fn a_further_run_is_kept_and_marked() {
    let (mut story, a, _) = two_soaking();
    story.to(600.0).trigger("shaker", Contact::On);
    story.to(630.0).trigger("shaker", Contact::Off);
    story.to(640.0).trigger("shaker", Contact::On);
    assert_eq!(story.bench.possible_text(&story.bench.specimens[&a]), "end of the further run");
    story.to(655.0).trigger("shaker", Contact::Off);
    let codes: Vec<_> = story.deviations(a).into_iter().map(|d| d.code).collect();
    assert_eq!(codes, [Code::IntervalShort, Code::FurtherRun]);
    story.to(700.0).mark(a, "irrigate", Edge::End);
}

#[test]
fn a_contact_that_chatters_makes_no_further_runs_without_end() {
    let (mut story, a, _) = two_soaking();
    story.to(600.0).trigger("shaker", Contact::On);
    story.to(645.0).trigger("shaker", Contact::Off);
    for _ in 0..100 {
        story.trigger("shaker", Contact::On);
        story.trigger("shaker", Contact::Off);
    }
    assert_eq!(story.bench.specimens[&a].further_runs.len(), FURTHER_RUNS_MOST);
    assert_eq!(story.bench.presses.len(), 100 - FURTHER_RUNS_MOST, "what it says beyond is kept");
    story.to(700.0).mark(a, "irrigate", Edge::End);
    story.check_replay();
}

#[test]
fn of_a_cylinder_given_up_in_a_further_run_a_press_ends_the_run_first_and_says_so() {
    let (mut story, _, b) = two_soaking();
    let button = story.bench.triggers["place-3"].clone();
    let means = |story: &Story| story.bench.meaning(&button, &at(story.now_ns));
    story.to(1000.0).mark(b, "shake", Edge::Begin);
    story.to(1030.0).mark(b, "shake", Edge::End);
    story.to(1040.0).mark(b, "shake", Edge::Begin);
    assert_eq!(means(&story), "S-2: end of the further run");
    story.ok(Do::VoidSpecimen { specimen: b, reason: "cracked".to_owned() });
    assert_eq!(means(&story), "S-2: end of the further run", "the machine still runs");
    let refused = story.refused(Do::Mark { specimen: b, step: "clean".to_owned(), edge: Edge::Done });
    assert!(refused.contains("end of the further run"), "{refused}");
    story.to(1050.0).trigger("place-3", Contact::Press);
    let ended = story.bench.specimens[&b].further_runs[0].end.as_ref();
    assert_eq!(ended.map(|marked| marked.moment), Some(at(1050 * SECOND)));
    assert_eq!(means(&story), "S-2: clean done");
    story.trigger("place-3", Contact::Press);
    assert_eq!(story.bench.at_place(3), None, "the place is free");
    story.check_replay();
}

#[test]
fn a_shared_foot_switch_means_what_the_page_says_it_means() {
    let (mut story, a, b) = two_soaking();
    let foot = story.bench.triggers["foot"].clone();
    story.to(300.0);
    assert!(story.bench.meaning(&foot, &at(story.now_ns)).contains("no act is due"));
    story.trigger("foot", Contact::Press);
    assert_eq!(story.bench.presses.len(), 1);
    story.to(600.0);
    assert_eq!(story.bench.meaning(&foot, &at(story.now_ns)), "S-1: loosen begins");
    story.trigger("foot", Contact::Press);
    assert!(marked(&story, a, "loosen", Edge::Begin) && !marked(&story, b, "loosen", Edge::Begin));
    // A button of a place is never shared.
    story.to(650.0).trigger("place-3", Contact::Press);
    assert!(marked(&story, b, "loosen", Edge::Begin));
}

#[test]
fn unknown_retained_and_wrong_triggers_start_nothing_and_are_shown() {
    let mut story = Story::new();
    for (name, contact) in [
        ("place-99", Ok(Contact::Press)),
        ("foot", Err("it is a retained message".to_owned())),
        ("shaker", Ok(Contact::Press)),
    ] {
        let before = story.bench.specimens.clone();
        let outcome =
            story.input(What::Trigger(Trigger { name: name.to_owned(), contact, via: "mqtt".to_owned() }));
        assert!(matches!(outcome, Outcome::Refused { .. }), "{name}: {outcome:?}");
        assert_eq!(story.bench.specimens, before);
    }
    assert_eq!(story.bench.refused.len(), 3);
    assert!(story.bench.refused[0].why.contains("foot"), "it names the triggers that there are");
    assert_eq!(story.bench.alarms.len(), 3);
}

#[test]
fn stray_presses_are_one_alarm_until_somebody_has_seen_it() {
    let mut story = Story::new();
    let stray = |story: &mut Story, name: &str| {
        let (name, contact) = (name.to_owned(), Ok(Contact::Press));
        story.input(What::Trigger(Trigger { name, contact, via: "mqtt".to_owned() }));
    };
    stray(&mut story, "door");
    stray(&mut story, "gate");
    let [alarm] = story.bench.alarms.values().collect::<Vec<_>>()[..] else { panic!("one alarm") };
    assert!(alarm.text.contains("door") && alarm.cleared.is_some());
    let seen = Do::AcknowledgeAlarm { occurrence: alarm.occurrence };
    story.act(seen);
    assert!(story.bench.alarms.is_empty(), "seen and over");
    stray(&mut story, "gate");
    assert_eq!(story.bench.alarms.len(), 1, "the next one is new");
}

#[test]
fn lost_edges_are_an_alarm_that_ends_when_somebody_has_seen_it() {
    let mut story = Story::new();
    story.input(What::Switch(SwitchReport::Lost { name: "foot".to_owned(), edges: 2, since: None }));
    let occurrence = story.bench.alarms["switch-gone-foot"].occurrence;
    story.act(Do::AcknowledgeAlarm { occurrence });
    assert!(story.bench.alarms.is_empty());
}

#[test]
fn a_press_is_as_old_as_its_edge() {
    let (mut story, a, _) = two_soaking();
    story.to(600.0);
    let mut edge = at(599 * SECOND);
    edge.stamp = crate::domain::moment::Stamp::Kernel;
    let contact = Ok(Contact::On);
    story.input_at(
        What::Trigger(Trigger { name: "shaker".to_owned(), contact, via: "gpio".to_owned() }),
        edge,
    );
    let marked = story.bench.specimens[&a].points.iter().flatten().next_back().unwrap();
    assert_eq!(marked.moment, edge);
}

#[test]
fn a_cylinder_that_waits_to_be_cleaned_does_not_make_a_shared_switch_unclear() {
    let mut story = Story::new();
    let sample = story.sample("S", 2);
    let a = story.specimen(sample, 1);
    story.run_to_line(a, 0.0);
    story.read(a, Level::Clay, "8.0");
    story.read(a, Level::Sand, "13.3");
    let b = story.specimen(sample, 2);
    story.mark(b, "first fill", Edge::Done);
    assert!(matches!(story.trigger("foot", Contact::Press), Outcome::Done { .. }));
    assert!(marked(&story, b, "tap", Edge::Done) && story.bench.at_place(1).is_some());
}

#[test]
fn a_missed_opening_of_the_contact_does_not_swallow_the_next_cylinders_run() {
    let (mut story, a, b) = two_soaking();
    story.to(600.0).trigger("shaker", Contact::On);
    // The opening is missed: the station was down.
    story.to(800.0).trigger("shaker", Contact::On);
    story.to(845.0).trigger("shaker", Contact::Off);
    let press = story.bench.presses[0].clone();
    assert!(press.why.contains("its end was not seen"), "{}", press.why);
    assert_eq!(press.ended, Some(at(845 * SECOND)));
    assert!(!marked(&story, a, "shake", Edge::End), "nothing ended the first run");
    story.ok(Do::AssignPress { press: press.id, specimens: vec![b] });
    assert!(marked(&story, b, "shake", Edge::End));
    let Outcome::Done { .. } =
        story.act_at(Do::Mark { specimen: a, step: "shake".to_owned(), edge: Edge::End }, Some(645))
    else {
        panic!("the missed end can be stated")
    };
    assert!(story.deviations(a).is_empty(), "{:?}", story.deviations(a));
}

#[test]
fn the_contact_of_a_run_that_was_just_marked_by_hand_is_the_same_run() {
    let (mut story, a, _) = two_soaking();
    story.to(600.0).mark(a, "shake", Edge::Begin);
    story.to(601.0).trigger("shaker", Contact::On);
    assert!(story.bench.presses.is_empty());
    story.to(645.0).trigger("shaker", Contact::Off);
    assert!(marked(&story, a, "shake", Edge::End));
}

#[test]
fn a_button_that_begins_and_ends_the_run_is_kept_whole_too() {
    let mut story = Story::with(|s| {
        s.triggers.insert(
            "run".to_owned(),
            TriggerSettings { does: Does::ShakerPress, place: None, own_line: false },
        );
    });
    let sample = story.sample("S", 2);
    let ids = [story.specimen(sample, 1), story.specimen(sample, 2)];
    for id in ids {
        story.mark(id, "first fill", Edge::Done);
        story.mark(id, "soak", Edge::Begin);
    }
    story.to(600.0).trigger("run", Contact::Press);
    story.to(645.0).trigger("run", Contact::Press);
    assert_eq!(story.bench.presses.len(), 1);
    let press = story.bench.presses[0].id;
    let text = story.refused(Do::AssignPress { press, specimens: vec![ids[0], ids[0]] });
    assert!(text.contains("none twice"), "{text}");
    story.ok(Do::AssignPress { press, specimens: vec![ids[0]] });
    assert!(marked(&story, ids[0], "shake", Edge::End));
}
