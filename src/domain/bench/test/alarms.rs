use super::*;
use crate::domain::alarm::State;
use crate::network::{RetainedState, message};

const SILENT: &str = "probe-silent";

/// A specimen is watched, and the probe has been silent since 100 s.
fn silent() -> Story {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.warmth("22.0");
    story.mark(specimen, "first fill", Edge::Done);
    story.to(100.0);
    assert_eq!(state(&story), State::Unacknowledged);
    story
}

fn state(story: &Story) -> State {
    story.bench.alarm_state(&story.bench.alarms[SILENT])
}

fn shelve(minutes: u16, reason: &str) -> Do {
    Do::ShelveAlarm { key: SILENT.to_owned(), minutes, reason: reason.to_owned() }
}

#[test]
fn a_shelved_alarm_comes_back_by_itself_at_its_end() {
    let mut story = silent();
    story.ok(shelve(10, " the cable is being changed "));
    assert_eq!(state(&story), State::Shelved);
    assert_eq!(story.bench.shelved[SILENT].reason, "the cable is being changed");
    assert!(story.refused(shelve(10, "again")).contains("shelved already"));
    story.to(699.0);
    assert_eq!(state(&story), State::Shelved);
    story.to(701.0);
    assert_eq!(state(&story), State::Unacknowledged, "shelving acknowledges nothing");
    let (ended, at_its_end) = story
        .events
        .iter()
        .find_map(|(e, m)| match e {
            Event::AlarmUnshelved { by, .. } => Some((by.clone(), *m)),
            _ => None,
        })
        .unwrap();
    assert_eq!((ended.person, at_its_end), (None, at(700 * SECOND)));
    story.check_replay();
}

#[test]
fn shelving_outlasts_the_occurrence_and_a_person_can_end_it() {
    let mut story = silent();
    story.ok(shelve(480, "the line is being repaired"));
    let first = story.bench.alarms[SILENT].occurrence;
    story.warmth("22.0");
    story.to(200.0);
    assert_ne!(story.bench.alarms[SILENT].occurrence, first, "silent again: a new occurrence");
    assert_eq!(state(&story), State::Shelved);
    story.ok(Do::UnshelveAlarm { key: SILENT.to_owned() });
    assert_eq!(state(&story), State::Unacknowledged);
    assert!(story.refused(Do::UnshelveAlarm { key: SILENT.to_owned() }).contains("shelved alarm"));
    story.check_replay();
}

#[test]
fn shelving_needs_a_reason_a_time_in_range_and_an_alarm_that_exists() {
    let mut story = silent();
    for (act, word) in [
        (shelve(0, "why"), "minutes"),
        (shelve(481, "why"), "minutes"),
        (shelve(10, "  "), "reason"),
        (shelve(10, "two\nlines"), "reason"),
        (
            Do::ShelveAlarm { key: "probe-loud".to_owned(), minutes: 1, reason: "x".to_owned() },
            "probe-silent",
        ),
        (Do::AlarmOutOfService { key: SILENT.to_owned(), reason: String::new() }, "reason"),
        (Do::AlarmInService { key: SILENT.to_owned() }, "out of service"),
    ] {
        let text = story.refused(act);
        assert!(text.contains(word), "{text}");
    }
    let id = story.id();
    let nobody = story.input(What::Act(Act {
        id,
        who: None,
        via: "page".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: shelve(10, "nobody"),
    }));
    assert!(matches!(nobody, Outcome::Refused { ref text, .. } if text.contains("person")), "{nobody:?}");
}

#[test]
fn out_of_service_lasts_until_a_person_ends_it_also_over_a_restart() {
    let mut story = silent();
    let out = |key: &str| Do::AlarmOutOfService { key: key.to_owned(), reason: "calibration".to_owned() };
    story.ok(out(SILENT));
    story.ok(shelve(1, "both"));
    story.ok(out("temperature-high")); // does not stand now, and may be taken out all the same
    story.to(3600.0);
    let whole: Bench = serde_json::from_str(&serde_json::to_string(&story.bench).unwrap()).unwrap();
    assert_eq!(whole.alarm_state(&whole.alarms[SILENT]), State::OutOfService);
    assert_eq!(whole.out_of_service.len(), 2);
    story.ok(Do::AlarmInService { key: SILENT.to_owned() });
    assert_eq!(state(&story), State::Unacknowledged);
    story.check_replay();
}

