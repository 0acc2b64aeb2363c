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

/// So many seconds after a start of the machine, whose wall clock woke up a day behind.
fn behind(seconds: i64) -> Moment {
    let mut moment = at(-86_400 * SECOND);
    moment.boot = Uuid::from_u128(2);
    moment.boot_ns = 0;
    moment.plus(seconds * SECOND)
}

#[test]
fn a_wall_clock_that_woke_up_behind_keeps_no_old_reading_young() {
    let mut story = Story::new();
    story.warmth("22.0");
    let started = behind(5);
    assert_eq!(
        story.bench.next_deadline(&started),
        Some(30 * SECOND),
        "stale 30 s after the start at the latest"
    );
    story.input_at(What::Deadline, behind(30));
    assert!(story.bench.alarms.contains_key("probe-silent"));
    story.check_replay();
}

#[test]
fn the_first_reading_after_a_start_of_the_machine_is_kept_whatever_the_wall_clock_says() {
    let mut story = Story::new();
    story.warmth("22.0");
    let temperature = Quantity::new("22.1".parse().unwrap(), crate::domain::quantity::Unit::Celsius);
    let report = InstrumentReport::Temperature { temperature, wire: wire("probe", "22.1") };
    story.input_at(What::Instrument(report), behind(5));
    let (held, _) = story.bench.probe.last.as_ref().unwrap();
    assert_eq!((held.temperature, held.moment), (temperature, behind(5)));
}

#[test]
fn a_reading_whose_age_nobody_knows_is_no_temperature_of_what_begins_after_the_start() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 3);
    story.warmth("15.0");
    let what = Do::Mark { specimen, step: "first fill".to_owned(), edge: Edge::Done };
    let (id, who, via) = (story.id(), Some("Ada Brook".to_owned()), "page".to_owned());
    let act = Act { id, who, via, seen: None, stated_wall_ns: None, balance: None, take_over: false, what };
    story.input_at(What::Act(act), behind(5));
    let temperature = Quantity::new("22.1".parse().unwrap(), crate::domain::quantity::Unit::Celsius);
    let report = InstrumentReport::Temperature { temperature, wire: wire("probe", "22.1") };
    story.input_at(What::Instrument(report), behind(12));
    let tally = &story.bench.specimens[&specimen].tally;
    assert_eq!(
        (tally.missing_us, tally.below_us, tally.readings),
        (7_000_000, 0, 1),
        "it was cold a day ago"
    );
    assert_eq!(tally.lowest, Some(temperature));
    story.check_replay();
}

#[test]
fn an_excursion_from_before_a_start_whose_age_nobody_knows_raises_nothing_and_leaves_no_deadline() {
    let (mut story, _) = watched();
    let warm = Quantity::new("30.0".parse().unwrap(), crate::domain::quantity::Unit::Celsius);
    let hot = InstrumentReport::Temperature { temperature: warm, wire: wire("probe", "30.0") };
    story.input(What::Instrument(hot.clone()));
    story.to(25.0).input(What::Instrument(hot));
    // The wall clock woke up fifteen seconds behind, ten seconds after the start.
    let mut now = at(20 * SECOND);
    now.boot = Uuid::from_u128(2);
    now.boot_ns = 10 * SECOND;
    for _ in 0..4 {
        let Some(due) = story.bench.next_deadline(&now) else { break };
        now = now.plus((due - now.boot_ns).max(0));
        let before = story.events.len();
        story.input_at(What::Deadline, now);
        assert!(story.events.len() > before, "a deadline that has nothing to say would spin");
    }
    assert!(story.bench.alarms.contains_key("probe-silent"), "{:?}", story.bench.alarms.keys());
    assert!(!story.bench.alarms.contains_key("temperature-high"), "{:?}", story.bench.alarms.keys());
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
    // By less than the deadband inside: the on-delay, begun at 1 s, runs on.
    for s in 22..=60 {
        story.to(f64::from(s)).warmth("25.1");
    }
    let alarm = &story.bench.alarms["temperature-high"];
    assert_eq!(alarm.raised, at((1 + 30) * SECOND));
    assert!(alarm.text.contains("25.1 °C") && alarm.text.contains("19 to 25 °C"), "{}", alarm.text);
    assert_eq!(found(&story, specimen), [(Code::TemperatureHigh, Some("58.0 s outside".to_owned()))]);
    story.check_replay();
}

