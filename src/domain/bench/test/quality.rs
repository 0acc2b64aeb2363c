//! Which specimens count, what lies too far apart, and what the limit says: as the people see it.

use super::amended::{documents, reading, void};
use super::*;
use crate::domain::intake::{Limit, Particulars};
use crate::domain::method::FurtherRule;
use crate::domain::preparation::Act as Prep;
use crate::domain::quality::charts::Charts;
use crate::domain::quality::{Act, Compared, Deviations, Why, counting};
use crate::domain::report::DocumentKind;
use crate::domain::specimen::note::NoteKind;
use rust_decimal::Decimal;
use serde_json::Value;

pub(super) const METHOD: &str = "aashto-t176-mechanical";

/// T 176 without a window of temperature, so that nothing deviates that a story does not let happen.
pub(super) fn calm(change: impl FnOnce(&mut Method)) -> Arc<Method> {
    let mut method = (*t176()).clone();
    method.temperature.limits.value = None;
    change(&mut method);
    Arc::new(method)
}

/// A bench whose laboratory holds specimens with deviations.
fn holding() -> Story {
    Story::with(|s| {
        s.methods = vec![calm(|_| {})];
        s.bench.deviations = Deviations::Hold;
    })
}

pub(super) fn limit(at_least: &str) -> Limit {
    Limit { at_least: at_least.parse().unwrap(), specification: "Section 3 contract".to_owned() }
}

pub(super) fn limited(story: &mut Story, label: &str, specimens: u32, at_least: &str) -> Uuid {
    let particulars = Particulars { limit: Some(limit(at_least)), ..Particulars::default() };
    story.ok(Do::RegisterSample {
        label: label.to_owned(),
        method: METHOD.to_owned(),
        specimens: Some(specimens),
        particulars: Some(Box::new(particulars)),
    })
}

/// From an empty place to both levels; `spilled` is a deviation.
fn run(story: &mut Story, specimen: Uuid, levels: [&str; 2], spilled: bool) {
    #[expect(clippy::cast_precision_loss, reason = "whole seconds in a test")]
    let start = (story.now_ns / SECOND) as f64 + 1.0;
    story.run_to_line(specimen, start);
    if spilled {
        story.ok(Do::NoteSpecimen { specimen, note: NoteKind::Spilled, text: None });
    }
    story.read(specimen, Level::Clay, levels[0]);
    story.read(specimen, Level::Sand, levels[1]);
}

pub(super) fn registered(
    story: &mut Story,
    sample: Uuid,
    place: u32,
    levels: [&str; 2],
    spilled: bool,
) -> Uuid {
    let specimen = story.specimen(sample, place);
    run(story, specimen, levels, spilled);
    specimen
}

pub(super) fn quality(what: Act) -> Do {
    Do::Quality(Box::new(what))
}

pub(super) fn admit(specimen: Uuid) -> Do {
    quality(Act::Admit { specimen, reason: "a few drops, after the line was read".to_owned() })
}

fn hold_again(specimen: Uuid) -> Do {
    quality(Act::WithdrawAdmission { specimen, reason: "it was more than drops".to_owned() })
}

fn replace(specimen: Uuid, place: u32) -> Do {
    quality(Act::Replace { specimen, place })
}

pub(super) fn set_limit(sample: Uuid, limit: Option<Limit>) -> Do {
    quality(Act::SetLimit { sample, limit, reason: "the contract was amended".to_owned(), version: None })
}

pub(super) fn reported(story: &Story, sample: Uuid) -> Option<&str> {
    story.bench.find_sample(sample).unwrap().reported.as_deref()
}

pub(super) fn results(story: &Story) -> Vec<Value> {
    documents(story, DocumentKind::Result).into_iter().map(|document| document["data"].clone()).collect()
}

/// Levels that give 42, 44 and 41 (the published example: 42.3, raised to 43), and 52.
pub(super) const GIVES_42: [&str; 2] = ["7.95", "13.22"];
const GIVES_44: [&str; 2] = ["8.0", "13.5"];
const GIVES_41: [&str; 2] = ["8.8", "13.6"];
pub(super) const GIVES_52: [&str; 2] = ["8.1", "14.2"];

