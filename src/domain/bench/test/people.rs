//! Who acts: the register, signing on, roles, qualifications.

use super::amended::{complete, documents};
use super::*;
use crate::domain::report::DocumentKind;
use crate::domain::review::{
    Act as On, AskQualification, Decision, Held, How, OwnWork, Reviews, Role, Secret, SignOn,
};
use crate::domain::specimen::judge::Code;

const METHOD: &str = "aashto-t176-mechanical";
const DAY: f64 = 86_400.0;

pub(super) fn on(what: On) -> Do {
    Do::Review(Box::new(what))
}

#[expect(clippy::unnecessary_wraps, reason = "as an act has it")]
fn secret(text: &str) -> Option<Secret> {
    Some(Secret::new(text))
}

fn code(text: &str) -> Do {
    on(On::SignOn { code: secret(text), badge: None })
}

fn add(name: &str, roles: &[Role], code: &str) -> Do {
    on(On::AddPerson { name: name.to_owned(), roles: roles.to_vec(), code: secret(code), badge: None })
}

fn qualify(person: Uuid, until: Option<&str>) -> Do {
    let (method, until) = (METHOD.to_owned(), until.map(str::to_owned));
    on(On::Qualify { person, method, until, note: "observed test of 2026-03-02".to_owned() })
}

impl Story {
    pub(super) fn by(&mut self, who: Option<&str>, what: Do) -> Outcome {
        let act = Act {
            id: self.id(),
            who: who.map(str::to_owned),
            via: "page".to_owned(),
            seen: None,
            stated_wall_ns: None,
            balance: None,
            take_over: false,
            what,
        };
        self.input(What::Act(act))
    }

    pub(super) fn ok_by(&mut self, who: &str, what: Do) -> Uuid {
        match self.by(Some(who), what.clone()) {
            Outcome::Done { made, .. } => made.unwrap_or_default(),
            other => panic!("{who}: {what:?} gave {other:?}"),
        }
    }

    pub(super) fn refused_by(&mut self, who: Option<&str>, what: Do) -> String {
        let mut before = self.bench.clone();
        match self.by(who, what.clone()) {
            Outcome::Refused { text, .. } => {
                before.people.wrong.clone_from(&self.bench.people.wrong);
                assert_eq!(self.bench, before, "a refused act changed the bench");
                text
            }
            other => panic!("{who:?}: {what:?} gave {other:?}"),
        }
    }
}

/// Ada keeps the register and works at the bench, Ben works, Cleo reviews. All are signed on.
pub(super) fn staffed(change: impl FnOnce(&mut BenchSettings)) -> (Story, [Uuid; 3]) {
    let mut story = Story::with(|started| change(&mut started.bench));
    let ada = story.ok(add("Ada Brook", &[Role::Administer, Role::Operate], "1001"));
    story.ok(code("1001"));
    let ben = story.ok(add("Ben Hall", &[Role::Operate], "2002"));
    let cleo = story.ok(add("Cleo Marsh", &[Role::Review], "3003"));
    for typed in ["2002", "3003"] {
        story.by(None, code(typed));
    }
    (story, [ada, ben, cleo])
}

#[test]
fn with_nobody_registered_everything_is_as_it_was() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    story.by(None, Do::RegisterSpecimen { sample, place: 1 });
    assert_eq!(story.bench.at_place(1).unwrap().registered.by.person, None);
    assert!(story.refused(code("1001")).contains("nobody is registered"));
}

#[test]
fn the_first_person_keeps_the_register_and_from_then_on_acts_name_who_is_signed_on() {
    let mut story = Story::new();
    assert!(story.refused(add("Ben Hall", &[Role::Operate], "2002")).contains("administer"));
    let nobody = on(On::AddPerson {
        name: "Ada Brook".to_owned(),
        roles: vec![Role::Administer],
        code: None,
        badge: None,
    });
    assert!(story.refused(nobody).contains("code or badge"));
    let ada = story.ok(add("Ada Brook", &[Role::Administer, Role::Operate], "1001"));
    let said = story.refused(add("Ben Hall", &[Role::Operate], "2002"));
    assert!(said.contains("Ada Brook is not signed on (nobody is)"), "{said}");
    assert!(story.refused_by(None, code("1002")).contains("nobody here has this code"));
    assert_eq!(story.ok(code("1001")), ada);
    story.ok(add("Ben Hall", &[Role::Operate], "2002"));
    let register = Do::RegisterSample {
        label: "S".to_owned(),
        method: METHOD.to_owned(),
        specimens: Some(1),
        particulars: None,
    };
    let said = story.refused_by(Some("Ben Hall"), register.clone());
    assert!(said.contains("Ben Hall is not signed on (signed on: Ada Brook)"), "{said}");
    let said = story.refused_by(Some("Dan Ford"), register.clone());
    assert!(said.contains("`Dan Ford` is not in the register"), "{said}");
    assert!(story.refused_by(None, register.clone()).contains("names nobody"));
    // By identity, or in other letters: the record has the register's name.
    let sample = story.ok_by(&ada.to_string(), register);
    assert_eq!(story.bench.samples[&sample].registered.by.person.as_deref(), Some("Ada Brook"));
    story.ok_by("ada brook", Do::RegisterSpecimen { sample, place: 2 });
    assert_eq!(story.bench.at_place(2).unwrap().registered.by.person.as_deref(), Some("Ada Brook"));
    story.check_replay();
}

