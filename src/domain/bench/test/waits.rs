//! Who waits for a mass at which balance: nobody's mass goes to another person's sample without a
//! word, and each says who weighed it.

use super::amended::documents;
use super::*;
use crate::domain::preparation::{Act as Prep, MassOf};
use crate::domain::report::DocumentKind;
use serde_json::Value;

pub(super) const ADA: &str = "Ada Brook";
const BEN: &str = "Ben Hall";

/// A bench with these balances.
fn bench_with(balances: &[&str]) -> Story {
    Story::with(|started| {
        let balance = |name: &&str| ((*name).to_owned(), InstrumentKind::Balance);
        started.instruments = balances.iter().map(balance).collect();
    })
}

/// A bench with one balance and a sample each of Ada and Ben.
fn one_balance() -> (Story, [Uuid; 2]) {
    let mut story = bench_with(&["balance"]);
    let samples = ["A", "B"].map(|label| story.sample(label, 1));
    (story, samples)
}

fn two_balances() -> (Story, [Uuid; 2]) {
    let mut story = bench_with(&["scale-a", "scale-b"]);
    let samples = ["A", "B"].map(|label| story.sample(label, 1));
    (story, samples)
}

fn passing(sample: Uuid) -> Do {
    Do::AwaitSampleMass { sample, name: "passing".to_owned() }
}

/// Somebody asks for a mass, at a balance or taking it over.
pub(super) struct Asks<'a> {
    who: Option<&'a str>,
    balance: Option<&'a str>,
    take_over: bool,
}

pub(super) fn asks(who: &str) -> Asks<'_> {
    Asks { who: Some(who), balance: None, take_over: false }
}

impl<'a> Asks<'a> {
    pub(super) fn at(self, balance: &'a str) -> Self {
        Self { balance: Some(balance), ..self }
    }

    fn taking_over(self) -> Self {
        Self { take_over: true, ..self }
    }

    fn tries(self, story: &mut Story, what: Do) -> Outcome {
        let act = Act {
            id: story.id(),
            who: self.who.map(str::to_owned),
            via: "page".to_owned(),
            seen: None,
            stated_wall_ns: None,
            balance: self.balance.map(str::to_owned),
            take_over: self.take_over,
            what,
        };
        story.input(What::Act(act))
    }

    pub(super) fn does(self, story: &mut Story, what: Do) {
        let outcome = self.tries(story, what.clone());
        assert!(matches!(outcome, Outcome::Done { .. }), "{what:?}: {outcome:?}");
    }

    fn refused(self, story: &mut Story, what: Do) -> (Refusal, String) {
        let before = story.bench.clone();
        let Outcome::Refused { refusal, text } = self.tries(story, what.clone()) else {
            panic!("{what:?} was taken")
        };
        assert_eq!(story.bench, before, "a refused act changed the bench");
        (refusal, text)
    }
}

pub(super) fn weigh_on(story: &mut Story, balance: &str, grams: &str) {
    story.input(What::Instrument(InstrumentReport::Mass {
        mass: Quantity::new(grams.parse().unwrap(), crate::domain::quantity::Unit::Gram),
        wire: wire(balance, grams),
    }));
}

/// The mass of a sample, and who weighed it.
fn mass(story: &Story, sample: Uuid) -> Option<(String, String)> {
    let weighing = story.bench.samples[&sample].masses.get("passing")?;
    Some((weighing.mass.value.to_string(), weighing.asked.clone()?.person?))
}

#[expect(clippy::unnecessary_wraps, reason = "as a mass is looked up")]
fn said(mass: &str, who: &str) -> Option<(String, String)> {
    Some((mass.to_owned(), who.to_owned()))
}

#[test]
fn whoever_waits_is_not_pushed_aside_without_a_word() {
    let (mut story, [a, b]) = one_balance();
    asks(ADA).does(&mut story, passing(a));
    let (refusal, text) = asks(BEN).refused(&mut story, passing(b));
    assert!(matches!(refusal, Refusal::Waited { .. }), "{refusal:?}");
    assert_eq!(text, "the next mass is waited for by Ada Brook, for A: `passing`: take it over?");
    weigh_on(&mut story, "balance", "1200.0");
    assert_eq!((mass(&story, a), mass(&story, b)), (said("1200.0", ADA), None));
    // Once it has come nobody waits, and nothing is asked.
    asks(BEN).does(&mut story, passing(b));
    weigh_on(&mut story, "balance", "1100.0");
    assert_eq!(mass(&story, b), said("1100.0", BEN));
    story.check_replay();
}