/// Two specimens, of which the second is held.
fn one_held() -> (Story, Uuid, [Uuid; 2]) {
    let mut story = holding();
    let sample = story.sample("H", 2);
    let first = registered(&mut story, sample, 1, GIVES_42, false);
    let second = registered(&mut story, sample, 2, GIVES_44, true);
    (story, sample, [first, second])
}

/// Everything that can happen here, for the frozen examples.
pub(super) fn whole_story(method: Arc<Method>) -> Story {
    let mut method = (*method).clone();
    method.temperature.limits.value = None;
    method.replicates.max_difference.value = Some(Decimal::from(8));
    method.replicates.further_specimens.value = Some(1);
    let mut story = Story::with(|s| {
        s.methods = vec![Arc::new(method)];
        s.bench.deviations = Deviations::Hold;
        s.bench.precision = Compared::On;
        s.bench.charts = Charts::On;
        s.bench.uncertainty =
            serde_json::from_str(r#"{"repeatability": "1.8", "degrees-of-freedom": 30}"#).ok();
    });
    let sample = limited(&mut story, "Q-0", 1, "40");
    let decided = registered(&mut story, sample, 8, GIVES_44, true);
    story.ok(admit(decided));
    story.ok(hold_again(decided));
    story.ok(admit(decided));
    story.mark(decided, "clean", Edge::Done);
    let sample = limited(&mut story, "Q-1", 2, "40");
    registered(&mut story, sample, 1, GIVES_42, false);
    let spilled = registered(&mut story, sample, 2, GIVES_44, true);
    let new = story.ok(replace(spilled, 3));
    let far = registered(&mut story, sample, 4, GIVES_52, false);
    run(&mut story, new, GIVES_44, false);
    assert!(story.bench.samples[&sample].quality.further.is_some());
    // A slip of the pen: nothing lies apart, and nothing more is asked for.
    story.ok(reading(far, Level::Sand, "13.3", Some("the digits were swapped")));
    assert_eq!(reported(&story, sample), Some("43"));
    story.ok(set_limit(sample, Some(limit("45"))));
    let sample = story.sample("Q-2", 2);
    registered(&mut story, sample, 5, GIVES_42, false);
    registered(&mut story, sample, 6, GIVES_52, false);
    registered(&mut story, sample, 7, GIVES_44, false);
    let chart = super::accepted::charted(
        &mut story,
        &["13.2", "13.3", "13.4", "13.3", "13.2", "13.3", "13.4", "13.3"],
    );
    story.ok(super::accepted::freeze(chart));
    story
}

#[test]
fn a_deviation_counts_unless_the_laboratory_holds_it() {
    let mut story = Story::with(|s| s.methods = vec![calm(|_| {})]);
    let sample = story.sample("C", 2);
    registered(&mut story, sample, 1, GIVES_42, false);
    registered(&mut story, sample, 2, GIVES_44, true);
    assert_eq!(reported(&story, sample), Some("43"));
    let result = documents(&story, DocumentKind::Result).remove(0);
    assert_eq!(result["dataschema"], "https://stillstand.example/schema/sample-result/1.0.0");
    story.check_replay();
}

#[test]
fn a_held_specimen_keeps_the_result_back_until_somebody_admits_it_with_a_reason() {
    let (mut story, sample, [_, held]) = one_held();
    assert_eq!(reported(&story, sample), None);
    let counts = counting(&story.bench.samples[&sample]).why(held);
    assert_eq!(counts, Some(Why::Held));
    let no_reason = quality(Act::Admit { specimen: held, reason: " ".to_owned() });
    assert!(story.refused(no_reason).contains("reason"));
    story.ok(admit(held));
    assert_eq!(reported(&story, sample), Some("43"));
    assert!(story.refused(admit(held)).contains("counts already"));
    let result = results(&story).remove(0);
    assert_eq!(result["specimens"].as_array().unwrap().len(), 2);
    let change = &result["changes"][0];
    assert_eq!((&change["kind"], &change["who"]["person"]), (&"admitted".into(), &"Ada Brook".into()));
    assert_eq!(change["reason"], "a few drops, after the line was read");
    assert_eq!(change["specimen"]["label"], "H-2");
    assert_eq!(result["notCounted"], Value::Null, "every specimen counts");
    story.check_replay();
}

#[test]
fn an_unnamed_person_admits_nothing() {
    let (mut story, _, [_, held]) = one_held();
    let id = story.id();
    let act = super::super::Act {
        id,
        who: None,
        via: "page".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: admit(held),
    };
    let Outcome::Refused { text, .. } = story.input(What::Act(act)) else { panic!() };
    assert!(text.contains("names a person"), "{text}");
}

#[test]
fn whoever_enters_the_last_level_is_told_that_it_is_held() {
    let mut story = holding();
    let sample = story.sample("H", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 1.0);
    story.ok(Do::NoteSpecimen { specimen, note: NoteKind::Spilled, text: None });
    story.read(specimen, Level::Clay, "8.0");
    let sand = Do::EnterReading { specimen, of: Level::Sand, value: "13.3".to_owned(), confirmed: false };
    let Outcome::Done { note, .. } = story.act(sand) else { panic!() };
    assert!(note.contains("held for its deviation: admit or replace it"), "{note}");
}

#[test]
fn a_replacement_stands_for_the_held_one_and_the_result_says_so() {
    let (mut story, sample, [first, held]) = one_held();
    assert!(story.refused(replace(first, 3)).contains("is not held"));
    let new = story.ok(replace(held, 3));
    assert!(story.refused(replace(held, 4)).contains("H-3 is run in the place of H-2 already"));
    assert!(story.refused(admit(held)).contains("give that one up first"));
    run(&mut story, new, GIVES_41, false);
    // 42 and 41: 41.5, raised.
    assert_eq!(reported(&story, sample), Some("42"));
    let result = results(&story).remove(0);
    let labels: Vec<_> = result["specimens"].as_array().unwrap().iter().map(|s| &s["label"]).collect();
    assert_eq!(labels, ["H-1", "H-3"]);
    let not = &result["notCounted"];
    assert_eq!(not.as_array().unwrap().len(), 1);
    assert_eq!((&not[0]["label"], &not[0]["why"]), (&"H-2".into(), &"replaced".into()));
    assert_eq!((&not[0]["replacedBy"]["label"], &not[0]["deviations"]), (&"H-3".into(), &1.into()));
    // The new one's own record says the same from its side, in the version that has words for it.
    let records = documents(&story, DocumentKind::Record);
    let of = |label: &str| records.iter().rfind(|r| r["data"]["specimen"]["label"] == label).unwrap();
    let place = &of("H-3")["data"]["specimen"]["inPlaceOf"];
    assert_eq!((&place["id"], &place["label"]), (&held.to_string().into(), &"H-2".into()));
    assert!(of("H-3")["dataschema"].as_str().unwrap().ends_with("specimen-record/1.2.0"));
    for other in ["H-1", "H-2"] {
        assert_eq!(of(other)["data"]["specimen"].get("inPlaceOf"), None, "{other}");
    }
    let schema = include_str!("../../../../docs/schema/specimen-record-1.2.schema.json");
    let validator = jsonschema::validator_for(&serde_json::from_str(schema).unwrap()).unwrap();
    assert!(
        validator.validate(of("H-3")).is_ok(),
        "{:?}",
        validator.iter_errors(of("H-3")).collect::<Vec<_>>()
    );
    story.check_replay();
}

#[test]
fn a_tin_is_still_wanted_for_a_planned_specimen_after_another_one_was_replaced() {
    let mut story = holding();
    let sample = story.sample("T", 2);
    let prep = |act: Prep| Do::Preparation(Box::new(act));
    let done = |step: &str| prep(Prep::Done { sample, step: step.to_owned() });
    let fill = || prep(Prep::FillTin { sample, tin: None, mark: None, confirmed: false });
    story.ok(prep(Prep::Follow { sample, course: "alternate-1".to_owned() }));
    story.ok(done("sieve"));
    story.ok(done("keep the fines"));
    story.ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    story.weigh("1204.5");
    story.ok(done("reduce"));
    let reason = "the agency asks for no mass".to_owned();
    story.ok(prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }));
    story.ok(fill());
    story.ok(fill());
    let held = registered(&mut story, sample, 1, GIVES_44, true);
    // It takes the second tin, and the second of the planned specimens has none any more.
    story.ok(replace(held, 2));
    story.ok(fill());
    let planned = story.specimen(sample, 3);
    let course = story.bench.samples[&sample].course.as_ref().unwrap();
    assert_eq!(course.tin_of(planned).unwrap().0, 3);
    assert!(story.refused(fill()).contains("wants no more tins"));
    story.check_replay();
}