#[test]
fn several_are_signed_on_at_once_and_each_ends_by_hand_or_with_the_shift() {
    let (mut story, [ada, ben, _]) = staffed(|_| {});
    let names = |story: &Story| {
        let on = story.bench.people.signed_on(&at(story.now_ns), 12);
        on.iter().map(|on| on.person.name.clone()).collect::<Vec<_>>()
    };
    assert_eq!(names(&story), ["Ada Brook", "Ben Hall", "Cleo Marsh"]);
    story.by(None, on(On::SignOff { person: ben }));
    assert_eq!(names(&story), ["Ada Brook", "Cleo Marsh"]);
    assert!(story.refused_by(None, on(On::SignOff { person: ben })).contains("not signed on"));
    story.to(11.0 * 3600.0);
    story.by(None, code("1001"));
    story.to(12.0 * 3600.0);
    assert_eq!(names(&story), ["Ada Brook"], "who came at eleven is still there");
    assert!(story.bench.people.on[&ada].moment.boot_ns > at(0).boot_ns);
    story.check_replay();
}

#[test]
fn a_role_is_needed_for_each_kind_of_act() {
    let (mut story, _) = staffed(|bench| bench.review = Reviews::On);
    let sample = story.sample("S", 1);
    let said = story.refused_by(Some("Cleo Marsh"), Do::RegisterSpecimen { sample, place: 1 });
    assert!(said.contains("Cleo Marsh may not do this") && said.contains("operate"), "{said}");
    let said = story.refused_by(Some("Ben Hall"), add("Dan Ford", &[Role::Operate], "4004"));
    assert!(said.contains("administer"), "{said}");
    let of = crate::domain::review::Subject::Sample(sample);
    let approve = on(On::Approve { of, documents: vec![sample], reason: String::new() });
    assert!(story.refused_by(Some("Ben Hall"), approve).contains("`review`"));
    // A question needs nobody.
    let find = Do::Intake(crate::domain::intake::Act::Find { scan: "S".to_owned() });
    assert!(matches!(story.by(None, find), Outcome::Done { .. }));
    // The foot switch names nobody, as before.
    story.ok_by("Ben Hall", Do::RegisterSpecimen { sample, place: 3 });
    story.trigger("place-3", Contact::Press);
    assert!(story.bench.at_place(3).unwrap().last_marked().is_some());
}

#[test]
fn a_badge_signs_on_and_no_two_people_have_the_same_code_badge_or_name() {
    let (mut story, [ada, ben, _]) = staffed(|_| {});
    let badge = |person, text: &str| {
        on(On::ChangePerson { person, name: None, roles: None, code: None, badge: secret(text) })
    };
    story.ok(badge(ben, "NL-STAFF-0042"));
    assert!(story.refused(badge(ada, "NL-STAFF-0042")).contains("somebody else has this badge"));
    assert!(story.refused(badge(ada, "0042")).contains("6 to 80"));
    assert!(story.refused(add("Dan Ford", &[Role::Operate], "2002")).contains("somebody else has this code"));
    assert!(
        story.refused(add("ben hall", &[Role::Operate], "4004")).contains("would not tell the two apart")
    );
    assert!(story.refused(add("Dan Ford", &[], "4004")).contains("roles"));
    story.by(None, on(On::SignOff { person: ben }));
    let scanned = on(On::SignOn { code: None, badge: secret("NL-STAFF-0042") });
    let Outcome::Done { made, note } = story.by(None, scanned) else { panic!() };
    assert_eq!((made, note.as_str()), (Some(ben), "Ben Hall is signed on"));
    // A code is not taken for a badge, nor both at once.
    assert!(story.refused_by(None, on(On::SignOn { code: None, badge: secret("2002") })).contains("badge"));
    let both = on(On::SignOn { code: secret("2002"), badge: secret("NL-STAFF-0042") });
    assert!(story.refused_by(None, both).contains("a code or a badge"));
    story.check_replay();
}

