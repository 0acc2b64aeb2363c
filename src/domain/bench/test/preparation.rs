//! Samples that are prepared step by step, each procedure from the bag to the tin.

use super::*;
use crate::domain::preparation::{Act as Prep, Finding, MassOf, Moisture, Standing, Waits};
use crate::domain::quantity::Unit;
use crate::domain::specimen::judge::{Code, Deviation};
use crate::domain::specimen::sample::Preparation;

pub(super) fn prep(act: Prep) -> Do {
    Do::Preparation(Box::new(act))
}

pub(super) fn done(sample: Uuid, step: &str) -> Do {
    prep(Prep::Done { sample, step: step.to_owned() })
}

fn cast(sample: Uuid, finding: Finding, changed: &str) -> Do {
    let changed = (!changed.is_empty()).then(|| changed.to_owned());
    prep(Prep::Cast { sample, finding, changed })
}

pub(super) fn fill(sample: Uuid) -> Do {
    prep(Prep::FillTin { sample, tin: None, mark: None, confirmed: false })
}

fn marked_tin(sample: Uuid, mark: &str) -> Do {
    prep(Prep::FillTin { sample, tin: None, mark: Some(mark.to_owned()), confirmed: false })
}

pub(super) fn dried(sample: Uuid, load: u32) -> Do {
    prep(Prep::AwaitDryingMass { sample, of: MassOf::Dried { load } })
}

/// A sample that follows a course.
pub(super) fn following(label: &str, course: &str, specimens: u32) -> (Story, Uuid) {
    let mut story = Story::new();
    let sample = story.sample(label, specimens);
    story.ok(prep(Prep::Follow { sample, course: course.to_owned() }));
    (story, sample)
}

/// Sieved, the fines kept, what passed weighed.
pub(super) fn passed(story: &mut Story, sample: Uuid, grams: &str) {
    story.ok(done(sample, "sieve"));
    story.ok(done(sample, "keep the fines"));
    story.ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    story.weigh(grams);
}

/// The pre-wet portion up to its first cast.
fn to_the_cast(story: &mut Story, sample: Uuid) {
    passed(story, sample, "1204.5");
    story.ok(done(sample, "reduce"));
    let reason = "the agency asks for no mass".to_owned();
    story.ok(prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }));
}

/// What a person sees of where the sample stands.
fn standings(story: &Story, sample: Uuid) -> Vec<(String, Standing)> {
    let sample = &story.bench.samples[&sample];
    let on = sample.on_course(&story.bench.methods[&sample.method]).unwrap();
    let now = at(story.now_ns);
    on.rule.steps.iter().enumerate().map(|(at, step)| (step.name.clone(), on.standing(at, &now))).collect()
}

fn standing(story: &Story, sample: Uuid, step: &str) -> Standing {
    standings(story, sample).into_iter().find(|(name, _)| name == step).unwrap().1
}

fn next(story: &Story, sample: Uuid) -> Vec<(Waits, i64)> {
    let sample = &story.bench.samples[&sample];
    let on = sample.on_course(&story.bench.methods[&sample.method]).unwrap();
    on.next(&at(story.now_ns)).into_iter().map(|act| (act.waits, act.opens_in_ns / SECOND)).collect()
}

/// Deviations of the preparation alone.
fn of_preparation(story: &Story, sample: Uuid, specimen: Uuid) -> Vec<Deviation> {
    let known = &story.bench.specimens[&specimen];
    let (method, _) = story.bench.rule(known).unwrap();
    story.bench.samples[&sample].deviations_of(method, known)
}

pub(super) fn codes(story: &Story, sample: Uuid, specimen: Uuid) -> Vec<Code> {
    of_preparation(story, sample, specimen).into_iter().map(|d| d.code).collect()
}

/// A specimen of the waiting tin, its first fill marked.
pub(super) fn begun(story: &mut Story, sample: Uuid, place: u32) -> Uuid {
    let specimen = story.specimen(sample, place);
    story.mark(specimen, "first fill", Edge::Done);
    specimen
}

