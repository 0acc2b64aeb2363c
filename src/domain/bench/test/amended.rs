//! Records that went out and are amended: a new version, the first one untouched; also of samples
//! that have left the bench.

use super::corrections::withdraw;
use super::documents::{faults, of, published, schema};
use super::*;
use crate::domain::overview::overview;
use crate::domain::report::DocumentKind;
use serde_json::Value;

/// A sample of `n` specimens, each complete with 42 and nothing amiss but the temperature.
pub(super) fn complete(n: u32) -> (Story, Uuid, Vec<Uuid>) {
    let mut story = Story::new();
    let sample = story.sample("S", n);
    let specimens = complete_more(&mut story, sample, n, 1);
    (story, sample, specimens)
}

fn complete_more(story: &mut Story, sample: Uuid, n: u32, place: u32) -> Vec<Uuid> {
    let one = |at: u32| {
        let specimen = story.specimen(sample, place + at);
        #[expect(clippy::cast_precision_loss, reason = "whole seconds in a test")]
        let start = (story.now_ns / SECOND) as f64 + 1.0;
        story.run_to_line(specimen, start);
        story.read(specimen, Level::Clay, "7.95");
        story.read(specimen, Level::Sand, "13.22");
        specimen
    };
    (0..n).map(one).collect()
}

pub(super) fn reading(specimen: Uuid, of: Level, value: &str, reason: Option<&str>) -> Do {
    let (value, reason) = (value.to_owned(), reason.map(str::to_owned));
    Do::CorrectReading { specimen, of, value, confirmed: false, reason }
}

pub(super) fn void(specimen: Uuid, reason: &str) -> Do {
    Do::VoidSpecimen { specimen, reason: reason.to_owned() }
}

/// The documents, each held to the schema that it names.
pub(super) fn documents(story: &Story, kind: DocumentKind) -> Vec<Value> {
    let documents = published(story);
    let found: Vec<Value> = of(&documents, kind).into_iter().cloned().collect();
    for document in &found {
        let name = document["dataschema"].as_str().unwrap();
        let name = name.strip_prefix("https://stillstand.example/schema/").unwrap();
        let (name, version) = name.split_once('/').unwrap();
        let version = version.trim_end_matches(".0");
        let file = if version == "1" { name.to_owned() } else { format!("{name}-{version}") };
        let faults = faults(&schema(&file), document);
        assert!(faults.is_empty(), "{file}: {faults:#?}\n{document:#}");
    }
    found
}

#[test]
fn a_corrected_reading_makes_a_new_version_of_record_and_result_and_both_are_kept() {
    let (mut story, sample, specimens) = complete(2);
    let made = story.ok(reading(specimens[0], Level::Sand, "13.4", None)); // 3.4 / 8.0 = 42.5 -> 43
    let records = documents(&story, DocumentKind::Record);
    let [first, _, second] = records.as_slice() else { panic!("{}", records.len()) };
    assert_eq!(first["data"]["version"], 1);
    assert_eq!(first["data"]["result"]["text"], "42");
    assert_eq!(second["data"]["version"], 2);
    assert_eq!(second["data"]["status"], "preliminary", "nobody has reviewed it");
    assert_eq!(second["data"]["result"]["text"], "43");
    assert_ne!(first["id"], second["id"]);
    assert_eq!(second["data"]["replaces"]["id"], first["id"]);
    assert_eq!(format!("{:010}", second["data"]["replaces"]["number"].as_u64().unwrap()), first["sequence"]);
    let change = &second["data"]["changes"][0];
    assert_eq!(change["id"], made.to_string());
    assert_eq!((&change["from"]["text"], &change["to"]["text"]), (&"3.3".into(), &"3.4".into()));
    assert_eq!(change["who"]["person"], "Ada Brook");
    assert_eq!((&change["reason"], &change["reasonPending"]), (&Value::Null, &true.into()));
    let results = documents(&story, DocumentKind::Result);
    let [before, after] = results.as_slice() else { panic!("{}", results.len()) };
    // 43 and 42: 42.5 is raised to 43.
    assert_eq!(
        (&before["data"]["result"]["text"], &after["data"]["result"]["text"]),
        (&"42".into(), &"43".into())
    );
    assert_eq!(after["data"]["replaces"]["id"], before["id"]);
    assert_eq!(after["data"]["specimens"][0]["record"], second["id"]);
    assert_eq!(after["data"]["changes"][0]["specimen"]["label"], "S-1");
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("43"));
    story.check_replay();
}