#[test]
fn nothing_of_a_code_or_badge_stands_in_the_events() {
    let (mut story, [_, ben, _]) = staffed(|_| {});
    story.ok(on(On::ChangePerson {
        person: ben,
        name: None,
        roles: None,
        code: None,
        badge: secret("NL-STAFF-0042"),
    }));
    story.by(None, code("987654"));
    let all = serde_json::to_string(&story.events).unwrap() + &serde_json::to_string(&story.bench).unwrap();
    for entered in ["\"1001\"", "\"2002\"", "NL-STAFF-0042", "987654"] {
        assert!(!all.contains(entered), "{entered}");
    }
}

#[test]
fn wrong_codes_make_the_way_in_pause_and_the_right_one_waits_too() {
    let (mut story, _) = staffed(|_| {});
    for n in 0..4 {
        story.to(100.0 + f64::from(n));
        assert!(!story.refused_by(None, code("9999")).contains("wait"));
    }
    story.to(104.0);
    assert!(story.refused_by(None, code("9999")).contains("wait 60 s"));
    story.to(134.0);
    let said = story.refused_by(None, code("2002"));
    assert!(said.contains("too many wrong codes: wait 30 s"), "{said}");
    let wrong = |story: &Story| story.events.iter().filter(|(e, _)| e.kind() == "entry-wrong").count();
    assert_eq!(wrong(&story), 5, "what is not looked at is no try");
    story.to(164.0);
    assert!(matches!(story.by(None, code("2002")), Outcome::Done { .. }));
    story.check_replay();
}

#[test]
fn the_last_one_who_keeps_the_register_stays_and_a_name_that_changed_is_still_known() {
    let (mut story, [ada, ben, _]) = staffed(|_| {});
    let leaves = |person| on(On::PersonLeaves { person, reason: "moved away".to_owned() });
    let change = |person, name: Option<&str>, roles: Option<Vec<Role>>| {
        let name = name.map(str::to_owned);
        on(On::ChangePerson { person, name, roles, code: None, badge: None })
    };
    assert!(story.refused(leaves(ada)).contains("the last one"));
    assert!(story.refused(change(ada, None, Some(vec![Role::Operate]))).contains("the last one"));
    let no_code =
        on(On::ChangePerson { person: ada, name: None, roles: None, code: secret(""), badge: None });
    assert!(story.refused(no_code).contains("the last one"));
    story.ok(change(ben, Some("Ben Hall-Ford"), None));
    assert_eq!(story.bench.people.named("Ben Hall").unwrap().id, ben);
    assert!(story.refused(change(ben, Some("Ben Hall-Ford"), None)).contains("already"));
    assert!(
        story.refused(add("Ben Hall", &[Role::Operate], "4004")).contains("was, the name of Ben Hall-Ford")
    );
    story.ok(change(ben, None, Some(vec![Role::Operate, Role::Administer])));
    story.ok(leaves(ada));
    let said = story.refused_by(Some("Ada Brook"), change(ben, Some("B"), None));
    assert!(said.contains("not signed on"), "{said}");
    assert!(story.refused_by(None, code("1001")).contains("nobody here"), "her code is free again");
    story.ok_by("Ben Hall-Ford", add("Dan Ford", &[Role::Operate], "1001"));
    story.ok_by("Ben Hall-Ford", on(On::PersonReturns { person: ada }));
    story.check_replay();
}

#[test]
fn free_sign_on_takes_names_as_typed_and_lets_anybody_keep_the_register() {
    let mut story = Story::with(|started| started.bench.sign_on = SignOn::Free);
    story.ok(add("Ada Brook", &[Role::Administer], "1001"));
    story.ok_by("Dan Ford", add("Ben Hall", &[Role::Operate], "2002"));
    let sample = story.sample("S", 1);
    story.by(None, Do::RegisterSpecimen { sample, place: 1 });
    assert!(!story.bench.needs_sign_on());
}

