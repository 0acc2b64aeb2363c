//! What instruments say beside a plain value, and what a person makes of it.

use super::documents::{faults, published_before, schema};
use super::*;
use crate::domain::quantity::Unit;
use crate::domain::reading::{Applied, Certificate, Corrected, StableBy};
use crate::domain::report::DocumentKind;
use crate::network::message;
use serde_json::{Value, json};

fn bench() -> Story {
    Story::with(|started| {
        started.instruments = [
            ("tins", InstrumentKind::Balance),
            ("probe", InstrumentKind::SolutionProbe),
            ("room", InstrumentKind::RoomProbe),
        ]
        .into_iter()
        .map(|(name, kind)| (name.to_owned(), kind))
        .collect();
    })
}

fn grams(text: &str) -> Quantity {
    Quantity::new(text.parse().unwrap(), Unit::Gram)
}

fn degrees(text: &str) -> Quantity {
    Quantity::new(text.parse().unwrap(), Unit::Celsius)
}

fn corrected(wire: Wire, reading: &str, by: &str) -> Wire {
    let applied = Applied { reading: reading.parse().unwrap(), correction: by.parse().unwrap() };
    let certificate = Certificate { number: "K 17".to_owned(), date: "2026-03-01".to_owned() };
    Wire { corrected: Some(Corrected { applied, certificate }), ..wire }
}

impl Story {
    fn says(&mut self, report: InstrumentReport) -> Outcome {
        self.input(What::Instrument(report))
    }

    fn room(&mut self, text: &str) {
        self.says(InstrumentReport::Temperature { temperature: degrees(text), wire: wire("room", text) });
    }

    fn unsettled(&mut self, text: &str) {
        self.says(InstrumentReport::NotStable { mass: grams(text), wire: wire("tins", text) });
    }

    fn kinds(&self, kind: &str) -> usize {
        self.events.iter().filter(|(event, _)| event.kind() == kind).count()
    }
}

#[test]
fn a_mass_that_does_not_settle_is_an_alarm_until_a_person_takes_it_or_it_is_gone() {
    let mut story = bench();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.ok(Do::AwaitSpecimenMass { specimen });
    let none = story.refused(Do::ConfirmMass { instrument: "tins".to_owned() });
    assert!(none.contains("`tins`"), "{none}");
    story.to(20.0).unsettled("131.25");
    assert!(
        story.bench.alarms["mass-not-stable-tins"]
            .text
            .contains("131.25 g is not stable: confirm it by hand")
    );
    story.to(30.0);
    let id = story.ok(Do::ConfirmMass { instrument: "tins".to_owned() });
    let mass = story.bench.specimens[&specimen].mass.clone().unwrap();
    assert_eq!((mass.id, mass.mass), (id, grams("131.25")));
    assert_eq!(mass.moment, at(20 * SECOND), "when it was shown, not when it was confirmed");
    assert_eq!(mass.wire.stable_by, Some(StableBy::Hand));
    let confirmed = mass.confirmed.unwrap();
    assert_eq!((confirmed.by.person.as_deref(), confirmed.moment), (Some("Ada Brook"), at(30 * SECOND)));
    // It is taken once.
    story.refused(Do::ConfirmMass { instrument: "tins".to_owned() });
    story.to(40.0).unsettled("99.00");
    // That its line can be read says nothing of the load.
    story.to(45.0).says(InstrumentReport::Readable { instrument: "tins".to_owned() });
    assert_eq!(story.bench.alarms["mass-not-stable-tins"].cleared, None);
    story.to(50.0).says(InstrumentReport::Released { instrument: "tins".to_owned() });
    assert!(story.bench.alarms["mass-not-stable-tins"].cleared.is_some());
    story.refused(Do::ConfirmMass { instrument: "tins".to_owned() });
    story.check_replay();
}