#[test]
fn the_first_versions_bytes_remain_what_they_were() {
    let (mut story, _, specimens) = complete(1);
    let before: Vec<Vec<u8>> =
        published(&story).iter().map(|d| serde_json::to_vec(&d.json).unwrap()).collect();
    story.ok(reading(specimens[0], Level::Clay, "8.2", Some("misread")));
    story.ok(void(specimens[0], "the wrong tin"));
    let after: Vec<Vec<u8>> =
        published(&story).iter().map(|d| serde_json::to_vec(&d.json).unwrap()).collect();
    assert!(after.len() > before.len());
    assert_eq!(before[..], after[..before.len()]);
}

#[test]
fn a_corrected_time_is_judged_anew_and_a_result_follows_only_if_it_shows_something_else() {
    let (mut story, _, specimens) = complete(1);
    let shake = |s, edge| {
        (Do::CorrectTime { specimen: specimens[0], step: "shake".to_owned(), edge, reason: None }, Some(s))
    };
    // From 641 to 686 s after the first second: 45 s. To 690: 49 s, over.
    let (act, at_s) = shake(690, Edge::End);
    assert!(matches!(story.act_at(act, at_s), Outcome::Done { .. }));
    let records = documents(&story, DocumentKind::Record);
    let codes = |record: &Value| {
        let all = record["data"]["deviations"].as_array().unwrap();
        all.iter().map(|d| d["code"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert!(!codes(&records[0]).contains(&"interval-over".to_owned()));
    assert!(codes(&records[1]).contains(&"interval-over".to_owned()));
    let step = records[1]["data"]["steps"].as_array().unwrap().iter().find(|s| s["name"] == "shake").unwrap();
    assert_eq!((&step["duration"]["text"], &step["end"]["stamp"]), (&"49.0".into(), &"entered".into()));
    assert_eq!(documents(&story, DocumentKind::Result).len(), 2, "one deviation more");
    let (act, at_s) = shake(691, Edge::End);
    assert!(matches!(story.act_at(act, at_s), Outcome::Done { .. }));
    assert_eq!(documents(&story, DocumentKind::Record).len(), 3);
    assert_eq!(documents(&story, DocumentKind::Result).len(), 2, "nothing that it shows has changed");
    story.check_replay();
}

#[test]
fn a_reason_given_afterwards_makes_a_new_version_and_no_second_one() {
    let (mut story, _, specimens) = complete(1);
    let correction = story.ok(reading(specimens[0], Level::Clay, "7.8", None));
    let give =
        |reason: &str| Do::GiveReason { specimen: specimens[0], correction, reason: reason.to_owned() };
    assert!(story.refused(give("  ")).contains("reason"));
    let other = Do::GiveReason { specimen: specimens[0], correction: Uuid::nil(), reason: "x".to_owned() };
    assert!(story.refused(other).contains("there is no correction"));
    story.ok(give("two lines, the upper one taken"));
    assert!(story.refused(give("again")).contains("has been given"));
    let records = documents(&story, DocumentKind::Record);
    let last = &records[2]["data"];
    assert_eq!((&last["version"], &last["changes"][0]["reasonPending"]), (&3.into(), &false.into()));
    assert_eq!(last["changes"][0]["reason"], "two lines, the upper one taken");
    assert_eq!(last["replaces"]["id"], records[1]["id"]);
    story.check_replay();
}

#[test]
fn a_record_given_up_is_void_and_its_result_waits_for_another_specimen() {
    let (mut story, sample, specimens) = complete(2);
    story.ok(void(specimens[1], ""));
    let records = documents(&story, DocumentKind::Record);
    let last = &records.last().unwrap()["data"];
    assert_eq!(
        (&last["status"], &last["result"], &last["version"]),
        (&"void".into(), &Value::Null, &2.into())
    );
    assert_eq!(last["readings"]["clay"]["text"], "8.0", "what was read stays");
    let results = documents(&story, DocumentKind::Result);
    let last = &results[1]["data"];
    assert_eq!(
        (&last["status"], &last["result"], &last["average"]),
        (&"void".into(), &Value::Null, &Value::Null)
    );
    assert_eq!(last["specimens"].as_array().unwrap().len(), 1);
    assert!(story.refused(void(specimens[1], "again")).contains("void already"));
    assert!(story.refused(reading(specimens[1], Level::Clay, "9.0", None)).contains("void already"));
    assert!(story.refused(withdraw(specimens[1])).contains("void already"));
    // The sample is open again: another tin, and its result is the next version.
    let third = complete_more(&mut story, sample, 1, 5)[0];
    let results = documents(&story, DocumentKind::Result);
    let last = &results[2]["data"];
    assert_eq!(
        (&last["status"], &last["version"], &last["result"]["text"]),
        (&"preliminary".into(), &3.into(), &"42".into())
    );
    assert_eq!(last["replaces"]["id"], results[1]["id"]);
    story.ok(reading(third, Level::Sand, "13.0", Some("misread")));
    // For validators that are not this program's: tests/outside/records.sh takes such a file.
    if let Some(path) = std::env::var_os("STILLSTAND_DOCUMENTS_AMENDED") {
        let lines = published(&story).iter().map(|d| d.json.to_string() + "\n").collect::<String>();
        std::fs::write(path, lines).unwrap();
    }
    story.check_replay();
}

#[test]
fn a_complete_specimen_is_corrected_and_not_taken_back() {
    let (mut story, _, specimens) = complete(1);
    let text = story.refused(withdraw(specimens[0]));
    assert!(text.contains("correct a time or a reading"), "{text}");
}

/// `count` samples of one specimen each, done one after the other at place 1 and cleaned.
fn gone(count: u32) -> (Story, Vec<Uuid>) {
    let mut story = Story::new();
    let mut specimens = Vec::new();
    for n in 0..count {
        let sample = story.sample(&format!("G{n}"), 1);
        specimens.extend(complete_more(&mut story, sample, 1, 1));
        story.mark(specimens[n as usize], "clean", Edge::Done);
    }
    (story, specimens)
}

#[test]
fn a_sample_that_has_left_the_bench_can_still_be_corrected() {
    let (mut story, specimens) = gone(1);
    assert!(
        story.bench.samples.is_empty() && story.bench.specimens.is_empty() && story.bench.cleared.is_empty()
    );
    story.ok(reading(specimens[0], Level::Sand, "13.4", Some("misread")));
    assert_eq!(documents(&story, DocumentKind::Record)[1]["data"]["result"]["text"], "43");
    assert_eq!(documents(&story, DocumentKind::Result)[1]["data"]["result"]["text"], "43");
    assert!(story.refused(withdraw(specimens[0])).contains("has left its place"));
    story.ok(void(specimens[0], "the wrong bag"));
    assert_eq!(documents(&story, DocumentKind::Result)[2]["data"]["status"], "void");
    assert!(story.bench.samples.is_empty(), "it stays where it is");
    story.check_replay();
}

#[test]
fn a_cleaned_specimen_of_a_sample_at_work_is_corrected_too() {
    let mut story = Story::new();
    let sample = story.sample("S", 2);
    let first = complete_more(&mut story, sample, 1, 1)[0];
    story.mark(first, "clean", Edge::Done);
    story.ok(reading(first, Level::Sand, "13.4", None));
    assert!(documents(&story, DocumentKind::Result).is_empty(), "none had gone out");
    complete_more(&mut story, sample, 1, 2);
    assert_eq!(documents(&story, DocumentKind::Result)[0]["data"]["result"]["text"], "43");
    story.check_replay();
}

#[test]
fn the_room_is_told_that_results_of_the_day_are_missing_and_only_then() {
    let kept = u32::try_from(CLOSED_KEPT).unwrap();
    for (left, missing) in [(kept, false), (kept + 1, true)] {
        let (story, _) = gone(left);
        let told = overview(&story.bench, &at(story.now_ns), None, true);
        assert_eq!((told.results.len(), told.more_results), (CLOSED_KEPT, 0), "{left}");
        assert_eq!(told.earlier_missing, missing, "{left}");
        let next_day = overview(&story.bench, &at(story.now_ns + 24 * 3600 * SECOND), None, true);
        assert_eq!((next_day.results, next_day.earlier_missing), (vec![], false), "{left}");
    }
}

#[test]
fn the_state_keeps_the_last_samples_and_an_older_one_is_brought_along() {
    let kept = u32::try_from(CLOSED_KEPT).unwrap();
    let (mut story, specimens) = gone(kept + 3);
    assert_eq!(story.bench.closed.len(), CLOSED_KEPT);
    let oldest = specimens[0];
    let act = reading(oldest, Level::Sand, "13.4", None);
    assert!(story.refused(act.clone()).contains("there is no specimen"));
    // What a store that keeps them all would hold: the state just after the sample had left.
    let mut early = Bench::default();
    let stored = story.events.iter().find_map(|(event, moment)| {
        early.apply(event, moment);
        early.closed.back().cloned()
    });
    let mut stored = ClosedSample::clone(&stored.unwrap());
    // The story's events are those of the bench alone; numbers come with the documents.
    stored.specimens[0].record.as_mut().unwrap().number = 1;
    stored.sample.result.as_mut().unwrap().number = 2;
    assert_eq!(stored.specimens[0].id, oldest);
    story.input(What::Recalled(Box::new(stored.clone())));
    assert_eq!(story.bench.closed.len(), CLOSED_KEPT);
    story.ok(act);
    let newer = story.bench.find(oldest).unwrap().clone();
    // Brought along once more, as it was then: what is in sight stays.
    story.input(What::Recalled(Box::new(stored.clone())));
    assert_eq!(story.bench.find(oldest), Some(&newer));
    let records = documents(&story, DocumentKind::Record);
    assert_eq!(records.last().unwrap()["data"]["replaces"]["id"], records[0]["id"]);
    story.check_replay();
}

#[test]
fn any_order_of_acts_keeps_the_fold_equal_to_the_state() {
    for seed in 1..=40_u64 {
        let mut random = seed;
        let mut next = |below: u64| {
            // A 64-bit linear congruential generator; constants as in Knuth's MMIX.
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (random >> 33) % below
        };
        let mut story = Story::with(|s| s.bench.shaker_holds = 2);
        let samples = [story.sample("A", 1), story.sample("B", 2)];
        let mut specimens: Vec<Uuid> =
            (0..3).map(|n| story.specimen(samples[n.min(1)], u32::try_from(n).unwrap() + 1)).collect();
        for _ in 0..250 {
            #[expect(clippy::cast_precision_loss, reason = "seconds in a test")]
            let later = (story.now_ns / SECOND) as f64 + next(400) as f64;
            story.to(later);
            let specimen = specimens[usize::try_from(next(specimens.len() as u64)).unwrap()];
            let of = if next(2) == 0 { Level::Clay } else { Level::Sand };
            let value = format!("{}.{}", 11 + next(3), next(10));
            let pending = story.bench.find(specimen).and_then(|s| s.corrections.last().map(|c| c.id));
            let edge = if next(2) == 0 { Edge::Begin } else { Edge::End };
            let step =
                ["soak", "shake", "irrigate", "sedimentation"][usize::try_from(next(4)).unwrap()].to_owned();
            let now_s = story.now_ns / SECOND;
            match next(13) {
                0..=3 => drop(story.act(Do::MarkNext { specimen })),
                4 => drop(story.act(withdraw(specimen))),
                5 => {
                    let for_another = next(2) == 0;
                    drop(story.act(Do::WithdrawLast { specimen, together: true, for_another, reason: None }));
                }
                6 => {
                    let when = now_s - i64::try_from(next(900)).unwrap();
                    drop(story.act_at(Do::CorrectTime { specimen, step, edge, reason: None }, Some(when)));
                }
                7 => drop(story.act(Do::EnterReading { specimen, of, value, confirmed: true })),
                8 => {
                    drop(story.act(Do::CorrectReading {
                        specimen,
                        of,
                        value,
                        confirmed: true,
                        reason: None,
                    }));
                }
                9 if next(4) == 0 => drop(story.act(void(specimen, "given up"))),
                9 => drop(story.act(Do::GiveReason {
                    specimen,
                    correction: pending.unwrap_or_default(),
                    reason: "why".to_owned(),
                })),
                10 => drop(story.trigger("shaker", if next(2) == 0 { Contact::On } else { Contact::Off })),
                11 => story.warmth(&format!("{}.5", 17 + next(10))),
                _ => {
                    let (sample, place) =
                        (samples[usize::try_from(next(2)).unwrap()], u32::try_from(next(4)).unwrap() + 1);
                    if let Outcome::Done { made: Some(made), .. } =
                        story.act(Do::RegisterSpecimen { sample, place })
                    {
                        specimens.push(made);
                    }
                }
            }
        }
        story.check_replay();
        for kind in [DocumentKind::Record, DocumentKind::Result] {
            drop(documents(&story, kind));
        }
    }
}