#[test]
fn who_has_shown_who_it_is_is_held_to_the_registers_roles_also_where_names_are_free() {
    let mut story = Story::with(|started| started.bench.sign_on = SignOn::Free);
    let by_account = |story: &mut Story, who: &str, what: Do| {
        let (id, who, via) = (story.id(), Some(who.to_owned()), BY_ACCOUNT.to_owned());
        story.input(What::Act(Act {
            id,
            who,
            via,
            seen: None,
            stated_wall_ns: None,
            balance: None,
            take_over: false,
            what,
        }))
    };
    let is_done = |outcome: &Outcome| matches!(outcome, Outcome::Done { .. });
    // Before anybody is registered, the first person can be.
    assert!(is_done(&by_account(&mut story, "Ada Brook", add("Ada Brook", &[Role::Administer], "1001"))));
    assert!(is_done(&by_account(&mut story, "Ada Brook", add("Ben Hall", &[Role::Operate], "2002"))));
    for (who, what) in [
        ("Ben Hall", add("Cleo Marsh", &[Role::Review], "3003")),
        ("Ada Brook", Do::StopAwaiting),
        // Not in the register.
        ("Dan Ford", Do::StopAwaiting),
    ] {
        let outcome = by_account(&mut story, who, what.clone());
        assert!(matches!(outcome, Outcome::Refused { .. }), "{who}: {what:?} gave {outcome:?}");
    }
    assert!(is_done(&by_account(&mut story, "Ben Hall", Do::StopAwaiting)));
    story.check_replay();
}

#[test]
fn an_expired_or_absent_qualification_is_a_deviation_where_the_settings_ask() {
    for (asked, until, code) in [
        (AskQualification::Off, None, None),
        (AskQualification::Note, None, Some(Held::Absent)),
        (AskQualification::Note, Some("2027-03-31"), None),
        // The story begins on 2026-09-21.
        (AskQualification::Note, Some("2026-09-20"), Some(Held::Expired)),
    ] {
        let (mut story, [ada, _, _]) = staffed(|bench| bench.qualification = asked);
        if until.is_some() {
            story.ok(qualify(ada, until));
        }
        let sample = story.sample("S", 1);
        let specimen = story.specimen(sample, 1);
        story.run_to_line(specimen, 10.0);
        let operators = &story.bench.specimens[&specimen].operators;
        assert_eq!((operators.len(), operators[0].id), (1, Some(ada)));
        let found = story.deviations(specimen);
        assert_eq!(found.iter().any(|d| d.code == Code::NotQualified), code.is_some(), "{asked:?} {until:?}");
        if let Some(code) = code {
            assert_eq!(operators[0].qualification, code);
            assert!(found[0].what.contains("Ada Brook"), "{found:?}");
        }
        story.check_replay();
    }
}

#[test]
fn a_qualification_that_ends_in_the_middle_of_a_test_shows_from_that_step_on() {
    let (mut story, [ada, ben, _]) = staffed(|bench| bench.qualification = AskQualification::Note);
    // 700 s after the begin: after the shaking, before the irrigation.
    let until = jiff::Timestamp::from_nanosecond(i128::from(at(750 * SECOND).wall_ns)).unwrap().to_string();
    story.ok(qualify(ada, Some(&until)));
    story.ok(qualify(ben, None));
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10.0);
    story.ok_by(
        "Ben Hall",
        Do::EnterReading { specimen, of: Level::Clay, value: "8.0".to_owned(), confirmed: false },
    );
    let found = story.deviations(specimen);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].step.as_deref(), Some("irrigate"));
    let held: Vec<_> = story.bench.specimens[&specimen]
        .operators
        .iter()
        .map(|operator| (operator.name.as_str(), operator.qualification))
        .collect();
    assert_eq!(held, [("Ada Brook", Held::Expired), ("Ben Hall", Held::Held)]);
}

#[test]
fn where_the_settings_refuse_whoever_is_not_qualified_does_not_work_on_a_specimen() {
    let (mut story, [_, ben, _]) = staffed(|bench| bench.qualification = AskQualification::Refuse);
    let sample = story.sample("S", 1);
    let said = story.refused(Do::RegisterSpecimen { sample, place: 1 });
    assert!(said.contains("Ada Brook") && said.contains("is not registered"), "{said}");
    story.ok(qualify(ben, Some("2026-10-31")));
    let specimen = story.ok_by("Ben Hall", Do::RegisterSpecimen { sample, place: 1 });
    story.to(41.0 * DAY);
    story.by(None, code("2002"));
    let said = story.refused_by(Some("Ben Hall"), Do::MarkNext { specimen });
    assert!(said.contains("expired: it was held until 2026-10-31"), "{said}");
}

