//! What horn, lamps and the relay make of a story.

use super::*;
use crate::domain::moment::Stamp;
use crate::domain::signal::relay::{Relay, Rules, Run, Why};
use crate::domain::signal::{Rhythm, Scene, Show, Shows, show};

fn shown(story: &Story, shows: Shows, place: Option<u32>) -> Show {
    show(shows, place, &Scene::of(&story.bench, &at(story.now_ns)))
}

fn rhythm(story: &Story, shows: Shows) -> Rhythm {
    shown(story, shows, Some(1)).rhythm
}

/// One specimen at place 1, in soak from 0 s. The probe is out, so that its silence is no alarm.
fn soaking() -> (Story, Uuid) {
    let mut story = Story::new();
    story.ok(Do::TakeProbeOut);
    let sample = story.sample("S", 1);
    let id = story.specimen(sample, 1);
    story.mark(id, "first fill", Edge::Done);
    story.mark(id, "soak", Edge::Begin);
    (story, id)
}

#[test]
fn a_places_lamp_says_soon_now_and_overdue_and_goes_out_with_the_act() {
    let (mut story, id) = soaking();
    // AASHTO T 176: soak 10 min ± 1 min; announced 60 s before the window opens, by the setting.
    let seen = [
        (0.0, Rhythm::Off),
        (479.9, Rhythm::Off),
        (480.0, Rhythm::Wink),
        (540.0, Rhythm::Steady),
        (660.0, Rhythm::Steady),
        (661.0, Rhythm::Quick),
    ];
    for (s, wanted) in seen {
        story.to(s);
        assert_eq!(rhythm(&story, Shows::Place), wanted, "after {s} s");
        assert_eq!(rhythm(&story, Shows::Blue), wanted);
    }
    assert_eq!(shown(&story, Shows::Place, Some(2)).rhythm, Rhythm::Off, "another place");
    assert_eq!(rhythm(&story, Shows::Green), Rhythm::Off, "overdue is not as it should be");
    story.mark(id, "loosen", Edge::Begin);
    assert_eq!(rhythm(&story, Shows::Place), Rhythm::Off);
    assert_eq!(rhythm(&story, Shows::Green), Rhythm::Steady);
}

#[test]
fn the_horn_tells_an_act_once_and_an_overdue_one_again_until_it_is_done() {
    let (mut story, id) = soaking();
    let on = |story: &Story| shown(story, Shows::Horn, None).is_on(&at(story.now_ns));
    story.to(500.0);
    assert!(!on(&story));
    assert!(on(story.to(540.1)), "the window opened");
    assert!(!on(story.to(541.0)), "told once");
    story.to(661.0);
    assert_eq!(rhythm(&story, Shows::Horn), Rhythm::Twice);
    story.to(1000.0);
    assert_eq!(rhythm(&story, Shows::Horn), Rhythm::Off, "not for ever");
    assert_eq!(rhythm(&story, Shows::Place), Rhythm::Quick, "the lamp stays");
    story.mark(id, "loosen", Edge::Begin);
    assert_eq!(rhythm(&story, Shows::Place), Rhythm::Off);
}

#[test]
fn the_next_change_of_a_scene_is_when_its_window_opens_or_closes() {
    let (mut story, _) = soaking();
    let next =
        |story: &Story| Scene::of(&story.bench, &at(story.now_ns)).next_ns().map(|ns| ns - at(0).boot_ns);
    assert_eq!(next(&story), Some(480 * SECOND));
    story.to(480.0);
    assert_eq!(next(&story), Some(540 * SECOND));
    story.to(700.0);
    assert_eq!(next(&story), None);
}

