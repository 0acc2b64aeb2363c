//! Records and results that are approved, returned, voided and answered.

use super::amended::{documents, reading};
use super::people::{everyone, on, staffed};
use super::*;
use crate::domain::report::DocumentKind;
use crate::domain::review::{Act as On, OwnWork, Reviews, Role, State, Subject};
use serde_json::Value;

const CLEO: &str = "Cleo Marsh";

/// A sample of two specimens by Ada, all kept, on a bench that reviews.
fn made(change: impl FnOnce(&mut BenchSettings)) -> (Story, Uuid, [Uuid; 2]) {
    let (mut story, _) = staffed(|bench| {
        bench.review = Reviews::On;
        change(bench);
    });
    let sample = story.sample("S", 2);
    let specimens = [1, 2].map(|place| {
        let specimen = story.specimen(sample, place);
        #[expect(clippy::cast_precision_loss, reason = "whole seconds in a test")]
        let start = (story.now_ns / SECOND) as f64 + 1.0;
        story.run_to_line(specimen, start);
        story.read(specimen, Level::Clay, "7.95");
        story.read(specimen, Level::Sand, "13.22");
        specimen
    });
    (story, sample, specimens)
}

/// Every document of the sample as it stands.
fn looked_at(story: &Story, sample: Uuid) -> Vec<Uuid> {
    let records = story.bench.specimens_of(sample);
    let records = records.iter().filter_map(|s| s.record).map(|issued| issued.id);
    records.chain(story.bench.find_sample(sample).unwrap().result.map(|issued| issued.id)).collect()
}

fn decide(what: &str, of: Subject, documents: &[Uuid], reason: &str) -> Do {
    let (documents, reason) = (documents.to_vec(), reason.to_owned());
    on(match what {
        "approve" => On::Approve { of, documents, reason },
        "return" => On::Return { of, documents, reason },
        "void" => On::Void { of, documents, reason },
        _ => On::Answer { of, documents, reason },
    })
}

fn statuses(story: &Story, kind: DocumentKind) -> Vec<(String, u64)> {
    let of = |d: &Value| {
        (d["data"]["status"].as_str().unwrap().to_owned(), d["data"]["version"].as_u64().unwrap())
    };
    documents(story, kind).iter().map(of).collect()
}

fn pairs(of: &[(&str, u64)]) -> Vec<(String, u64)> {
    of.iter().map(|(status, version)| ((*status).to_owned(), *version)).collect()
}

#[test]
fn a_result_is_approved_with_its_records_by_new_versions_that_name_the_old() {
    let (mut story, sample, [one, _]) = made(|_| {});
    let first = documents(&story, DocumentKind::Result).remove(0);
    assert_eq!(story.bench.for_review[&sample].state, State::Preliminary);
    let seen = looked_at(&story, sample);
    story.ok_by(CLEO, decide("approve", Subject::Sample(sample), &seen, "raw data looked through"));
    assert_eq!(
        statuses(&story, DocumentKind::Record),
        pairs(&[("preliminary", 1), ("preliminary", 1), ("approved", 2), ("approved", 2)])
    );
    assert_eq!(statuses(&story, DocumentKind::Result), pairs(&[("preliminary", 1), ("approved", 2)]));
    let second = documents(&story, DocumentKind::Result).remove(1);
    assert_eq!(second["data"]["replaces"]["id"], first["id"]);
    assert_eq!(second["data"]["result"], first["data"]["result"]);
    let records: Vec<_> = story.bench.specimens_of(sample).iter().map(|s| s.record.unwrap().id).collect();
    let told = second["data"]["specimens"].as_array().unwrap();
    assert_eq!(
        told.iter().map(|s| s["record"].clone()).collect::<Vec<_>>(),
        records.iter().map(|id| Value::from(id.to_string())).collect::<Vec<_>>()
    );
    let review = &second["data"]["review"];
    assert_eq!(
        (&review["authorised"]["person"], &review["operators"][0]["person"]),
        (&CLEO.into(), &"Ada Brook".into())
    );
    let decision = &review["decisions"][0];
    assert_eq!(
        (&decision["decision"], &decision["version"], &decision["document"]["id"], &decision["reason"]),
        (&"approved".into(), &1.into(), &first["id"], &"raw data looked through".into())
    );
    assert!(story.bench.for_review.is_empty());
    let said = story
        .refused_by(Some(CLEO), decide("approve", Subject::Sample(sample), &looked_at(&story, sample), ""));
    assert!(said.contains("approved already"), "{said}");
    assert_eq!(story.bench.find(one).unwrap().standing(), State::Approved);
    story.check_replay();
}

