//! Every kind of event as the journal holds it, in each version that was ever written, and the
//! state that is stored whole.
//!
//! A new kind: let it happen in [`told`], then bless. A new field (with a serde default): bless; the
//! new example stands beside the old. A changed shape: a step in `src/journal/stored.rs`, then bless.

use super::super::documents::{broken_story, kept_story, published};
use super::super::{amended, consumers, corrections, instruments, late, variants};
use super::*;
use crate::domain::equipment::Happened;
use crate::domain::method::load;
use crate::journal::stored::{Stored, upcast};
use crate::signing::Key;
use std::collections::BTreeMap;

/// The kinds, as the events themselves name them.
fn kinds() -> Vec<String> {
    let names = regex::Regex::new(r#"Self::\w+ \{ \.\. \} => "([a-z-]+)""#).unwrap();
    let text = concat!(
        include_str!("../../kind.rs"),
        include_str!("../../../equipment/register.rs"),
        include_str!("../../../intake/mod.rs"),
        include_str!("../../../measure/mod.rs"),
        include_str!("../../../specimen/contact.rs"),
        include_str!("../../../solution/mod.rs"),
        include_str!("../../../preparation/mod.rs"),
        include_str!("../../../quality/mod.rs"),
        include_str!("../../../review/mod.rs"),
        include_str!("../../../keeping/mod.rs")
    );
    let kinds: Vec<_> = names.captures_iter(text).map(|c| c[1].to_owned()).collect();
    assert!(kinds.len() > 30, "the pattern no longer finds the kinds: {kinds:?}");
    kinds
}

fn frozen_method() -> Arc<Method> {
    let text = include_str!("../../../../../tests/frozen/method-v1.toml");
    Arc::new(load("aashto-t176-mechanical.toml", text).unwrap())
}

/// Presses, alarms, ports, the probe, a specimen that is given up.
fn odd_story() -> Story {
    use crate::domain::bench::ProbeStands;
    let mut story = Story::with(|s| s.methods = vec![frozen_method()]);
    let sample = story.sample("O-3", 2);
    let specimen = story.specimen(sample, 1);
    story.trigger("nobodys", Contact::On);
    story.to(10.0).trigger("shaker", Contact::On);
    story.to(20.0).trigger("shaker", Contact::Off);
    let press = story.bench.presses[0].id;
    story.ok(Do::DismissPress { press });
    let port = "/dev/null".to_owned();
    story.input(What::Instrument(InstrumentReport::Gone {
        instrument: "balance".to_owned(),
        port: port.clone(),
        why: "the cable is out".to_owned(),
    }));
    let key = "instrument-gone-balance".to_owned();
    let occurrence = story.bench.alarms[&key].occurrence;
    let reason = "the cable is being changed".to_owned();
    story.ok(Do::ShelveAlarm { key: key.clone(), minutes: 10, reason: reason.clone() });
    story.ok(Do::UnshelveAlarm { key: key.clone() });
    story.ok(Do::AlarmOutOfService { key: key.clone(), reason });
    story.ok(Do::AlarmInService { key });
    story.ok(Do::AcknowledgeAlarm { occurrence });
    story.input(What::Instrument(InstrumentReport::Open { instrument: "balance".to_owned(), port }));
    story.warmth("22.4");
    story.ok(Do::TakeProbeOut);
    story.ok(Do::PutProbeIn { stands_in: ProbeStands::DummyCylinder });
    story.ok(Do::VoidSpecimen { specimen, reason: "the tin fell".to_owned() });
    story
}

/// A list of equipment, each thing that can happen to it, and a run that was counted.
fn equipment_story() -> Story {
    super::super::equipment::everything(frozen_method())
}

/// No line in time, and then one that was; what goes otherwise than planned, by every act for it.
fn otherwise_story() -> Story {
    use crate::domain::specimen::Target;
    use crate::domain::specimen::note::NoteKind;
    let (mut story, sample, specimen, begun) = late::without_a_line();
    #[expect(clippy::cast_possible_truncation, reason = "whole seconds in a test")]
    let in_time = begun as i64 + 1500;
    story.to(begun + 1900.0);
    let end = Do::Mark { specimen, step: "sedimentation".to_owned(), edge: Edge::End };
    assert!(matches!(story.act_at(end, Some(in_time)), Outcome::Done { .. }));
    story.ok(Do::NoteSpecimen { specimen, note: NoteKind::Bumped, text: Some("a trolley".to_owned()) });
    story.ok(Do::CorrectPlace { specimen, place: 5, swap: false });
    story.ok(Do::MoveCylinder { specimen, place: 6 });
    story.weigh("131.25");
    let weighing = story.bench.kept_weighings[0].id;
    story.ok(Do::PlaceWeighing { weighing, target: Target::Specimen { specimen } });
    story.ok(Do::PlanSpecimens { sample, specimens: 2 });
    let mistake = story.sample("M-1", 1);
    story.ok(Do::WithdrawSample { sample: mistake, reason: "registered twice".to_owned() });
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    let other = story.specimen(sample, 2);
    story.mark(other, "first fill", Edge::Done);
    story.mark(other, "soak", Edge::Begin);
    for (after, contact) in
        [(600.0, Contact::On), (620.0, Contact::Off), (630.0, Contact::On), (655.0, Contact::Off)]
    {
        story.to(begun + 1900.0 + after).trigger("shaker", contact);
    }
    let reason = Some("the mains failed".to_owned());
    story.ok(Do::InterruptedRun { specimen: other, counts: true, reason });
    story
}

/// A mark of two taken back; times and levels corrected, after the record too; a record given up,
/// its reason given later; a sample brought back.
fn corrected_stories() -> [Story; 2] {
    let (mut pressed, [one, _]) = corrections::two_in_the_shaker();
    let reason = Some("the shaker was tried out".to_owned());
    pressed.to(603.0).ok(Do::WithdrawLast { specimen: one, together: true, for_another: false, reason });
    let (mut amended, _, specimens) = amended::complete(2);
    let time = Do::CorrectTime {
        specimen: specimens[0],
        step: "sedimentation".to_owned(),
        edge: Edge::End,
        reason: Some("pressed late".to_owned()),
    };
    assert!(matches!(amended.act_at(time, Some(1980)), Outcome::Done { .. }));
    let wrong = "the digits were swapped";
    amended.ok(amended::reading(specimens[0], Level::Sand, "13.4", Some(wrong)));
    let correction = amended.ok(amended::void(specimens[1], ""));
    let reason = "the cylinder was cracked".to_owned();
    amended.ok(Do::GiveReason { specimen: specimens[1], correction, reason });
    let mut closed = pressed.bench.samples.values().next().map(|sample| ClosedSample {
        sample: sample.clone(),
        specimens: pressed.bench.specimens.values().cloned().collect(),
        closed: at(pressed.now_ns),
    });
    if let Some(closed) = &mut closed {
        closed.sample.id = Uuid::from_u128(7);
    }
    amended.input(What::Recalled(Box::new(closed.unwrap())));
    [pressed, amended]
}

/// What instruments say of themselves, and loads that do not settle.
fn instrument_story() -> Story {
    let mut story = instruments::told_story();
    let name = || "tins".to_owned();
    let mass = Quantity::new("99.00".parse().unwrap(), crate::domain::quantity::Unit::Gram);
    for report in [
        InstrumentReport::NotStable { mass, wire: wire("tins", "99.00") },
        InstrumentReport::Released { instrument: name() },
        InstrumentReport::Identified {
            instrument: name(),
            port: "/dev/null".to_owned(),
            identity: "first".to_owned(),
        },
        InstrumentReport::Identified {
            instrument: name(),
            port: "/dev/null".to_owned(),
            identity: "second".to_owned(),
        },
    ] {
        story.input(What::Instrument(report));
    }
    // Where there are several balances, a wait names its own.
    let act = Act {
        id: story.id(),
        who: Some("Ada Brook".to_owned()),
        via: "page".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: Some(name()),
        take_over: false,
        what: Do::AwaitSampleMass { sample: story.sample("N-1", 1), name: "passing".to_owned() },
    };
    assert!(matches!(story.input(What::Act(act)), Outcome::Done { .. }));
    story
}

fn consumer_story() -> Story {
    let mut story = consumers::with_documents(2, &[("archive", 9)]);
    story.input(consumers::confirm("archive", 1));
    story.input(consumers::asked(7, consumers::replay(2)));
    story
}

/// Stories in which every kind of event happens; a new kind is told here.
pub(super) fn told() -> Vec<Story> {
    let [pressed, amended] = corrected_stories();
    let mut told = vec![kept_story(frozen_method()), broken_story(), odd_story(), otherwise_story()];
    told.extend([pressed, amended, instrument_story(), consumer_story(), equipment_story()]);
    told.extend([
        variants::measured_story(),
        super::super::intake::whole_story(),
        super::super::keeping::story(),
        super::super::contacts::unseen_story(frozen_method()),
    ]);
    told.push(super::super::solution::everything(frozen_method()));
    told.push(super::super::quality::whole_story(frozen_method()));
    told.push(super::super::preparation::whole_story());
    told.push(super::super::reviewed::everything(frozen_method()));
    told
}

/// The first of each kind, as stored.
fn examples(stories: &[Story]) -> BTreeMap<&'static str, String> {
    let mut examples = BTreeMap::new();
    for (event, _) in stories.iter().flat_map(|story| &story.events) {
        examples.entry(event.kind()).or_insert_with(|| serde_json::to_string(event).unwrap());
    }
    let errors = Event::InstrumentErrors {
        instrument: "probe".to_owned(),
        errors: vec!["-113,\"Undefined header\"".to_owned()],
    };
    examples.insert(errors.kind(), serde_json::to_string(&errors).unwrap());
    let key = Event::SigningKeyNamed(Key::from_seed(&[42; 32]).unwrap().public().clone());
    examples.insert(key.kind(), serde_json::to_string(&key).unwrap());
    // The fullest of its kind: a figure that methods limit.
    let limited = |event: &Event| match event {
        Event::Equipment(Happened::Checked { result, .. }) => !result.verdicts.is_empty(),
        _ => false,
    };
    let checked = stories.iter().flat_map(|story| &story.events).find(|(event, _)| limited(event)).unwrap();
    examples.insert(checked.0.kind(), serde_json::to_string(&checked.0).unwrap());
    // The fullest of its kind: a method with courses of preparation.
    let adopted = Event::MethodAdopted { method: t176() };
    examples.insert(adopted.kind(), serde_json::to_string(&adopted).unwrap());
    // The fullest of its kind: a laboratory with changes of the clocks.
    let zoned = super::super::solution::in_zone("MST7MDT,M3.2.0,M11.1.0");
    let started = zoned.events.iter().find(|(event, _)| event.kind() == "station-started").unwrap();
    examples.insert(started.0.kind(), serde_json::to_string(&started.0).unwrap());
    // The fullest of its kind: a wait at a balance that is named.
    let all = stories.iter().flat_map(|story| &story.events);
    let awaited = all.filter(|(event, _)| matches!(event, Event::MassAwaited { balance: Some(_), .. }));
    for (event, _) in awaited {
        examples.insert(event.kind(), serde_json::to_string(event).unwrap());
    }
    // The station makes this one, with the document.
    let document = &published(&stories[0])[0];
    let (kind, sha256) = (document.kind.as_str().to_owned(), "0f".repeat(32));
    let issued = Event::DocumentIssued { number: document.number, document: document.id, kind, sha256 };
    examples.insert(issued.kind(), serde_json::to_string(&issued).unwrap());
    examples
}