#[test]
fn an_acknowledgement_of_a_replaced_occurrence_is_refused() {
    let mut story = silent();
    let first = story.bench.alarms[SILENT].occurrence;
    story.warmth("22.0");
    story.to(200.0);
    let refusal = story.refused(Do::AcknowledgeAlarm { occurrence: first });
    assert!(refusal.contains("replaced by a newer one"), "{refusal}");
    assert_eq!(state(&story), State::Unacknowledged);
    let second = story.bench.alarms[SILENT].occurrence;
    story.ok(Do::AcknowledgeAlarm { occurrence: second });
    assert_eq!(state(&story), State::Acknowledged);
}

#[test]
fn a_bench_that_was_stored_before_alarms_could_be_put_aside_is_still_read() {
    let story = silent();
    let mut stored = serde_json::to_value(&story.bench).unwrap();
    let bench = stored.as_object_mut().unwrap();
    assert!(bench.remove("shelved").is_some() && bench.remove("out_of_service").is_some());
    assert!(bench["probe"].as_object_mut().unwrap().remove("watches").is_some());
    assert!(bench["alarms"][SILENT].as_object_mut().unwrap().remove("replaced").is_some());
    let again: Bench = serde_json::from_value(stored).unwrap();
    assert_eq!(again.alarms, story.bench.alarms);
}

#[test]
fn a_disk_that_runs_full_or_slow_is_an_alarm_until_it_is_not_and_each_start_looks_anew() {
    let mut story = Story::new();
    let seen = |condition, active| {
        let text = "80 MB are free".to_owned();
        What::Disk(DiskReport { condition, active, text, about: String::new() })
    };
    story.input(seen(DiskCondition::Low, true));
    story.input(seen(DiskCondition::Low, true));
    story.input(seen(DiskCondition::Slow, true));
    assert_eq!(story.bench.alarms.keys().collect::<Vec<_>>(), ["disk-low", "disk-slow"]);
    assert_eq!(story.bench.alarms["disk-low"].text, "80 MB are free");
    let raised = story.events.iter().filter(|(e, _)| matches!(e, Event::AlarmRaised { .. })).count();
    assert_eq!(raised, 2, "one occurrence each");
    story.input(seen(DiskCondition::Low, false));
    assert!(story.bench.alarms["disk-low"].cleared.is_some());
    assert!(story.bench.alarms["disk-slow"].cleared.is_none());
    assert!(!story.bench.alarm_keys().contains("not-kept"), "the station's own is never put aside");
    story.check_replay();
}

#[test]
fn an_alarm_at_the_broker_follows_who_puts_it_aside_and_what_makes_it_mean_nothing() {
    let (mut story, mut told) = (Story::new(), message::Told::new(Uuid::nil()));
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    let key = "temperature-high".to_owned();
    let mut shown = RetainedState::default();
    let mut states = Vec::new();
    let mut look = |story: &Story| {
        if let Some(changed) = told.tell(&story.bench, &at(story.now_ns)) {
            shown = changed;
        }
        let anew = message::retained(&story.bench, Uuid::nil(), &at(story.now_ns), 1);
        assert_eq!(shown.topics, anew.topics, "what is told bit by bit is what would be told anew");
        let alarm = shown.topics.get("stillstand/1/bench-a/alarm/temperature-high");
        let body = alarm.map(|alarm| serde_json::from_slice::<serde_json::Value>(&alarm.payload).unwrap());
        states.push(body.map(|body| body["state"].as_str().unwrap().to_owned()));
    };
    look(&story);
    for s in 1..=60 {
        story.to(f64::from(s)).warmth("27.0");
    }
    look(&story);
    story.ok(Do::ShelveAlarm { key: key.clone(), minutes: 10, reason: "known".to_owned() });
    look(&story);
    story.ok(Do::UnshelveAlarm { key: key.clone() });
    story.ok(Do::AlarmOutOfService { key: key.clone(), reason: "known".to_owned() });
    look(&story);
    story.ok(Do::AlarmInService { key });
    look(&story);
    // No alarm changes with this: nobody needs the solution any more.
    story.ok(Do::VoidSpecimen { specimen, reason: "the tin fell".to_owned() });
    look(&story);
    let expected = [
        None,
        Some("unacknowledged"),
        Some("shelved"),
        Some("out-of-service"),
        Some("unacknowledged"),
        Some("suppressed-by-design"),
    ];
    assert_eq!(states.iter().map(Option::as_deref).collect::<Vec<_>>(), expected);
}