#[test]
fn a_correction_after_approval_makes_record_and_result_preliminary_again() {
    let (mut story, sample, [one, _]) = made(|_| {});
    let seen = looked_at(&story, sample);
    story.ok_by(CLEO, decide("approve", Subject::Sample(sample), &seen, ""));
    // Another level that gives the same number: the result's figures do not change.
    story.ok(reading(one, Level::Sand, "13.25", Some("read again")));
    let last = |story: &Story, kind| statuses(story, kind).pop().unwrap();
    assert_eq!(last(&story, DocumentKind::Record), ("preliminary".to_owned(), 3));
    assert_eq!(last(&story, DocumentKind::Result), ("preliminary".to_owned(), 3));
    let result = documents(&story, DocumentKind::Result).pop().unwrap();
    let review = &result["data"]["review"];
    assert!(review["authorised"].is_null(), "nobody answers for what changed since");
    assert_eq!(review["decisions"].as_array().unwrap().len(), 1, "what was decided is kept");
    assert_eq!(
        story.bench.for_review[&sample].last.as_ref().unwrap().marked.by.person.as_deref(),
        Some(CLEO)
    );
    // Who looked at the earlier version is told.
    let said = story.refused_by(Some(CLEO), decide("approve", Subject::Sample(sample), &seen, ""));
    assert!(
        said.contains("S-1 has changed since you saw it") && said.contains("sand reading was corrected"),
        "{said}"
    );
    story.ok_by(CLEO, decide("approve", Subject::Sample(sample), &looked_at(&story, sample), ""));
    assert_eq!(last(&story, DocumentKind::Record), ("approved".to_owned(), 4));
    assert_eq!(statuses(&story, DocumentKind::Record).len(), 6, "the other record stayed approved");
    assert_eq!(last(&story, DocumentKind::Result), ("approved".to_owned(), 4));
    story.check_replay();
}

#[test]
fn a_returned_record_waits_for_its_maker_and_is_corrected_or_answered() {
    let (mut story, sample, [one, two]) = made(|_| {});
    let record = |story: &Story, id: Uuid| vec![story.bench.find(id).unwrap().record.unwrap().id];
    let why = "the clay reading differs from the worksheet";
    let seen = record(&story, one);
    assert!(
        story.refused_by(Some(CLEO), decide("return", Subject::Specimen(one), &seen, " ")).contains("reason")
    );
    story.ok_by(CLEO, decide("return", Subject::Specimen(one), &seen, why));
    assert_eq!(statuses(&story, DocumentKind::Record).pop().unwrap(), ("returned".to_owned(), 2));
    let waiting = &story.bench.for_review[&sample];
    assert_eq!((waiting.state, waiting.last.as_ref().unwrap().reason.as_str()), (State::Returned, why));
    let all = looked_at(&story, sample);
    let said = story.refused_by(Some(CLEO), decide("approve", Subject::Sample(sample), &all, ""));
    assert!(said.contains("S-1 was returned"), "{said}");
    let answer = decide("answer", Subject::Specimen(one), &record(&story, one), "the worksheet was wrong");
    assert!(story.refused_by(Some(CLEO), answer.clone()).contains("operate"));
    story.ok_by("Ada Brook", answer);
    assert_eq!(statuses(&story, DocumentKind::Record).pop().unwrap(), ("preliminary".to_owned(), 3));
    assert_eq!(story.bench.for_review[&sample].state, State::Preliminary);
    let again = decide("answer", Subject::Specimen(two), &record(&story, two), "why");
    assert!(story.refused_by(Some("Ada Brook"), again).contains("was not returned"));
    // The other way: corrected.
    story.ok_by(CLEO, decide("return", Subject::Specimen(two), &record(&story, two), "read again"));
    story.ok(reading(two, Level::Clay, "8.04", Some("the digits were swapped")));
    assert_eq!(story.bench.for_review[&sample].state, State::Preliminary);
    story.ok_by(CLEO, decide("approve", Subject::Sample(sample), &looked_at(&story, sample), ""));
    assert!(story.bench.for_review.is_empty());
    story.check_replay();
}