#[test]
fn every_kind_of_event_has_a_frozen_example_with_all_its_fields() {
    let (stories, mut missing) = (told(), Missing::default());
    let examples = examples(&stories);
    for kind in kinds() {
        let today = examples.get(kind.as_str()).unwrap_or_else(|| {
            panic!("`{kind}` happens in no story of `told`: let it happen there, then bless it")
        });
        let version = Stored::newest(&kind).version;
        let stem = format!("events/{kind}-v{version}");
        let mut frozen = BTreeSet::new();
        for name in names("events").iter().filter(|n| n.starts_with(&format!("{stem}."))) {
            let text = std::fs::read_to_string(folder().join(name)).unwrap();
            frozen.extend(shape(&serde_json::from_str(&text).unwrap()));
        }
        if !shape(&serde_json::from_str(today).unwrap()).is_subset(&frozen) {
            // A field was added since the last example.
            let next = (1..100).find(|n| !folder().join(format!("{stem}.{n}.json")).exists()).unwrap();
            missing.frozen(&format!("{stem}.{next}.json"), &format!("{today}\n"));
        }
    }
    missing.tell();
}

#[test]
fn every_frozen_event_is_read_and_written_with_all_that_it_held() {
    let names = names("events");
    assert!(names.len() >= kinds().len() || blessing());
    for name in names {
        let stem = name.trim_start_matches("events/").split('.').next().unwrap();
        let (kind, version) = stem.rsplit_once("-v").unwrap();
        let text = std::fs::read_to_string(folder().join(&name)).unwrap();
        let old: Value = serde_json::from_str(&text).unwrap();
        let (newest, now) = upcast(kind, version.parse().unwrap(), old).unwrap();
        let event: Event = serde_json::from_value(now.clone())
            .unwrap_or_else(|e| panic!("{name} can no longer be read: {e}"));
        assert_eq!(event.kind(), kind, "{name}");
        let written = serde_json::to_string(&event).unwrap();
        let lost = lost(&now, &serde_json::from_str(&written).unwrap(), "");
        assert!(lost.is_empty(), "{name}, written in version {newest}: {lost:#?}");
        assert_eq!(serde_json::from_str::<Event>(&written).unwrap(), event, "{name}");
        let same = shape(&now) == shape(&serde_json::from_str(&written).unwrap());
        assert!(!same || newest.to_string() != version || written == text.trim_end(), "{name}: {written}");
    }
}

#[test]
fn every_frozen_state_is_still_a_state_to_start_from() {
    let mut missing = Missing::default();
    // A specimen at work, weighings, alarms, an alarm put aside: what a start could find.
    let today = serde_json::to_string(&odd_story().bench).unwrap();
    missing.frozen("states/v1.json", &format!("{today}\n"));
    missing.tell();
    for name in names("states") {
        let text = std::fs::read_to_string(folder().join(&name)).unwrap();
        let bench: Bench = serde_json::from_str(&text).unwrap_or_else(|e| {
            panic!("{name}: a station could no longer start from it ({e}); give the new field a default")
        });
        assert!(!bench.samples.is_empty() && !bench.specimens.is_empty(), "{name}");
    }
}
