use super::*;
use crate::domain::alarm::{Name, State};
use crate::domain::specimen::Stage;
use crate::domain::specimen::judge::{Code, deviations};

fn watched() -> (Story, Uuid) {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.warmth("22.0");
    story.mark(specimen, "first fill", Edge::Done);
    story.mark(specimen, "soak", Edge::Begin);
    (story, specimen)
}

fn found(story: &Story, specimen: Uuid) -> Vec<(Code, Option<String>)> {
    let specimen = &story.bench.specimens[&specimen];
    let (method, points) = story.bench.rule(specimen).unwrap();
    deviations(specimen, method, &points).into_iter().map(|d| (d.code, d.by)).collect()
}

#[test]
fn a_short_excursion_is_a_deviation_and_an_alarm_only_after_its_delay() {
    let (mut story, specimen) = watched();
    for s in 1..=20 {
        story.to(f64::from(s)).warmth("25.1");
    }
    story.to(21.0).warmth("24.9");
    assert!(!story.bench.alarms.contains_key("temperature-high"), "20 s are less than the delay of 30 s");
    assert_eq!(found(&story, specimen), [(Code::TemperatureHigh, Some("20.0 s outside".to_owned()))]);
    for s in 22..=60 {
        story.to(f64::from(s)).warmth("25.1");
    }
    let alarm = &story.bench.alarms["temperature-high"];
    assert_eq!(alarm.raised, at((22 + 30) * SECOND));
    assert!(alarm.text.contains("25.1 °C") && alarm.text.contains("19 to 25 °C"), "{}", alarm.text);
    story.to(61.0).warmth("25.0"); // the limit itself is allowed
    assert_eq!(story.bench.alarms["temperature-high"].state(), State::ReturnedUnacknowledged);
    let occurrence = story.bench.alarms["temperature-high"].occurrence;
    story.ok(Do::AcknowledgeAlarm { occurrence });
    assert!(story.bench.alarms.is_empty());
    story.check_replay();
}

#[test]
fn a_silent_probe_is_an_alarm_of_its_own_and_never_within() {
    let (mut story, specimen) = watched();
    story.to(100.0);
    let alarm = &story.bench.alarms["probe-silent"];
    assert_eq!(alarm.name, Name::ProbeSilent);
    assert_eq!(alarm.raised, at(30 * SECOND));
    story.warmth("22.0");
    assert!(story.bench.alarms["probe-silent"].cleared.is_some());
    assert_eq!(found(&story, specimen), [(Code::TemperatureNotShown, None)]);
    assert_eq!(story.bench.specimens[&specimen].tally.missing_us, 70_000_000);
}

#[test]
fn nonsense_is_no_temperature() {
    let (mut story, specimen) = watched();
    story.to(5.0).warmth("850.0");
    assert_eq!(story.bench.probe.last.as_ref().unwrap().0.temperature.value.to_string(), "22.0");
    assert!(story.bench.alarms.contains_key("probe-nonsense-probe"));
    assert_eq!(story.bench.specimens[&specimen].tally.readings, 1);
}

#[test]
fn the_probe_out_of_the_solution_is_time_without_a_reading() {
    let (mut story, specimen) = watched();
    story.to(10.0).warmth("22.0");
    story.ok(Do::TakeProbeOut);
    for s in 11..=40 {
        story.to(f64::from(s)).warmth("28.0"); // the air of the room
    }
    story.ok(Do::PutProbeIn { stands_in: ProbeStands::DummyCylinder });
    story.warmth("22.0");
    story.to(50.0).warmth("22.0");
    let tally = &story.bench.specimens[&specimen].tally;
    assert_eq!((tally.missing_us, tally.above_us), (30_000_000, 0));
    assert!(story.bench.alarms.is_empty(), "{:?}", story.bench.alarms);
}

#[test]
fn while_nothing_is_watched_temperatures_are_thinned_but_no_change_of_side_is_lost() {
    let mut story = Story::new();
    for s in 0..60 {
        story.to(f64::from(s)).warmth(if s == 33 { "26.0" } else { "22.0" });
    }
    let kept = story.events.iter().filter(|(e, _)| matches!(e, Event::TemperatureRead { .. })).count();
    assert!((7..=9).contains(&kept), "{kept}"); // one in ten seconds, and the excursion's two
    assert!(story.events.iter().any(|(e, _)| matches!(e,
        Event::TemperatureRead { temperature, .. } if temperature.value.to_string() == "26.0")));
}

#[test]
fn blocks_of_temperatures_are_anchored_each_minute() {
    let (mut story, _) = watched();
    for s in 1..=130 {
        story.to(f64::from(s)).warmth("22.0");
    }
    let counts: Vec<u32> = story
        .events
        .iter()
        .filter_map(|(e, _)| match e {
            Event::TemperaturesCounted { count, .. } => Some(*count),
            _ => None,
        })
        .collect();
    assert_eq!(counts.len(), 2);
    assert!(counts.iter().all(|c| (59..=61).contains(c)), "{counts:?}");
}

#[test]
fn approaching_due_and_overrun_are_announced_once_each() {
    let (mut story, specimen) = watched();
    story.to(700.0);
    let stages: Vec<(Stage, i64)> = story
        .events
        .iter()
        .filter_map(|(e, m)| match e {
            Event::IntervalAnnounced { specimen: s, stage, .. } if *s == specimen => {
                Some((*stage, m.boot_ns - at(0).boot_ns))
            }
            _ => None,
        })
        .collect();
    assert_eq!(
        stages,
        [
            (Stage::Approaching, 480 * SECOND),
            (Stage::Due, 540 * SECOND),
            (Stage::Overrun, 660 * SECOND + SECOND / 20),
        ]
    );
}

#[test]
fn a_first_fill_stated_in_the_past_has_its_extremes_with_its_mean() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.to(20.0).warmth("26.0");
    let fill = Do::Mark { specimen, step: "first fill".to_owned(), edge: Edge::Done };
    assert!(matches!(story.to(25.0).act_at(fill, Some(10)), Outcome::Done { .. }));
    story.to(30.0).warmth("22.0");
    let tally = &story.bench.specimens[&specimen].tally;
    assert_eq!(tally.highest.unwrap().value.to_string(), "26.0");
    assert_eq!(tally.readings, 2);
    assert!(found(&story, specimen).iter().any(|(code, _)| *code == Code::TemperatureHigh));
}

#[test]
fn the_probe_is_moved_when_it_is_moved_and_stays_out_over_a_start() {
    let (mut story, specimen) = watched();
    let outcome = story.to(12.0).act_at(Do::TakeProbeOut, Some(2));
    assert!(matches!(outcome, Outcome::Refused { .. }), "{outcome:?}");
    story.ok(Do::TakeProbeOut);
    let mut again = Story::with(|s| s.bench.places = 4);
    let (started, moment) = again.events.pop().unwrap();
    story.bench.apply(&started, &moment);
    assert_eq!(story.bench.probe.stands_in, None);
    story.ok(Do::PutProbeIn { stands_in: ProbeStands::DummyCylinder });
    story.warmth("22.4");
    let places: Vec<_> = story.bench.specimens[&specimen].tally.sources.iter().map(|s| s.stands_in).collect();
    assert_eq!(places, [ProbeStands::Bottle, ProbeStands::DummyCylinder]);
}