#[test]
fn alternate_method_1_goes_from_the_sieve_to_the_tins_without_a_cast() {
    let (mut story, sample) = following("A-1", "alternate-1", 2);
    passed(&mut story, sample, "1204.5");
    story.ok(done(sample, "reduce"));
    story.ok(Do::AwaitSampleMass { sample, name: "reduced".to_owned() });
    story.weigh("402.5");
    story.to(300.0).ok(fill(sample));
    assert_eq!(next(&story, sample), [(Waits::Fill, 0)]);
    story.to(340.0).ok(fill(sample));
    assert!(standings(&story, sample).iter().all(|(_, standing)| *standing == Standing::Done));
    let specimen = begun(&mut story, sample, 1);
    assert_eq!(codes(&story, sample, specimen), []);
    let known = &story.bench.specimens[&specimen];
    let filled = known.points[0].as_ref().unwrap();
    assert_eq!(filled.moment, at(300 * SECOND), "the filling of the tin marks the method's own step");
    let other = story.specimen(sample, 2);
    let course = story.bench.samples[&sample].course.as_ref().unwrap();
    assert_eq!((course.tin_of(specimen).unwrap().0, course.tin_of(other).unwrap().0), (1, 2));
    assert_eq!(next(&story, sample), []);
    // What records of the older schemas list is listed still.
    let listed: Vec<_> =
        story.bench.samples[&sample].preparation.iter().map(|(what, _)| what.clone()).collect();
    assert_eq!(listed, [Preparation::Sieved, Preparation::Reduced]);
    story.check_replay();
}

#[test]
fn a_cast_that_is_good_at_once_needs_no_tempering() {
    let (mut story, sample) = following("A-2", "alternate-2", 1);
    to_the_cast(&mut story, sample);
    story.ok(cast(sample, Finding::Good, ""));
    assert_eq!(standing(&story, sample, "temper"), Standing::NotNeeded);
    assert_eq!(standing(&story, sample, "weigh what is left"), Standing::Skipped);
    story.ok(prep(Prep::Remix { sample }));
    story.ok(fill(sample));
    let specimen = begun(&mut story, sample, 1);
    assert_eq!(codes(&story, sample, specimen), []);
}

#[test]
fn tempering_lasts_from_the_accepted_cast_and_begins_anew_with_each_change() {
    let (mut story, sample) = following("A-3", "alternate-2", 2);
    to_the_cast(&mut story, sample);
    story.ok(cast(sample, Finding::TooDry, "30 mL of water added, mixed"));
    assert_eq!(standing(&story, sample, "temper"), Standing::Open);
    story.to(100.0).ok(cast(sample, Finding::Good, ""));
    assert_eq!(next(&story, sample), [(Waits::Tempering, 900)], "T 176: at least 15 min");
    story.to(500.0).ok(cast(sample, Finding::TooDry, "10 mL more"));
    story.to(560.0).ok(cast(sample, Finding::Good, ""));
    assert_eq!(next(&story, sample), [(Waits::Tempering, 900)]);
    story.to(1459.0);
    assert_eq!(standing(&story, sample, "temper"), Standing::Running);
    let before = story.events.len();
    story.to(1460.0);
    let told = story.events[before..].iter().any(|(event, _)| event.kind() == "preparation-tempering-over");
    assert!(told, "its end is a deadline of the bench");
    assert_eq!(next(&story, sample), [(Waits::Remix, 0)]);
    story.ok(prep(Prep::Remix { sample }));
    story.ok(fill(sample));
    // A second tin without mixing is asked about once, and is then a deviation of its specimen alone.
    let text = story.refused(fill(sample));
    assert!(text.contains("not mixed again"), "{text}");
    story.ok(prep(Prep::FillTin { sample, tin: None, mark: None, confirmed: true }));
    let [one, two] = [1, 2].map(|place| begun(&mut story, sample, place));
    assert_eq!(codes(&story, sample, one), []);
    assert_eq!(codes(&story, sample, two), [Code::NotRemixed]);
    story.check_replay();
}