#[test]
fn an_acknowledged_alarm_stops_the_horn_and_its_lamp_stays() {
    let mut story = Story::new();
    let gone = |why: &str| {
        let (name, why) = ("foot".to_owned(), why.to_owned());
        What::Switch(SwitchReport::Gone { name, why })
    };
    assert_eq!((rhythm(&story, Shows::Yellow), rhythm(&story, Shows::Green)), (Rhythm::Off, Rhythm::Steady));
    story.input(gone("the cable is out"));
    assert_eq!(rhythm(&story, Shows::Horn), Rhythm::Call);
    assert_eq!((rhythm(&story, Shows::Yellow), rhythm(&story, Shows::Green)), (Rhythm::Quick, Rhythm::Off));
    assert_eq!(rhythm(&story, Shows::Red), Rhythm::Off, "its priority is medium");
    let occurrence = story.bench.alarms["switch-gone-foot"].occurrence;
    story.ok(Do::AcknowledgeAlarm { occurrence });
    assert_eq!((rhythm(&story, Shows::Horn), rhythm(&story, Shows::Yellow)), (Rhythm::Off, Rhythm::Steady));
    story.input(What::Switch(SwitchReport::Open { name: "foot".to_owned() }));
    assert_eq!((rhythm(&story, Shows::Yellow), rhythm(&story, Shows::Green)), (Rhythm::Off, Rhythm::Steady));
}

#[test]
fn what_is_over_before_anybody_saw_it_winks_and_sounds_for_a_while() {
    let mut story = Story::new();
    story.input(What::Switch(SwitchReport::Lost { name: "foot".to_owned(), edges: 1, since: None }));
    assert_eq!((rhythm(&story, Shows::Horn), rhythm(&story, Shows::Yellow)), (Rhythm::Call, Rhythm::Wink));
    story.to(11.0);
    assert_eq!((rhythm(&story, Shows::Horn), rhythm(&story, Shows::Yellow)), (Rhythm::Off, Rhythm::Wink));
}

#[test]
fn an_alarm_of_high_priority_is_red_and_the_loudest_and_put_aside_it_is_silent() {
    let (mut story, _) = soaking();
    // No reading of the solution while a specimen is watched: high priority after the stale time.
    story.ok(Do::PutProbeIn { stands_in: ProbeStands::Bottle });
    story.to(60.0);
    assert!(story.bench.alarms.contains_key("probe-silent"), "{:?}", story.bench.alarms.keys());
    assert_eq!((rhythm(&story, Shows::Horn), rhythm(&story, Shows::Red)), (Rhythm::Alarm, Rhythm::Quick));
    let reason = "the probe is being changed".to_owned();
    story.ok(Do::ShelveAlarm { key: "probe-silent".to_owned(), minutes: 5, reason });
    assert_eq!((rhythm(&story, Shows::Horn), rhythm(&story, Shows::Red)), (Rhythm::Off, Rhythm::Off));
}

#[test]
fn the_run_that_a_relay_follows_is_the_marked_one_with_the_methods_time() {
    let (mut story, id) = soaking();
    assert_eq!(Run::of(&story.bench), None);
    story.to(600.0).trigger("shaker", Contact::On);
    let run = Run::of(&story.bench).unwrap();
    assert_eq!(run.cylinders.keys().collect::<Vec<_>>(), [&id]);
    // AASHTO T 176, mechanical shaker: 45 s ± 1 s.
    assert_eq!(run.lasts_ns, Some(45 * SECOND));
    let begin = run.cylinders[&id].as_ref().unwrap();
    assert_eq!((begin.marked.moment, begin.given), (at(600 * SECOND), false));
    story.to(630.0).trigger("shaker", Contact::Off);
    assert_eq!(Run::of(&story.bench), None);
    story.to(635.0).trigger("shaker", Contact::On);
    assert_eq!(Run::of(&story.bench).unwrap().cylinders[&id], None, "a further run is not the method's");
}

/// A bench with specimens whose soak is over, and a pedal with a line of its own that starts the shaker.
fn with_pedal(specimens: u32) -> (Story, Vec<Uuid>) {
    let mut story = Story::with(|started| {
        let pedal = TriggerSettings { does: Does::ShakerPress, place: None, own_line: true };
        started.triggers.insert("pedal".to_owned(), pedal);
    });
    story.ok(Do::TakeProbeOut);
    let sample = story.sample("S", specimens);
    let ids: Vec<Uuid> = (1..=specimens).map(|place| story.specimen(sample, place)).collect();
    for id in &ids {
        story.mark(*id, "first fill", Edge::Done);
        story.mark(*id, "soak", Edge::Begin);
    }
    story.to(600.0);
    (story, ids)
}

/// A press on the pedal's own line, now.
fn pressed(story: &mut Story) -> Outcome {
    let (name, via) = ("pedal".to_owned(), "gpio".to_owned());
    let moment = Moment { stamp: Stamp::Kernel, ..at(story.now_ns) };
    story.input_at(What::Trigger(Trigger { name, contact: Ok(Contact::On), via }), moment)
}