#[test]
fn negative_and_absurd_masses_are_an_alarm_and_no_weighing() {
    let mut story = bench();
    let sample = story.sample("S", 1);
    story.ok(Do::AwaitSampleMass { sample, name: "tin".to_owned() });
    for (value, unit) in [
        ("-0.01", Unit::Gram),
        ("-85.10", Unit::Gram),
        ("9999999", Unit::Gram),
        ("100.001", Unit::Kilogram),
        ("221", Unit::Pound),
    ] {
        let mass = Quantity::new(value.parse().unwrap(), unit);
        story.says(InstrumentReport::Mass { mass, wire: wire("tins", value) });
        assert_eq!(story.bench.weighings, 0, "{mass}");
        assert!(story.bench.alarms["balance-nonsense-tins"].text.contains("it is not taken"), "{mass}");
    }
    assert!(!story.bench.awaited.is_empty(), "what was waited for is still waited for");
    for value in ["0.00", "412.60"] {
        story.weigh(value);
    }
    assert_eq!(story.bench.weighings, 2, "nothing and something are masses");
    story.check_replay();
}

#[test]
fn the_rooms_temperature_is_thinned_without_losing_its_range_and_has_no_limits() {
    let mut story = bench();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    // An idle bench: one in a minute, and each change by more than half a degree.
    for second in 0..120 {
        story.to(f64::from(second)).room("21.0");
    }
    story.room("21.6");
    assert_eq!(story.kinds("room-temperature-read"), 3);
    story.mark(specimen, "first fill", Edge::Done);
    for (second, warmth) in (121..).zip(["21.7", "21.5", "21.4", "21.5", "21.6", "35.0", "21.6"]) {
        story.to(f64::from(second)).room(warmth);
    }
    let room = &story.bench.specimens[&specimen].room;
    assert_eq!((room.lowest, room.highest), (Some(degrees("21.4")), Some(degrees("35.0"))));
    // Of the seven: new highest, two new lowest, the jump up and the jump down.
    assert_eq!((room.readings, story.kinds("room-temperature-read")), (1 + 5, 3 + 5));
    assert_eq!(story.bench.probe.last, None, "the room is no solution");
    assert!(!story.bench.alarms.keys().any(|key| key.starts_with("temperature")), "{:?}", story.bench.alarms);
    story.check_replay();
}

#[test]
fn the_silence_of_the_rooms_probe_is_an_alarm_of_its_own_and_no_silence_of_the_solution() {
    let mut story = bench();
    story.to(299.0);
    assert!(!story.bench.alarms.contains_key("room-probe-silent"));
    story.to(300.0);
    let alarm = story.bench.alarms["room-probe-silent"].clone();
    assert_eq!((alarm.raised, alarm.cleared), (at(300 * SECOND), None));
    assert_eq!(crate::domain::alarm::definition(alarm.name).priority, crate::domain::alarm::Priority::Low);
    story.to(310.0).room("21.0");
    assert!(story.bench.alarms["room-probe-silent"].cleared.is_some());
    story.to(609.0);
    assert!(story.bench.alarms["room-probe-silent"].cleared.is_some());
    story.to(610.0);
    assert_eq!(story.bench.alarms["room-probe-silent"].cleared, None);
    assert!(!story.bench.alarms.contains_key("probe-silent"));
    // Nonsense of the room's probe does not mean that the solution's is dead.
    let nonsense =
        |name: &str| InstrumentReport::Nonsense { wire: wire(name, "#"), why: "a line".into(), lines: 1 };
    let dead = Some("the probe gives no temperature: its own alarm stands for this one");
    story.says(nonsense("room"));
    assert_ne!(story.bench.suppressed(crate::domain::alarm::Name::TemperatureHigh), dead);
    story.says(nonsense("probe"));
    assert_eq!(story.bench.suppressed(crate::domain::alarm::Name::TemperatureHigh), dead);
    story.check_replay();
}

#[test]
fn without_a_probe_of_the_room_nobody_waits_for_one() {
    let mut story = Story::new();
    story.to(100_000.0);
    assert!(story.bench.alarms.is_empty(), "{:?}", story.bench.alarms);
}