#[test]
fn a_tin_that_is_filled_too_soon_is_asked_about_and_then_a_deviation() {
    let (mut story, sample) = following("A-4", "alternate-2", 1);
    to_the_cast(&mut story, sample);
    story.ok(cast(sample, Finding::TooDry, "water added"));
    story.to(10.0).ok(cast(sample, Finding::Good, ""));
    story.to(310.0).ok(prep(Prep::Remix { sample }));
    let text = story.refused(fill(sample));
    assert!(text.contains("10 min"), "{text}");
    story.ok(prep(Prep::FillTin { sample, tin: None, mark: None, confirmed: true }));
    let specimen = begun(&mut story, sample, 1);
    let found = of_preparation(&story, sample, specimen);
    assert_eq!(found.iter().map(|d| d.code).collect::<Vec<_>>(), [Code::TemperingShort]);
    assert_eq!(found[0].by.as_deref(), Some("600.0 s"));
    // Water that is added for the next tin changes nothing of this one.
    story.ok(Do::PlanSpecimens { sample, specimens: 2 });
    story.to(320.0).ok(cast(sample, Finding::TooDry, "water added"));
    story.to(330.0).ok(cast(sample, Finding::Good, ""));
    assert_eq!(of_preparation(&story, sample, specimen), found);
}

#[test]
fn after_over_wetting_only_a_cast_more_fragile_than_the_first_is_accepted() {
    let (mut story, sample) = following("A-5", "alternate-2", 1);
    to_the_cast(&mut story, sample);
    let text = story.refused(cast(sample, Finding::MoreFragile, ""));
    assert!(text.contains("no first cast"), "{text}");
    let text = story.refused(cast(sample, Finding::TooWet, ""));
    assert!(text.contains("what was done"), "{text}");
    story.ok(cast(sample, Finding::TooWet, "drained, air-dried"));
    let text = story.refused(cast(sample, Finding::Good, ""));
    assert!(text.contains("more fragile than the first"), "{text}");
    story.to(600.0).ok(cast(sample, Finding::AsFirm, "air-dried on"));
    let text = story.refused(fill(sample));
    assert!(text.contains("squeeze a cast"), "{text}");
    story.to(1200.0).ok(cast(sample, Finding::MoreFragile, ""));
    assert_eq!(next(&story, sample), [(Waits::Tempering, 900)]);
    // What was dried too far crumbles; with water it makes a good cast again.
    story.to(1300.0).ok(cast(sample, Finding::TooDry, "water added"));
    story.to(1400.0).ok(cast(sample, Finding::Good, ""));
    let known = &story.bench.samples[&sample];
    let on = known.on_course(&story.bench.methods[&known.method]).unwrap();
    assert!(matches!(on.moisture(), Moisture::Right(since) if since.moment == at(1400 * SECOND)));
    story.check_replay();
}

/// Two tins of the oven-dry reference, their empty masses weighed, filled and in the oven.
pub(super) fn in_the_oven() -> (Story, Uuid) {
    let (mut story, sample) = following("D-1", "oven-dry-1", 2);
    passed(&mut story, sample, "1204.5");
    story.ok(done(sample, "reduce"));
    let reason = "the agency asks for no mass".to_owned();
    story.ok(prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }));
    for (mark, empty) in [("T-7", "45.20"), ("T-8", "45.32")] {
        story.ok(prep(Prep::WeighEmptyTin { sample, tin: None, mark: Some(mark.to_owned()) }));
        story.weigh(empty);
        story.ok(marked_tin(sample, mark));
    }
    story.ok(prep(Prep::BeginDrying { sample, tins: Vec::new(), in_pan: false }));
    story.ok(prep(Prep::AwaitDryingMass { sample, of: MassOf::BeforeDrying { load: 1 } }));
    story.weigh("352.90");
    (story, sample)
}