#[test]
fn a_replacement_that_is_given_up_leaves_the_held_one_to_be_decided() {
    let (mut story, sample, [_, held]) = one_held();
    let new = story.ok(replace(held, 3));
    story.ok(void(new, "the tin fell"));
    assert_eq!(counting(&story.bench.samples[&sample]).why(held), Some(Why::Held));
    let withdrawn = Do::WithdrawLast { specimen: new, together: false, for_another: false, reason: None };
    story.ok(withdrawn);
    assert_eq!(counting(&story.bench.samples[&sample]).why(held), Some(Why::Replaced));
    story.ok(void(new, "the tin fell after all"));
    story.ok(admit(held));
    assert_eq!(reported(&story, sample), Some("43"));
    let result = results(&story).remove(0);
    let not = &result["notCounted"][0];
    assert_eq!(
        (&not["label"], &not["why"], &not["text"]),
        (&"H-3".into(), &"void".into(), &"the tin fell after all".into())
    );
    assert_eq!((&not["record"], &not["reported"]), (&Value::Null, &Value::Null));
    story.check_replay();
}

#[test]
fn a_specimen_given_up_is_replaced_by_a_linked_one_too() {
    let mut story = Story::with(|s| s.methods = vec![calm(|_| {})]);
    let sample = story.sample("V", 1);
    let gone = story.specimen(sample, 1);
    story.ok(void(gone, "the cylinder leaked"));
    let new = story.ok(replace(gone, 2));
    run(&mut story, new, GIVES_42, false);
    let result = results(&story).remove(0);
    assert_eq!(result["notCounted"][0]["replacedBy"]["label"], "V-2");
    assert!(story.refused(replace(gone, 3)).contains("already"));
}