#[test]
fn a_reading_outside_of_its_certificate_is_an_alarm_and_time_without_a_reading() {
    let mut story = bench();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.warmth("22.0");
    story.mark(specimen, "first fill", Edge::Done);
    let why = "certificate K 17 covers 15 to 30 °C".to_owned();
    story.to(10.0).says(InstrumentReport::Uncorrected {
        reading: degrees("30.1"),
        wire: wire("probe", "30.1"),
        why,
    });
    let alarm = &story.bench.alarms["outside-certificate-probe"];
    assert!(
        alarm.text.contains("30.1 °C does not count: certificate K 17 covers 15 to 30 °C"),
        "{}",
        alarm.text
    );
    assert_eq!(
        story.bench.held().unwrap().temperature,
        degrees("22.0"),
        "nothing is carried on beyond the points"
    );
    story.to(20.0).warmth("22.0");
    assert!(story.bench.alarms["outside-certificate-probe"].cleared.is_some());
    story.check_replay();
}

#[test]
fn who_answers_is_kept_and_another_one_is_said_also_after_a_restart() {
    let mut story = bench();
    let identified = |story: &mut Story, identity: &str| {
        story.says(InstrumentReport::Identified {
            instrument: "probe".to_owned(),
            port: "/dev/ttyS1".to_owned(),
            identity: identity.to_owned(),
        });
    };
    identified(&mut story, "Maker,T-1,1042,A1");
    identified(&mut story, "Maker,T-1,1042,A1");
    assert_eq!(story.kinds("instrument-identified"), 1);
    assert!(story.bench.alarms.is_empty(), "{:?}", story.bench.alarms);
    let again = story.bench.clone();
    identified(&mut story, "Maker,T-1,1043,A1");
    let text = &story.bench.alarms["instrument-exchanged-probe"].text;
    assert!(text.contains("is `Maker,T-1,1043,A1`; it was `Maker,T-1,1042,A1`"), "{text}");
    // The state of before the exchange, started anew, remembers.
    let stored: Bench = serde_json::from_str(&serde_json::to_string(&again).unwrap()).unwrap();
    assert_eq!(stored.said_of_itself["probe"].identity.as_deref(), Some("Maker,T-1,1042,A1"));
    story.check_replay();
}

#[test]
fn an_error_queue_at_the_opening_is_only_kept_and_after_a_wrong_answer_it_is_said() {
    let mut story = bench();
    let errors = |after_nonsense| InstrumentReport::Errors {
        instrument: "probe".to_owned(),
        port: "/dev/ttyS1".to_owned(),
        errors: vec!["-113,\"Undefined header\"".to_owned()],
        after_nonsense,
    };
    story.says(errors(false));
    assert_eq!(story.bench.said_of_itself["probe"].errors, ["-113,\"Undefined header\""]);
    assert!(story.bench.alarms.is_empty());
    story.says(errors(true));
    assert!(story.bench.alarms["instrument-error-probe"].text.contains("-113,\"Undefined header\""));
    story.check_replay();
}

/// A specimen with everything that an origin can hold.
pub(super) fn told_story() -> Story {
    let mut story = bench();
    let sample = story.sample("S", 1);
    story.ok(Do::AwaitSampleMass { sample, name: "tin".to_owned() });
    let lines = vec!["+  412.60 g \\r\\n".to_owned(); 5];
    let own = Wire { stable_by: Some(StableBy::OwnRule), lines, ..wire("tins", "412.60") };
    story.says(InstrumentReport::Mass { mass: grams("412.65"), wire: corrected(own, "412.60", "0.05") });
    let specimen = story.specimen(sample, 1);
    story.ok(Do::AwaitSpecimenMass { specimen });
    story.unsettled("131.25");
    story.ok(Do::ConfirmMass { instrument: "tins".to_owned() });
    let warm = |story: &mut Story, value: &str, reading: &str| {
        let wire = corrected(wire("probe", reading), reading, "-0.12");
        story.says(InstrumentReport::Temperature { temperature: degrees(value), wire });
    };
    warm(&mut story, "22.28", "22.4");
    story.room("21.3");
    story.run_to_line(specimen, 10.0);
    warm(&mut story, "22.38", "22.5");
    story.room("23.9");
    story.read(specimen, Level::Clay, "7.9");
    story.read(specimen, Level::Sand, "13.2");
    story
}