pub(super) fn oven(sample: Uuid, degrees: &str) -> Do {
    prep(Prep::NoteOven { sample, load: 1, temperature: degrees.to_owned(), unit: None })
}

#[test]
fn tins_are_dried_together_to_constant_mass_net_of_their_tare() {
    let (mut story, sample) = in_the_oven();
    story.ok(oven(sample, "110"));
    story.to(7200.0).ok(dried(sample, 1));
    story.weigh("350.60");
    assert_eq!(next(&story, sample), [(Waits::LoadMass { of: MassOf::Dried { load: 1 } }, 1800)]);
    let text = story.refused(dried(sample, 1));
    assert!(text.contains("too soon") && text.contains("30 min"), "{text}");
    let before = story.events.len();
    story.to(9000.0);
    assert!(story.events[before..].iter().any(|(event, _)| event.kind() == "preparation-drying-due"));
    story.ok(dried(sample, 1));
    story.weigh("350.30");
    // 0.30 g of 260.08 g net are 0.115 %: not under 0.10 %. Of the 350.60 g gross they would be.
    let drying = |story: &Story| {
        let known = &story.bench.samples[&sample];
        let on = known.on_course(&story.bench.methods[&known.method]).unwrap();
        let drying = on.drying(1).unwrap();
        (
            drying.change().unwrap().percent.to_string(),
            drying.is_constant(),
            drying.water().map(|w| w.to_string()),
        )
    };
    assert_eq!(drying(&story), ("0.115".to_owned(), false, None));
    story.to(10800.0).ok(dried(sample, 1));
    story.weigh("350.20");
    // (262.38 - 259.68) / 259.68: 1.04 %.
    assert_eq!(drying(&story), ("0.038".to_owned(), true, Some("1.04".to_owned())));
    assert_eq!(next(&story, sample), [(Waits::Cool { load: 1 }, 0)]);
    story.to(12000.0).ok(prep(Prep::Cooled { sample, load: 1 }));
    assert_eq!(standing(&story, sample, "dry"), Standing::Done);
    let specimen = begun(&mut story, sample, 1);
    assert_eq!(codes(&story, sample, specimen), []);
    story.check_replay();
}

#[test]
fn what_cannot_be_a_dried_mass_is_kept_beside_and_said() {
    let (mut story, sample) = in_the_oven();
    story.ok(dried(sample, 1));
    story.weigh("353.00");
    let declined = |story: &Story| story.bench.samples[&sample].course.as_ref().unwrap().declined.clone();
    assert!(declined(&story).unwrap().why.contains("352.90 g"), "more than before drying");
    assert_eq!(story.bench.kept_weighings.len(), 1);
    story.weigh("90.10");
    assert!(declined(&story).unwrap().why.contains("not heavier than the empty tins"));
    let pounds = Quantity::new("0.7729".parse().unwrap(), Unit::Pound);
    story
        .input(What::Instrument(InstrumentReport::Mass { mass: pounds, wire: wire("balance", "0.7729 lb") }));
    assert!(declined(&story).unwrap().why.contains("set the balance to g"));
    assert_eq!(story.bench.kept_weighings.len(), 3);
    // It is waited for still, and the right one is taken.
    story.weigh("350.60");
    assert_eq!(declined(&story), None);
    assert_eq!(story.bench.samples[&sample].course.as_ref().unwrap().loads[0].dried.len(), 1);
    // A mass that was kept beside may not be slipped in either: it was weighed before the last one.
    let weighing = story.bench.kept_weighings[0].id;
    let target = Target::Preparation { sample, of: MassOf::Dried { load: 1 } };
    let text = story.refused(Do::PlaceWeighing { weighing, target });
    assert!(text.contains("not taken"), "{text}");
    story.check_replay();
}