#[test]
fn what_turns_up_after_an_admission_holds_the_specimen_again() {
    let (mut story, sample, [_, held]) = one_held();
    story.ok(admit(held));
    // The end of the shake had been marked too early: it took 50 s in truth.
    let time = Do::CorrectTime { specimen: held, step: "shake".to_owned(), edge: Edge::End, reason: None };
    let shaken = {
        let specimen = story.bench.find(held).unwrap();
        let (method, points) = story.bench.rule(specimen).unwrap();
        let step = method.step_index("shake").unwrap();
        let end = points.iter().position(|p| p.step == step && p.edge == Edge::End).unwrap();
        let wall_ns = specimen.points[end].as_ref().unwrap().moment.wall_ns;
        (wall_ns - at(0).wall_ns) / SECOND
    };
    assert!(matches!(story.act_at(time, Some(shaken + 5)), Outcome::Done { .. }));
    assert_eq!(reported(&story, sample), None, "two deviations, and one was admitted");
    let versions = results(&story);
    let last = versions.last().unwrap();
    assert_eq!((&last["status"], &last["version"]), (&"void".into(), &2.into()));
    assert_eq!(last["notCounted"][0]["why"], "held");
    story.ok(admit(held));
    assert_eq!(reported(&story, sample), Some("43"));
    assert_eq!(results(&story).last().unwrap()["version"], 3);
    story.check_replay();
}