#[test]
fn nobody_approves_own_work_unless_the_settings_say_so() {
    for (own, may) in [(OwnWork::MayNot, false), (OwnWork::May, true)] {
        let (mut story, sample, [one, _]) = made(|bench| bench.own_work = own);
        let ada = story.bench.people.named("Ada Brook").unwrap().id;
        let roles = Some(vec![Role::Administer, Role::Operate, Role::Review]);
        story.ok(on(On::ChangePerson { person: ada, name: None, roles, code: None, badge: None }));
        let seen = looked_at(&story, sample);
        for of in [Subject::Specimen(one), Subject::Sample(sample)] {
            let approve = decide("approve", of, &looked_at(&story, sample), "");
            if may {
                story.ok(approve);
            } else {
                let said = story.refused(approve);
                assert!(said.contains("Ada Brook worked on") && said.contains("own-work"), "{said}");
            }
        }
        // To give it back, or to take it out, is always right.
        if !may {
            story.ok(decide("return", Subject::Sample(sample), &seen, "a second look, please"));
        }
    }
}

/// What Cleo may have done besides: each is work, and she approves neither the record nor the result.
#[test]
fn whoever_did_a_step_or_weighed_approves_neither_record_nor_result() {
    use crate::domain::preparation::Act as Prep;
    type Work = fn(&mut Story, Uuid);
    let course = |what: Prep| Do::Preparation(Box::new(what));
    let done = |sample, step: &str| Do::Preparation(Box::new(Prep::Done { sample, step: step.to_owned() }));
    let works: [(&str, Work); 4] = [
        ("skipped a step", |story, sample| {
            let reason = "the agency asks for no mass".to_owned();
            let step = "weigh what is left".to_owned();
            story.ok_by(CLEO, Do::Preparation(Box::new(Prep::Skip { sample, step, reason })));
        }),
        ("took an entry back", |story, sample| {
            let reason = "it was another bag".to_owned();
            story.ok_by(CLEO, Do::Preparation(Box::new(Prep::TakeBack { sample, reason })));
        }),
        ("weighed", |story, sample| {
            story.ok_by(CLEO, Do::AwaitSampleMass { sample, name: "passing".to_owned() });
            story.weigh("1200.0");
        }),
        ("did nothing", |_, _| {}),
    ];
    for (what, work) in works {
        let (mut story, [_, _, cleo]) = staffed(|bench| bench.review = Reviews::On);
        let roles = Some(vec![Role::Operate, Role::Review]);
        story.ok(on(On::ChangePerson { person: cleo, name: None, roles, code: None, badge: None }));
        let sample = story.sample("S", 1);
        let name = t176().preparation.courses[0].name.clone();
        story.ok(course(Prep::Follow { sample, course: name }));
        for step in ["sieve", "keep the fines"] {
            story.ok(done(sample, step));
        }
        if what == "skipped a step" {
            story.ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
            story.weigh("1200.0");
            story.ok(done(sample, "reduce"));
        }
        work(&mut story, sample);
        let specimen = story.specimen(sample, 1);
        story.run_to_line(specimen, 10.0);
        story.read(specimen, Level::Clay, "7.95");
        story.read(specimen, Level::Sand, "13.22");
        for of in [Subject::Specimen(specimen), Subject::Sample(sample)] {
            let approve = decide("approve", of, &looked_at(&story, sample), "");
            if what == "did nothing" {
                story.ok_by(CLEO, approve);
            } else {
                let said = story.refused_by(Some(CLEO), approve);
                assert!(said.contains("Cleo Marsh worked on"), "{what}: {said}");
            }
        }
    }
}