#[test]
fn a_load_that_was_taken_out_early_or_dried_too_hot_is_a_deviation_of_its_specimens() {
    let (mut story, sample) = in_the_oven();
    story.ok(oven(sample, "128"));
    story.to(3600.0).ok(dried(sample, 1));
    story.weigh("350.60");
    let text = story.refused(prep(Prep::Cooled { sample, load: 1 }));
    assert!(text.contains("before its mass is constant"), "{text}");
    let reason = "the oven is needed".to_owned();
    story.ok(prep(Prep::StopDrying { sample, load: 1, reason }));
    story.ok(prep(Prep::Cooled { sample, load: 1 }));
    let specimen = begun(&mut story, sample, 1);
    let found = of_preparation(&story, sample, specimen);
    let told: Vec<_> = found.iter().map(|d| (d.code, d.actual.as_str())).collect();
    assert_eq!(
        told,
        [
            (Code::NotConstant, "1 weighing after drying; taken out: the oven is needed"),
            (Code::OvenOutside, "128 °C"),
        ]
    );
    assert_eq!(found[0].required, "a change of under 0.10 % after a further 30 min");
}

#[test]
fn a_pan_takes_what_a_tin_without_an_empty_mass_holds() {
    let (mut story, sample) = following("D-2", "oven-dry-1", 1);
    passed(&mut story, sample, "1204.5");
    story.ok(done(sample, "reduce"));
    let reason = "none asked for".to_owned();
    story.ok(prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }));
    story.ok(fill(sample));
    let text = story.refused(prep(Prep::BeginDrying { sample, tins: vec![1], in_pan: false }));
    assert!(text.contains("not weighed empty"), "{text}");
    let text = story.refused(prep(Prep::WeighEmptyTin { sample, tin: Some(1), mark: None }));
    assert!(text.contains("filled"), "{text}");
    story.ok(prep(Prep::BeginDrying { sample, tins: vec![1], in_pan: true }));
    let text = story.refused(dried(sample, 1));
    assert!(text.contains("empty pan"), "{text}");
    story.ok(prep(Prep::AwaitDryingMass { sample, of: MassOf::EmptyPan { load: 1 } }));
    story.weigh("210.40");
    story.ok(dried(sample, 1));
    story.weigh("338.15");
    story.to(1800.0).ok(dried(sample, 1));
    story.weigh("338.10");
    story.ok(prep(Prep::Cooled { sample, load: 1 }));
    let specimen = begun(&mut story, sample, 1);
    assert_eq!(codes(&story, sample, specimen), [Code::OvenNotShown]);
    story.check_replay();
}

#[test]
fn steps_come_in_their_order_and_only_some_may_be_skipped() {
    let (mut story, sample) = following("O-1", "alternate-2", 1);
    let text = story.refused(done(sample, "reduce"));
    assert!(text.contains("possible: sieve"), "{text}");
    let text = story.refused(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    assert!(text.contains("possible: sieve"), "{text}");
    let skip = |step: &str| prep(Prep::Skip { sample, step: step.to_owned(), reason: "no time".to_owned() });
    let text = story.refused(skip("sieve"));
    assert!(text.contains("does not let `sieve` be skipped") && text.contains("`reduce`"), "{text}");
    let text = story.refused(done(sample, "flask"));
    assert!(text.contains("keep the fines"), "{text}");
    let text = story.refused(done(sample, "temper"));
    assert!(text.contains("not one press"), "{text}");
    story.ok(done(sample, "sieve"));
    let text = story.refused(done(sample, "sieve"));
    assert!(text.contains("complete already"), "{text}");
    let text = story.refused(Do::Prepare { sample, what: Preparation::Sieved });
    assert!(text.contains("alternate-2"), "{text}");
    let text = story.refused(prep(Prep::Follow { sample, course: "alternate-1".to_owned() }));
    assert!(text.contains("was begun"), "{text}");
    // Entered by mistake: it stays in the list, taken back, and another course can be followed.
    let reason = "the wrong bag".to_owned();
    story.ok(prep(Prep::TakeBack { sample, reason }));
    assert_eq!(standing(&story, sample, "sieve"), Standing::Open);
    assert!(story.bench.samples[&sample].preparation.is_empty());
    story.ok(done(sample, "sieve"));
    story.check_replay();
}

#[test]
fn a_tin_that_is_in_use_elsewhere_is_refused() {
    let (mut story, one) = following("U-1", "alternate-1", 1);
    let other = story.sample("U-2", 2);
    story.ok(prep(Prep::Follow { sample: other, course: "alternate-1".to_owned() }));
    for sample in [one, other] {
        passed(&mut story, sample, "1204.5");
        story.ok(done(sample, "reduce"));
        let reason = "none asked for".to_owned();
        story.ok(prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }));
    }
    story.ok(marked_tin(one, "T-7"));
    let text = story.refused(marked_tin(other, "T-7"));
    assert!(text.contains("tin 1 of sample U-1"), "{text}");
    story.specimen(one, 3);
    let text = story.refused(marked_tin(other, "T-7"));
    assert!(text.contains("U-1-1 at place 3"), "{text}");
    let specimen = story.bench.at_place(3).unwrap().id;
    story.mark(specimen, "first fill", Edge::Done);
    story.ok(marked_tin(other, "T-7"));
    story.check_replay();
}