#[test]
fn an_admission_is_taken_back_with_a_reason_and_the_result_follows() {
    let (mut story, sample, [first, held]) = one_held();
    assert!(story.refused(hold_again(held)).contains("is not admitted"));
    story.ok(admit(held));
    story.ok(hold_again(held));
    assert_eq!(reported(&story, sample), None);
    let last = results(&story).pop().unwrap();
    let kinds: Vec<_> = last["changes"].as_array().unwrap().iter().map(|c| &c["kind"]).collect();
    assert_eq!(kinds, ["admitted", "admission-withdrawn"]);
    assert!(story.refused(hold_again(first)).contains("is not admitted"));
    story.check_replay();
}

#[test]
fn a_sample_keeps_the_rule_under_which_it_was_registered() {
    let (mut story, sample, _) = one_held();
    let mut started = Started {
        station: "bench-a".to_owned(),
        title: "Bench A".to_owned(),
        version: "0".to_owned(),
        rehearsal: false,
        bench: (*story.bench.settings).clone(),
        triggers: BTreeMap::new(),
        instruments: BTreeMap::new(),
        methods: vec![calm(|_| {})],
        network: NetworkFacts::default(),
        signing_key: None,
        equipment: Vec::new(),
        recipes: Vec::new(),
        calendar: crate::domain::calendar::Calendar::default(),
    };
    started.bench.deviations = Deviations::Count;
    story.input(What::Started(Box::new(started)));
    assert_eq!(reported(&story, sample), None, "held as before");
    let next = story.sample("N", 1);
    registered(&mut story, next, 4, GIVES_42, true);
    assert_eq!(reported(&story, next), Some("42"));
    story.check_replay();
}

/// A method that asks for so many further specimens where two differ by more than 8.
fn apart(specimens: u32, rule: FurtherRule) -> Story {
    let method = calm(|m| {
        m.replicates.max_difference.value = Some(Decimal::from(8));
        m.replicates.further_specimens.value = Some(specimens);
        m.replicates.further_result.value = Some(rule);
    });
    Story::with(|s| s.methods = vec![method])
}

#[test]
fn results_too_far_apart_ask_for_further_specimens_once() {
    let mut story = apart(1, FurtherRule::Together);
    let sample = story.sample("F", 2);
    registered(&mut story, sample, 1, GIVES_42, false);
    let second = story.specimen(sample, 2);
    story.run_to_line(second, 3000.0);
    story.read(second, Level::Clay, GIVES_52[0]);
    let value = GIVES_52[1].to_owned();
    let sand = Do::EnterReading { specimen: second, of: Level::Sand, value, confirmed: false };
    let Outcome::Done { note, .. } = story.act(sand) else { panic!() };
    assert!(note.contains("10 apart, and 8 is allowed: 1 more"), "{note}");
    assert_eq!((reported(&story, sample), story.bench.samples[&sample].planned), (None, 3));
    registered(&mut story, sample, 3, GIVES_41, false);
    // 42, 52 and 41: 45. They still lie apart, and nothing more is asked for.
    assert_eq!(reported(&story, sample), Some("45"));
    let result = results(&story).remove(0);
    assert_eq!(
        (&result["difference"]["text"], &result["difference"]["verdict"]),
        (&"11".into(), &"over".into())
    );
    story.check_replay();
}

#[test]
fn eight_apart_is_kept_where_eight_is_allowed() {
    let mut story = apart(1, FurtherRule::Together);
    let sample = story.sample("F", 2);
    registered(&mut story, sample, 1, GIVES_44, false);
    registered(&mut story, sample, 2, GIVES_52, false);
    assert_eq!(reported(&story, sample), Some("48"));
}