#[test]
fn what_was_read_what_was_added_and_the_rooms_range_stand_in_the_documents() {
    let story = told_story();
    let documents = published_before(&story);
    let mut versions = Vec::new();
    for document in &documents {
        let id = document.json["dataschema"].as_str().unwrap();
        let (name, version) =
            id.trim_start_matches("https://stillstand.example/schema/").split_once('/').unwrap();
        versions.push(format!("{name} {version}"));
        let faults = faults(&schema(&format!("{name}-1.1")), &document.json);
        assert!(faults.is_empty(), "{name}: {faults:#?}");
    }
    assert_eq!(
        versions,
        ["weighing 1.1.0", "weighing 1.1.0", "specimen-record 1.1.0", "sample-result 1.1.0"]
    );
    if let Some(path) = std::env::var_os("STILLSTAND_DOCUMENTS_ORIGINS") {
        let lines: String = documents.iter().flat_map(|d| [d.json.to_string(), "\n".to_owned()]).collect();
        std::fs::write(path, lines).unwrap();
    }
    let record = &documents.iter().find(|d| d.kind == DocumentKind::Record).unwrap().json["data"];
    let minimum = &record["temperature"]["minimum"];
    assert_eq!(
        [
            &minimum["text"],
            &minimum["correction"]["reading"]["text"],
            &minimum["correction"]["added"]["text"]
        ],
        ["22.28", "22.4", "-0.12"]
    );
    assert_eq!(record["temperature"]["certificate"], json!({ "number": "K 17", "date": "2026-03-01" }));
    assert_eq!([&record["room"]["minimum"]["text"], &record["room"]["maximum"]["text"]], ["21.3", "23.9"]);
    assert_eq!(record["room"]["sources"][0]["instrument"], "room");
    let tin = &record["sample"]["masses"]["tin"];
    assert_eq!(tin["origin"]["stableBy"], "own-rule");
    assert_eq!(tin["origin"]["lines"].as_array().unwrap().len(), 5);
    assert_eq!(tin["origin"]["correction"]["certificate"]["number"], "K 17");
    assert_eq!(record["specimen"]["mass"]["origin"]["stableBy"], "hand");
    assert_eq!(record["specimen"]["mass"]["confirmed"]["by"]["person"], "Ada Brook");
    story.check_replay();
}

#[test]
fn the_state_on_the_network_shows_both_temperatures_with_what_was_read() {
    let story = told_story();
    let state = message::retained(&story.bench, Uuid::nil(), &at(story.now_ns), 1);
    let shown = |signal: &str| {
        let message = &state.topics[format!("stillstand/1/bench-a/reading/{signal}").as_str()];
        let body: Value = serde_json::from_slice(&message.payload).unwrap();
        let faults = faults(&schema("reading"), &body);
        assert!(faults.is_empty(), "{faults:#?}");
        (body, message.expiry_s)
    };
    let (solution, _) = shown("solution");
    assert_eq!(solution["correction"]["reading"]["text"], "22.5");
    let (room, expiry) = shown("room");
    assert_eq!((room["text"].as_str(), &room["side"], expiry), (Some("23.9"), &Value::Null, Some(300)));
}

#[test]
fn a_state_from_before_these_things_starts_as_before() {
    let mut state = serde_json::to_value(Story::new().bench).unwrap();
    let fields = state.as_object_mut().unwrap();
    for field in ["unsettled", "room", "said_of_itself"] {
        assert!(fields.remove(field).is_some(), "{field}");
    }
    for field in ["room-every-s", "room-stale-s"] {
        assert!(fields["settings"].as_object_mut().unwrap().remove(field).is_some(), "{field}");
    }
    let bench: Bench = serde_json::from_value(state).unwrap();
    assert_eq!((bench.settings.room_every_s, bench.settings.room_stale_s), (60, 300));
}