#[test]
fn a_specimen_says_what_was_not_entered_and_may_be_given_its_right_tin() {
    let (mut story, sample) = following("N-1", "alternate-1", 2);
    story.ok(done(sample, "sieve"));
    let specimen = begun(&mut story, sample, 1);
    let found = of_preparation(&story, sample, specimen);
    assert!(found.iter().all(|d| d.code == Code::PreparationNotShown), "{found:?}");
    let steps: Vec<_> = found.iter().map(|d| d.what.split('\'').nth(1).unwrap()).collect();
    assert_eq!(steps, ["keep the fines", "weigh what passed", "reduce", "weigh what is left", "tins"]);
    // A sample that follows no course is asked for nothing.
    let plain = story.sample("N-2", 1);
    let free = begun(&mut story, plain, 2);
    assert_eq!(codes(&story, plain, free), []);
}

#[test]
fn two_tins_that_were_mixed_up_are_set_right() {
    let (mut story, sample) = following("G-1", "alternate-1", 3);
    passed(&mut story, sample, "1204.5");
    story.ok(done(sample, "reduce"));
    let reason = "none asked for".to_owned();
    story.ok(prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }));
    for _ in 0..3 {
        story.ok(fill(sample));
    }
    let specimen = story.specimen(sample, 1);
    let text = story.refused(prep(Prep::GiveTin { specimen, tin: 9 }));
    assert!(text.contains("1, 2, 3"), "{text}");
    story.ok(prep(Prep::GiveTin { specimen, tin: 3 }));
    let other = story.specimen(sample, 2);
    let course = story.bench.samples[&sample].course.clone().unwrap();
    assert_eq!((course.tin_of(specimen).unwrap().0, course.tin_of(other).unwrap().0), (3, 1));
    let text = story.refused(prep(Prep::GiveTin { specimen: other, tin: 3 }));
    assert!(text.contains("G-1-1"), "{text}");
    story.check_replay();
}

#[test]
fn too_little_passing_the_sieve_is_a_deviation_of_every_specimen() {
    let (mut story, sample) = following("L-1", "alternate-1", 1);
    passed(&mut story, sample, "950.0");
    story.ok(done(sample, "reduce"));
    let reason = "none asked for".to_owned();
    story.ok(prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }));
    story.ok(fill(sample));
    let specimen = begun(&mut story, sample, 1);
    // T 176 takes 1000 to 1500 g passing the No. 4 sieve (an agency's hand-out).
    let found = of_preparation(&story, sample, specimen);
    assert_eq!((found[0].code, found[0].required.as_str()), (Code::MassOutside, "1000 to 1500 g"));
    assert_eq!(found.len(), 1);
}