/// A relay that has seen the idle bench.
fn relay(story: &Story) -> Relay {
    let mut relay = Relay::new(Rules {
        switches: std::collections::BTreeSet::from(["pedal".to_owned()]),
        by_page: true,
        start_ns: 3 * SECOND,
        longest_ns: 60 * SECOND,
        watches_strokes: false,
    });
    relay.line(true);
    relay.seen(Run::of(&story.bench), &at(story.now_ns));
    relay
}

#[test]
fn a_message_for_a_switch_with_a_line_of_its_own_starts_nothing_and_says_why() {
    let (mut story, _) = with_pedal(1);
    let mut relay = relay(&story);
    assert!(matches!(story.trigger("pedal", Contact::Press), Outcome::Refused { .. }));
    assert_eq!(Run::of(&story.bench), None);
    assert!(story.bench.refused.back().unwrap().why.contains("a line of its own"));
    assert!(story.bench.alarms["trigger-refused-pedal"].text.contains("a message of its name does nothing"));
    // Its own press does, and shows that all is well again.
    pressed(&mut story);
    relay.seen(Run::of(&story.bench), &at(story.now_ns));
    assert!(relay.is_closed());
    assert!(story.bench.alarms["trigger-refused-pedal"].cleared.is_some());
}

#[test]
fn a_press_that_was_kept_and_given_to_a_cylinder_afterwards_closes_no_relay() {
    // Two are due, and the shaker holds one: nobody knows which was meant.
    let (mut story, ids) = with_pedal(2);
    let mut relay = relay(&story);
    pressed(&mut story);
    let press = story.bench.presses[0].id;
    story.to(601.0).ok(Do::AssignPress { press, specimens: vec![ids[0]] });
    relay.seen(Run::of(&story.bench), &at(story.now_ns));
    let why = "its press was kept, and given to the cylinder afterwards";
    assert_eq!(relay.why(), Some(&Why::NotFor(why)));
    story.check_replay();
}

#[test]
fn the_white_light_is_on_while_any_interval_runs_with_limits_or_without() {
    let (mut story, id) = soaking();
    assert_eq!(rhythm(&story, Shows::White), Rhythm::Steady);
    story.to(600.0).mark(id, "loosen", Edge::Begin);
    story.to(640.0).mark(id, "shake", Edge::Begin);
    story.to(685.0).mark(id, "shake", Edge::End);
    assert_eq!(rhythm(&story, Shows::White), Rhythm::Off, "nothing runs");
    // AASHTO T 176 names no time for the irrigation.
    story.to(700.0).mark(id, "irrigate", Edge::Begin);
    assert_eq!((rhythm(&story, Shows::Place), rhythm(&story, Shows::White)), (Rhythm::Off, Rhythm::Steady));
}

#[test]
fn after_a_power_cut_the_horn_sounds_also_where_the_wall_clock_woke_up_a_day_behind() {
    let mut story = Story::new();
    let (name, why) = ("foot".to_owned(), "the cable is out".to_owned());
    story.to(3600.0).input(What::Switch(SwitchReport::Gone { name, why }));
    let now = |ms: i64| Moment {
        boot: Uuid::from_u128(2),
        boot_ns: 30 * SECOND + ms * 1_000_000,
        ..at((3600 - 86_400) * SECOND + ms * 1_000_000)
    };
    let sounds = |ms: i64| show(Shows::Horn, None, &Scene::of(&story.bench, &now(ms))).is_on(&now(ms));
    // An alarm of medium priority calls every ten seconds.
    assert!((0..100).any(|tenth| sounds(tenth * 100)));
}

#[test]
fn the_lamp_of_a_sedimentation_and_of_a_complete_cylinder() {
    let mut story = Story::new();
    story.ok(Do::TakeProbeOut);
    let sample = story.sample("S", 1);
    let id = story.specimen(sample, 1);
    story.run_to_line(id, 0.0);
    assert_eq!(rhythm(&story, Shows::Place), Rhythm::Off, "what has no window calls nobody");
    story.read(id, Level::Clay, "8.0");
    story.read(id, Level::Sand, "13.3");
    assert_eq!((rhythm(&story, Shows::Place), rhythm(&story, Shows::White)), (Rhythm::Off, Rhythm::Off));
}