#[test]
fn the_alarm_clears_only_well_inside_and_after_the_off_delay() {
    let (mut story, _) = watched();
    let state = |story: &Story| story.bench.alarms["temperature-high"].state();
    for s in 1..=31 {
        story.to(f64::from(s)).warmth("25.1");
    }
    for s in 32..=60 {
        story.to(f64::from(s)).warmth("24.9"); // inside, by less than the deadband
    }
    assert_eq!(state(&story), State::Unacknowledged);
    for s in 61..=69 {
        story.to(f64::from(s)).warmth("24.8"); // inside by the deadband, for 8 s
    }
    for s in 70..=80 {
        story.to(f64::from(s)).warmth(if s == 70 { "24.9" } else { "24.8" });
    }
    assert_eq!(state(&story), State::Unacknowledged, "the off-delay began anew at 71 s");
    story.to(81.0);
    assert_eq!(state(&story), State::ReturnedUnacknowledged);
    assert_eq!(story.bench.alarms["temperature-high"].cleared, Some(at(81 * SECOND)));
    let occurrence = story.bench.alarms["temperature-high"].occurrence;
    story.ok(Do::AcknowledgeAlarm { occurrence });
    assert!(story.bench.alarms.is_empty());
    story.check_replay();
}

#[test]
fn from_one_limit_across_to_the_other_each_alarm_stands_for_its_own() {
    let (mut story, _) = watched();
    for s in 1..=35 {
        story.to(f64::from(s)).warmth("25.1");
    }
    for s in 36..=70 {
        story.to(f64::from(s)).warmth("18.0");
    }
    assert_eq!(story.bench.alarms["temperature-high"].cleared, Some(at(46 * SECOND)));
    assert_eq!(story.bench.alarms["temperature-low"].raised, at(66 * SECOND));
    story.check_replay();
}

#[test]
fn an_hour_of_noise_at_the_limit_is_one_alarm() {
    use rand::{Rng, SeedableRng, rngs::StdRng};
    for seed in 1..=5 {
        let (mut story, specimen) = watched();
        let mut noise = StdRng::seed_from_u64(seed);
        let (mut over, mut changes, mut before) = (0, 0, false);
        for s in 1..=3600 {
            let hundredths: i64 = 2500 + noise.random_range(-10..=10);
            story.to(f64::from(s)).warmth(&rust_decimal::Decimal::new(hundredths, 2).to_string());
            over += u32::from(hundredths > 2500);
            changes += u32::from((hundredths > 2500) != before);
            before = hundredths > 2500;
        }
        let count = |wanted: fn(&Event) -> bool| story.events.iter().filter(|(e, _)| wanted(e)).count();
        assert!(over > 1000 && changes > 1000, "seed {seed}: the noise crosses the limit: {over}, {changes}");
        assert_eq!(count(|e| matches!(e, Event::AlarmRaised { .. })), 1, "seed {seed}");
        assert_eq!(count(|e| matches!(e, Event::AlarmCleared { .. })), 0, "seed {seed}");
        // The deviation is judged on the readings themselves.
        let tally = &story.bench.specimens[&specimen].tally;
        assert!(tally.readings_outside.abs_diff(over) <= 1, "{} of {over}", tally.readings_outside);
    }
}

#[test]
fn a_dead_probe_suppresses_high_and_low() {
    let (mut story, _) = watched();
    story.to(1.0).warmth("25.1");
    story.to(200.0);
    let keys: Vec<&String> = story.bench.alarms.keys().collect();
    assert_eq!(keys, ["probe-silent"], "one cause, one alarm: the last reading is no evidence");
    story.warmth("25.1");
    story.to(210.0).warmth("850.0");
    for s in 211..=225 {
        story.to(f64::from(s)).warmth("850.0");
    }
    assert!(!story.bench.alarms.contains_key("temperature-high"));
    assert!(story.bench.suppressed(Name::TemperatureHigh).is_some());
    for s in 226..=256 {
        assert!(!story.bench.alarms.contains_key("temperature-high"), "the on-delay begins anew: {s}");
        story.to(f64::from(s)).warmth("25.1");
    }
    assert_eq!(story.bench.alarms["temperature-high"].raised, at(256 * SECOND));
    story.check_replay();
}

#[test]
fn with_no_specimen_that_needs_the_solution_its_limits_raise_nothing() {
    let mut story = Story::new();
    for s in 0..120 {
        story.to(f64::from(s)).warmth("27.0");
    }
    assert!(story.bench.alarms.is_empty() && story.bench.suppressed(Name::TemperatureHigh).is_some());
    let sample = story.sample("S", 1);
    story.specimen(sample, 1);
    story.to(120.5);
    assert!(story.bench.alarms.contains_key("temperature-high"), "known before the first fill");
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