/// Every act and every event of the preparation, on the way to a record of one specimen.
pub(super) fn whole_story() -> Story {
    let mut story = Story::new();
    let sample = story.sample("P-1", 1);
    story.ok(prep(Prep::Follow { sample, course: "oven-dry-2".to_owned() }));
    to_the_cast(&mut story, sample);
    story.ok(cast(sample, Finding::TooWet, "drained, air-dried, mixed often"));
    story.to(600.0).ok(cast(sample, Finding::MoreFragile, ""));
    let reason = "it was another portion".to_owned();
    story.ok(prep(Prep::TakeBack { sample, reason }));
    story.to(700.0).ok(cast(sample, Finding::AsFirm, "air-dried on"));
    story.to(1200.0).ok(cast(sample, Finding::MoreFragile, ""));
    story.ok(prep(Prep::WeighEmptyTin { sample, tin: None, mark: Some("T-7".to_owned()) }));
    story.weigh("45.20");
    story.to(2200.0).ok(prep(Prep::Remix { sample }));
    story.ok(marked_tin(sample, "T-7"));
    story.ok(prep(Prep::BeginDrying { sample, tins: vec![1], in_pan: true }));
    story.ok(prep(Prep::AwaitDryingMass { sample, of: MassOf::EmptyPan { load: 1 } }));
    story.weigh("210.40");
    story.ok(prep(Prep::AwaitDryingMass { sample, of: MassOf::BeforeDrying { load: 1 } }));
    story.weigh("342.90");
    story.ok(oven(sample, "111.5"));
    story.to(8000.0).ok(dried(sample, 1));
    story.weigh("343.00");
    story.weigh("339.02");
    story.to(9800.0).ok(dried(sample, 1));
    story.weigh("338.72");
    let reason = "the mains failed".to_owned();
    story.ok(prep(Prep::StopDrying { sample, load: 1, reason }));
    story.ok(prep(Prep::Cooled { sample, load: 1 }));
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10_000.0);
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    story
}

#[test]
fn the_record_tells_the_way_to_the_tin_and_no_other_record_does() {
    let published = documents::published_before(&whole_story());
    let record =
        published.iter().find(|d| d.json["type"] == "example.stillstand.specimen.recorded.v1").unwrap();
    assert!(record.json["dataschema"].as_str().unwrap().ends_with("specimen-record/1.2.0"));
    let data = &record.json["data"];
    let told = &data["preparation"];
    let standings: Vec<_> =
        told["steps"].as_array().unwrap().iter().map(|s| s["standing"].as_str().unwrap()).collect();
    assert_eq!(standings, ["done", "done", "done", "done", "skipped", "done", "done", "done", "done"]);
    assert_eq!(told["steps"][4]["reason"], "the agency asks for no mass");
    assert_eq!(told["casts"].as_array().unwrap().len(), 3);
    assert_eq!(told["takenBack"][0]["what"], "cast more fragile than the first");
    assert_eq!(told["tempering"]["duration"]["text"], "1000.0");
    assert_eq!(told["tin"]["mark"], "T-7");
    assert_eq!(told["drying"]["weighings"][1]["net"]["text"], "128.32");
    // 100 x 0.30 / 128.62 is 0.2332...: another tool's fraction.
    assert_eq!(told["drying"]["weighings"][1]["change"]["text"], "0.233");
    assert_eq!(told["drying"]["constant"], false);
    assert_eq!(told["drying"]["criterion"]["bound"], "under");
    let codes: Vec<_> =
        data["deviations"].as_array().unwrap().iter().map(|d| d["code"].as_str().unwrap()).collect();
    assert!(codes.contains(&"not-constant"), "{codes:?}");
    let listed = data["sample"]["preparation"].as_array().unwrap();
    assert_eq!(listed.last().unwrap()["what"], "oven-dried");
    let plain = documents::kept_story(t176());
    for document in documents::published(&plain) {
        assert!(document.json["data"].get("preparation").is_none());
    }
}