#[test]
fn a_test_that_is_run_again_stands_alone() {
    let mut story = apart(2, FurtherRule::Alone);
    let sample = story.sample("F", 2);
    registered(&mut story, sample, 1, GIVES_42, false);
    registered(&mut story, sample, 2, GIVES_52, false);
    registered(&mut story, sample, 3, GIVES_44, false);
    assert_eq!(reported(&story, sample), None);
    registered(&mut story, sample, 4, GIVES_42, false);
    assert_eq!(reported(&story, sample), Some("43"));
    let result = results(&story).remove(0);
    let why: Vec<_> = result["notCounted"].as_array().unwrap().iter().map(|n| &n["why"]).collect();
    assert_eq!(why, ["before-the-repeat", "before-the-repeat"]);
    story.check_replay();
}

#[test]
fn a_person_may_plan_fewer_and_the_first_ones_stand() {
    let mut story = apart(2, FurtherRule::Alone);
    let sample = story.sample("F", 2);
    registered(&mut story, sample, 1, GIVES_42, false);
    registered(&mut story, sample, 2, GIVES_52, false);
    story.ok(Do::PlanSpecimens { sample, specimens: 2 });
    assert_eq!(reported(&story, sample), Some("47"));
    assert_eq!(results(&story)[0]["difference"]["verdict"], "over");
    story.check_replay();
}

#[test]
fn a_correction_that_brings_them_together_takes_the_call_back() {
    let mut story = apart(2, FurtherRule::Together);
    let sample = story.sample("F", 2);
    registered(&mut story, sample, 1, GIVES_42, false);
    let wrong = registered(&mut story, sample, 2, GIVES_52, false);
    story.ok(reading(wrong, Level::Sand, "13.3", Some("misread by a whole inch")));
    // 3.3 / 8.1 = 40.7, raised to 41; with 42 that is 41.5, raised.
    assert_eq!((reported(&story, sample), story.bench.samples[&sample].planned), (Some("42"), 2));
    story.check_replay();
}

#[test]
fn published_precision_is_compared_only_where_the_laboratory_asks_and_then_asks_for_more() {
    let method = || calm(|m| m.replicates.further_specimens.value = Some(1));
    let mut silent = Story::with(|s| s.methods = vec![method()]);
    let sample = silent.sample("P", 2);
    registered(&mut silent, sample, 1, GIVES_42, false);
    registered(&mut silent, sample, 2, GIVES_52, false);
    assert_eq!(results(&silent)[0]["precision"], Value::Null);
    let mut story = Story::with(|s| {
        s.methods = vec![method()];
        s.bench.precision = Compared::On;
    });
    let sample = story.sample("P", 2);
    registered(&mut story, sample, 1, GIVES_42, false);
    registered(&mut story, sample, 2, GIVES_52, false);
    // 10 apart, and D2419 prints 8.2 under 80 (from memory).
    assert_eq!(reported(&story, sample), None);
    registered(&mut story, sample, 3, GIVES_44, false);
    let precision = &results(&story)[0]["precision"];
    // Three results: 3.3 times 2.9.
    assert_eq!(precision["operator"]["range"], "9.57");
    assert_eq!((&precision["range"]["text"], &precision["verdict"]), (&"10".into(), &"outside".into()));
    assert_eq!(precision["furtherAsked"]["limit"], "8.2");
    assert_eq!((&precision["class"], &precision["confidence"]), (&"under 80".into(), &"from-memory".into()));
    story.check_replay();
}

#[test]
fn an_old_state_without_any_of_this_is_one_to_start_from() {
    let mut story = Story::with(|s| s.methods = vec![calm(|_| {})]);
    let sample = story.sample("O", 2);
    registered(&mut story, sample, 1, GIVES_42, true);
    let text = serde_json::to_string(&story.bench).unwrap();
    for word in ["\"deviations\":\"hold\"", "admissions", "\"uncertainty\"", "\"cold\":", "further-specimens"]
    {
        assert!(!text.contains(word), "`{word}` is written though nobody uses it");
    }
    let mut old: Value = serde_json::from_str(&text).unwrap();
    for sample in old["samples"].as_object_mut().unwrap().values_mut() {
        sample.as_object_mut().unwrap().remove("quality");
    }
    let read: Bench = serde_json::from_value(old).unwrap();
    assert_eq!(read.samples[&sample].counted, story.bench.samples[&sample].counted);
}