#[test]
fn whoever_stated_the_moisture_or_the_fines_worked_on_the_sample() {
    use crate::domain::measure::{Property, Stated};
    use crate::domain::review::worked_on;
    let (story, sample, _) = made(|_| {});
    let sample = Sample::clone(story.bench.find_sample(sample).unwrap());
    assert!(!worked_on(&sample, &[]).contains(CLEO));
    for of in [Property::Moisture, Property::Fines] {
        let by = crate::domain::specimen::By { person: Some(CLEO.to_owned()), via: "page".to_owned() };
        let marked = crate::domain::specimen::Marked { moment: at(0), by };
        let mut stated = sample.clone();
        stated.material.state(of, Stated { percent: 3.into(), marked });
        assert!(worked_on(&stated, &[]).contains(CLEO), "{of:?}");
    }
}

#[test]
fn a_voided_specimen_an_unknown_one_and_one_at_work_are_no_matter_for_review() {
    let (mut story, sample, [one, two]) = made(|_| {});
    let record = story.bench.find(one).unwrap().record.unwrap().id;
    story.ok_by(CLEO, decide("void", Subject::Specimen(one), &[record], "the cylinder was cracked"));
    let last = documents(&story, DocumentKind::Record).pop().unwrap();
    assert_eq!(
        (&last["data"]["status"], &last["data"]["changes"][0]["kind"]),
        (&"void".into(), &"voided".into())
    );
    assert_eq!(last["data"]["review"]["decisions"][0]["decision"], "voided");
    assert_eq!(
        statuses(&story, DocumentKind::Result).pop().unwrap().0,
        "void",
        "one of two planned is not enough"
    );
    assert!(story.bench.for_review.is_empty());
    let now = story.bench.find(one).unwrap().record.unwrap().id;
    let said = story.refused_by(Some(CLEO), decide("approve", Subject::Specimen(one), &[now], ""));
    assert!(said.contains("S-1 is void"), "{said}");
    let said = story.refused_by(Some(CLEO), decide("approve", Subject::Sample(sample), &[now], ""));
    assert!(said.contains("no result that stands"), "{said}");
    let stranger = Uuid::from_u128(99);
    for of in [Subject::Specimen(stranger), Subject::Sample(stranger)] {
        assert!(story.refused_by(Some(CLEO), decide("approve", of, &[now], "")).contains("there is no"));
    }
    let third = story.specimen(sample, 3);
    let said = story.refused_by(Some(CLEO), decide("approve", Subject::Specimen(third), &[now], ""));
    assert!(said.contains("at work"), "{said}");
    let none = decide("approve", Subject::Specimen(two), &[], "");
    assert!(story.refused_by(Some(CLEO), none).contains("looked at"));
    story.check_replay();
}

#[test]
fn a_voided_result_voids_every_specimen_of_it() {
    let (mut story, sample, _) = made(|_| {});
    let seen = looked_at(&story, sample);
    story.ok_by(CLEO, decide("void", Subject::Sample(sample), &seen, "the solution was the wrong one"));
    let records = documents(&story, DocumentKind::Record);
    assert_eq!(records.iter().filter(|r| r["data"]["status"] == "void").count(), 2);
    let result = documents(&story, DocumentKind::Result).pop().unwrap();
    assert_eq!((&result["data"]["status"], &result["data"]["version"]), (&"void".into(), &2.into()));
    assert_eq!(result["data"]["review"]["decisions"][0]["reason"], "the solution was the wrong one");
    story.check_replay();
}