#[test]
fn a_balance_is_taken_over_when_that_is_said_and_a_mass_is_the_one_that_asked_last() {
    let (mut story, [a, b]) = one_balance();
    asks(ADA).does(&mut story, passing(a));
    asks(BEN).taking_over().does(&mut story, passing(b));
    weigh_on(&mut story, "balance", "1100.0");
    assert_eq!((mass(&story, a), mass(&story, b)), (None, said("1100.0", BEN)));
    // The same mass asked for by another: whoever weighs it is to be known.
    asks(ADA).does(&mut story, passing(a));
    let (refusal, _) = asks(BEN).refused(&mut story, passing(a));
    assert!(matches!(refusal, Refusal::Waited { .. }), "{refusal:?}");
    story.check_replay();
}

#[test]
fn the_same_person_just_moves_the_own_wait_and_a_bench_without_names_asks_nothing() {
    let (mut story, [a, b]) = one_balance();
    asks(ADA).does(&mut story, passing(a));
    asks(ADA).does(&mut story, passing(b));
    weigh_on(&mut story, "balance", "1200.0");
    assert_eq!((mass(&story, a), mass(&story, b)), (None, said("1200.0", ADA)));
    let nobody = || Asks { who: None, balance: None, take_over: false };
    nobody().does(&mut story, passing(a));
    nobody().does(&mut story, passing(b));
    assert_eq!(story.bench.awaited.iter().count(), 1);
    // Somebody with a name is somebody else.
    let (_, text) = asks(BEN).refused(&mut story, passing(a));
    assert!(text.contains("waited for by somebody, for B"), "{text}");
    story.check_replay();
}

#[test]
fn every_act_that_waits_for_a_mass_asks_before_it_pushes_another_aside() {
    let (mut story, [a, b]) = one_balance();
    let specimen = story.specimen(b, 1);
    let course = t176().preparation.courses[0].name.clone();
    story.ok(Do::Preparation(Box::new(Prep::Follow { sample: b, course })));
    asks(ADA).does(&mut story, passing(a));
    for what in [
        Do::AwaitSpecimenMass { specimen },
        Do::Preparation(Box::new(Prep::WeighEmptyTin { sample: b, tin: None, mark: None })),
    ] {
        let (refusal, _) = asks(BEN).refused(&mut story, what);
        assert!(matches!(refusal, Refusal::Waited { .. }), "{refusal:?}");
    }
    asks(BEN).taking_over().does(
        &mut story,
        Do::Preparation(Box::new(Prep::WeighEmptyTin { sample: b, tin: None, mark: None })),
    );
    let target = Target::Preparation { sample: b, of: MassOf::EmptyTin { tin: 1 } };
    assert_eq!(story.bench.awaited.of(&target).map(Wait::who), Some(BEN));
    story.check_replay();
}

#[test]
fn with_two_balances_each_has_a_wait_of_its_own_and_a_mass_stays_at_its_balance() {
    let (mut story, [a, b]) = two_balances();
    let (refusal, text) = asks(ADA).refused(&mut story, passing(a));
    let Refusal::WhichBalance { balances, .. } = refusal else { panic!("{refusal:?}") };
    assert_eq!(balances, ["scale-a", "scale-b"]);
    assert!(text.contains("scale-a or scale-b") && text.contains("A: `passing`"), "{text}");
    asks(ADA).at("scale-a").does(&mut story, passing(a));
    asks(BEN).at("scale-b").does(&mut story, passing(b));
    // Ben's load comes first, on his own balance.
    weigh_on(&mut story, "scale-b", "1100.0");
    weigh_on(&mut story, "scale-b", "999.0");
    assert_eq!((mass(&story, a), mass(&story, b)), (None, said("1100.0", BEN)));
    assert_eq!(story.bench.kept_weighings.len(), 1, "what nobody waits for is kept");
    weigh_on(&mut story, "scale-a", "1200.0");
    assert_eq!(mass(&story, a), said("1200.0", ADA));
    let text = asks(ADA).at("scale-c").refused(&mut story, passing(a)).1;
    assert!(text.contains("no balance `scale-c`") && text.contains("scale-a"), "{text}");
    story.check_replay();
}