#[test]
fn a_qualification_that_cannot_be_is_refused() {
    let (mut story, [ada, ben, _]) = staffed(|_| {});
    for until in ["2027-02-30", "soon", "31.03.2027", "2027-03-31T10:00"] {
        assert!(story.refused(qualify(ada, Some(until))).contains("no day such as"), "{until}");
    }
    let other = on(On::Qualify { person: ada, method: "none".to_owned(), until: None, note: String::new() });
    assert!(story.refused(other).contains("no method `none`"));
    let off = |person, reason: &str| {
        let (method, reason) = (METHOD.to_owned(), reason.to_owned());
        on(On::Disqualify { person, method, reason })
    };
    assert!(story.refused(off(ben, "left out")).contains("no qualification"));
    story.ok(qualify(ben, None));
    assert!(story.refused(off(ben, " ")).contains("reason"));
    story.ok(off(ben, "comparison failed"));
    assert_eq!(story.bench.people.qualification("Ben Hall", METHOD, &at(0)).0, Held::Absent);
    // The last day counts to its end in UTC.
    story.ok(qualify(ben, Some("2026-09-21")));
    let end = "2026-09-22T00:00:00Z".parse::<jiff::Timestamp>().unwrap().as_nanosecond();
    let mut last = at(0);
    last.wall_ns = i64::try_from(end).unwrap() - 1;
    assert_eq!(story.bench.people.qualification("Ben Hall", METHOD, &last).0, Held::Held);
    last.wall_ns += 1;
    assert_eq!(story.bench.people.qualification("Ben Hall", METHOD, &last).0, Held::Expired);
}

#[test]
fn the_record_tells_name_and_identity() {
    let (mut story, [ada, _, _]) = staffed(|bench| bench.qualification = AskQualification::Note);
    story.ok(qualify(ada, Some("2027-03-31")));
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10.0);
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    let records = documents(&story, DocumentKind::Record);
    let review = &records[0]["data"]["review"];
    let operator = &review["operators"][0];
    assert_eq!((&operator["person"], &operator["id"]), (&"Ada Brook".into(), &ada.to_string().into()));
    assert_eq!((&operator["qualification"], &operator["until"]), (&"held".into(), &"2027-03-31".into()));
    assert!(review["authorised"].is_null());
    assert_eq!(records[0]["data"]["status"], "preliminary");
    assert!(records[0]["dataschema"].as_str().unwrap().ends_with("specimen-record/1.2.0"));
    // Where nobody is registered, a record is what it was.
    let (without, _, _) = complete(1);
    assert!(documents(&without, DocumentKind::Record)[0]["data"].get("review").is_none());
}

#[test]
fn a_state_from_before_there_were_people_has_none() {
    let mut whole = serde_json::to_value(Bench::default()).unwrap();
    let fields = whole.as_object_mut().unwrap();
    for key in ["people", "for_review"] {
        assert!(fields.remove(key).is_some(), "{key}");
    }
    let settings = fields["settings"].as_object_mut().unwrap();
    for key in ["qualification", "review", "own-work", "sign-on", "sign-on-hours"] {
        assert!(settings.remove(key).is_some(), "{key}");
    }
    let bench: Bench = serde_json::from_value(whole).unwrap();
    assert!(!bench.people.is_kept() && bench == Bench::default());
    assert_eq!(bench.settings.own_work, OwnWork::MayNot);
    assert_eq!(Decision::Approved.word(), "approved");
    assert_eq!(How::Badge.word(), "badge");
}

/// A staffed bench that reviews, on which everything has happened to people that can.
pub(super) fn everyone(method: Arc<Method>) -> (Story, [Uuid; 3]) {
    let mut story = Story::with(|started| {
        started.methods = vec![method];
        started.bench.review = Reviews::On;
        started.bench.qualification = AskQualification::Note;
    });
    let ada = story.ok(add("Ada Brook", &[Role::Administer, Role::Operate], "1001"));
    story.ok(code("1001"));
    let ben = story.ok(on(On::AddPerson {
        name: "Ben Hall".to_owned(),
        roles: vec![Role::Operate],
        code: secret("2002"),
        badge: secret("NL-STAFF-0042"),
    }));
    let cleo = story.ok(add("Cleo Marsh", &[Role::Review], "3003"));
    story.by(None, code("3003"));
    story.by(None, code("9999"));
    story.ok(on(On::ChangePerson {
        person: ben,
        name: Some("Ben Hall-Ford".to_owned()),
        roles: None,
        code: None,
        badge: None,
    }));
    story.ok(qualify(ben, None));
    story.ok(on(On::PersonLeaves { person: ben, reason: "moved away".to_owned() }));
    story.ok(on(On::PersonReturns { person: ben }));
    story.ok(qualify(ada, Some("2026-09-20")));
    story.by(None, code("1001"));
    story.ok(on(On::SignOff { person: cleo }));
    story.by(None, code("3003"));
    (story, [ada, ben, cleo])
}