#[test]
fn two_reviewers_at_once_the_second_is_told_what_changed() {
    let (mut story, _, [one, _]) = made(|_| {});
    let specimen = story.bench.find(one).unwrap();
    let (seen, record) = (specimen.version, specimen.record.unwrap().id);
    story.ok_by(CLEO, decide("return", Subject::Specimen(one), &[record], "look at the soak"));
    // With the version of the specimen that was seen, and without it.
    for seen in [Some(seen), None] {
        let act = Act {
            id: story.id(),
            who: Some(CLEO.to_owned()),
            via: "page".to_owned(),
            seen,
            stated_wall_ns: None,
            balance: None,
            take_over: false,
            what: decide("approve", Subject::Specimen(one), &[record], ""),
        };
        let Outcome::Refused { refusal, text } = story.input(What::Act(act)) else { panic!() };
        assert!(matches!(refusal, Refusal::Changed { .. }), "{refusal:?}");
        assert!(text.contains("its record was returned") && text.contains(CLEO), "{text}");
    }
}

#[test]
fn a_reason_that_is_pending_comes_before_approval() {
    let (mut story, sample, [one, _]) = made(|_| {});
    let correction = story.ok(reading(one, Level::Sand, "13.25", None));
    let approve = |story: &Story| decide("approve", Subject::Sample(sample), &looked_at(story, sample), "");
    let said = story.refused_by(Some(CLEO), approve(&story));
    assert!(said.contains("pending"), "{said}");
    let reason = "read again".to_owned();
    story.ok(Do::GiveReason { specimen: one, correction, reason });
    story.ok_by(CLEO, approve(&story));
    assert!(story.bench.for_review.is_empty());
}

#[test]
fn without_the_setting_nothing_is_reviewed_and_without_a_register_a_name_is_enough() {
    let (mut story, sample, _) = super::amended::complete(2);
    let approve = decide("approve", Subject::Sample(sample), &looked_at(&story, sample), "");
    assert!(story.refused(approve.clone()).contains("set `review` of [bench]"));
    assert!(story.bench.for_review.is_empty(), "and nothing waits");
    story.bench.settings.review = Reviews::On;
    assert!(story.refused_by(None, approve.clone()).contains("names a person"));
    story.ok(approve);
    let result = documents(&story, DocumentKind::Result);
    // The change of the settings above is no event, so only what was made after it is told here.
    assert_eq!(result.last().unwrap()["data"]["review"]["authorised"]["id"], Value::Null);
}

#[test]
fn the_particulars_of_an_approved_sample_corrected_give_one_new_version_of_each() {
    let (mut story, sample, _) = made(|_| {});
    let seen = looked_at(&story, sample);
    story.ok_by(CLEO, decide("approve", Subject::Sample(sample), &seen, ""));
    let particulars = crate::domain::intake::Particulars {
        lot: Some("13".to_owned()),
        ..crate::domain::intake::Particulars::default()
    };
    story.ok(Do::Intake(crate::domain::intake::Act::CorrectParticulars {
        sample,
        particulars: Box::new(particulars),
        reason: "the delivery note says so".to_owned(),
        version: None,
    }));
    assert_eq!(
        statuses(&story, DocumentKind::Result),
        pairs(&[("preliminary", 1), ("approved", 2), ("preliminary", 3)])
    );
    assert_eq!(statuses(&story, DocumentKind::Record)[4..], pairs(&[("preliminary", 3), ("preliminary", 3)]));
    assert_eq!(story.bench.for_review[&sample].state, State::Preliminary);
}

/// Everything that can happen to people and to what they review.
pub(super) fn everything(method: Arc<Method>) -> Story {
    let (mut story, _) = everyone(method);
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10.0);
    story.read(specimen, Level::Clay, "7.95");
    story.read(specimen, Level::Sand, "13.22");
    let seen = looked_at(&story, sample);
    story.ok_by(CLEO, decide("approve", Subject::Sample(sample), &seen, "raw data looked through"));
    story
}