#[test]
fn at_two_balances_only_the_one_that_is_named_is_taken_over_or_given_up() {
    let (mut story, [a, b]) = two_balances();
    asks(ADA).at("scale-a").does(&mut story, passing(a));
    let text = asks(BEN).at("scale-a").refused(&mut story, passing(b)).1;
    assert_eq!(text, "the next mass of scale-a is waited for by Ada Brook, for A: `passing`: take it over?");
    asks(BEN).at("scale-b").does(&mut story, passing(b));
    // One thing is waited for at one balance.
    asks(ADA).at("scale-b").taking_over().does(&mut story, passing(a));
    let waits: Vec<_> = story.bench.awaited.iter().map(|w| (w.balance.clone().unwrap(), w.who())).collect();
    assert_eq!(waits, [("scale-b".to_owned(), ADA)]);
    asks(BEN).at("scale-a").does(&mut story, passing(b));
    asks(BEN).at("scale-a").does(&mut story, Do::StopAwaiting);
    let waits: Vec<_> = story.bench.awaited.iter().map(Wait::who).collect();
    assert_eq!(waits, [ADA], "the other one waits on");
    asks(BEN).does(&mut story, Do::StopAwaiting);
    assert!(story.bench.awaited.is_empty());
    story.check_replay();
}

#[test]
fn a_wait_ends_with_a_start_that_makes_its_balance_unclear() {
    let (mut story, [a, _]) = one_balance();
    asks(ADA).does(&mut story, passing(a));
    let mut with = |balances: &[&str]| {
        let again = bench_with(balances);
        let started = again.events.iter().find(|(event, _)| matches!(event, Event::StationStarted { .. }));
        let (event, moment) = started.unwrap();
        story.bench.apply(event, moment);
        story.bench.awaited.iter().count()
    };
    assert_eq!(with(&["balance"]), 1, "a start alone ends none");
    assert_eq!(with(&["balance", "another"]), 0, "either could give the mass now");
}

#[test]
fn a_mass_says_who_weighed_it_in_its_documents() {
    let (mut story, [a, _]) = one_balance();
    asks(ADA).does(&mut story, passing(a));
    weigh_on(&mut story, "balance", "1200.0");
    let specimen = story.specimen(a, 1);
    asks(BEN).does(&mut story, Do::AwaitSpecimenMass { specimen });
    weigh_on(&mut story, "balance", "131.2");
    weigh_on(&mut story, "balance", "77.0");
    story.run_to_line(specimen, 100.0);
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    let of = |kind| documents(&story, kind);
    let who = |document: &Value, at: &str| document.pointer(&format!("{at}/weighedBy/person")).cloned();
    let schema = |document: &Value| {
        document["dataschema"].as_str().unwrap().rsplit_once("schema/").unwrap().1.to_owned()
    };
    let weighings = of(DocumentKind::Weighing);
    let by: Vec<_> = weighings.iter().map(|w| (who(w, "/data/weighing"), schema(w))).collect();
    assert_eq!(
        by,
        [
            (Some(ADA.into()), "weighing/1.3.0".to_owned()),
            (Some(BEN.into()), "weighing/1.3.0".to_owned()),
            (None, "weighing/1.0.0".to_owned()),
        ]
    );
    let record = of(DocumentKind::Record).remove(0);
    assert_eq!(who(&record, "/data/specimen/mass"), Some(BEN.into()));
    assert_eq!(who(&record, "/data/sample/masses/passing"), Some(ADA.into()));
    assert_eq!(schema(&record), "specimen-record/1.4.0");
    let result = of(DocumentKind::Result).remove(0);
    assert_eq!(who(&result, "/data/sample/masses/passing"), Some(ADA.into()));
    assert_eq!(schema(&result), "sample-result/1.4.0");
    story.check_replay();
}

#[test]
fn a_weighing_of_an_old_journal_names_nobody_and_is_read() {
    let (mut story, [a, _]) = one_balance();
    asks(ADA).does(&mut story, passing(a));
    weigh_on(&mut story, "balance", "1200.0");
    let mut again = Bench::default();
    for (event, moment) in &story.events {
        let mut stored = serde_json::to_value(event).unwrap();
        if let Some(weighing) = stored.get_mut("weighing").and_then(Value::as_object_mut) {
            assert!(weighing.remove("asked").is_some());
        }
        again.apply(&serde_json::from_value(stored).unwrap(), moment);
    }
    let kept = &again.samples[&a].masses["passing"];
    assert_eq!((kept.mass.value.to_string(), &kept.asked), ("1200.0".to_owned(), &None));
    assert!(again.awaited.is_empty());
}
