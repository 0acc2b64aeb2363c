//! Samples that are prepared step by step, where something is done once more, is corrected, or lies
//! across a restart.

use super::preparation::{begun, codes, done, dried, fill, following, in_the_oven, oven, passed, prep};
use super::*;
use crate::domain::preparation::{Act as Prep, MassOf};

/// Sieved, weighed, reduced, and no mass of what is left.
fn to_the_tins(story: &mut Story, sample: Uuid) {
    passed(story, sample, "1204.5");
    story.ok(done(sample, "reduce"));
    let reason = "the agency asks for none".to_owned();
    story.ok(prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }));
}

#[test]
fn what_is_weighed_once_more_after_the_tin_was_filled_had_been_weighed_before() {
    let (mut story, sample) = following("A-7", "alternate-1", 1);
    to_the_tins(&mut story, sample);
    story.to(300.0).ok(fill(sample));
    story.to(400.0).ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    story.weigh("1204.0");
    let specimen = begun(&mut story, sample, 1);
    assert_eq!(codes(&story, sample, specimen), []);
}

#[test]
fn a_corrected_time_of_the_tin_is_no_begin_of_its_specimen() {
    let (mut story, sample) = in_the_oven();
    story.ok(oven(sample, "110"));
    for (at, grams) in [(7200.0, "350.60"), (9000.0, "350.50")] {
        story.to(at).ok(dried(sample, 1));
        story.weigh(grams);
    }
    story.ok(prep(Prep::Cooled { sample, load: 1 }));
    let specimen = begun(&mut story, sample, 1);
    assert_eq!(codes(&story, sample, specimen), []);
    let reason = Some("the clock on the wall".to_owned());
    let what = Do::CorrectTime { specimen, step: "tin".to_owned(), edge: Edge::Done, reason };
    let outcome = story.act_at(what, Some(-5));
    assert!(matches!(outcome, Outcome::Done { .. }), "{outcome:?}");
    // It was dried after its tin was filled, and before it was begun.
    assert_eq!(codes(&story, sample, specimen), []);
    story.check_replay();
}

#[test]
fn a_mass_of_a_pan_that_is_given_to_another_lets_the_one_before_count_again() {
    let (mut story, sample) = following("D-3", "oven-dry-1", 1);
    to_the_tins(&mut story, sample);
    story.ok(fill(sample));
    story.ok(prep(Prep::BeginDrying { sample, tins: vec![1], in_pan: true }));
    let masses = |story: &Story| {
        let load = &story.bench.samples[&sample].course.as_ref().unwrap().loads[0];
        [&load.pan, &load.before].map(|w| w.as_ref().map(|w| w.mass.value.to_string()))
    };
    for (of, once, again) in [
        (MassOf::EmptyPan { load: 1 }, "210.40", "338.15"),
        (MassOf::BeforeDrying { load: 1 }, "340.10", "412.00"),
    ] {
        for grams in [once, again] {
            story.ok(prep(Prep::AwaitDryingMass { sample, of }));
            story.weigh(grams);
        }
        let load = &story.bench.samples[&sample].course.as_ref().unwrap().loads[0];
        let newest = if matches!(of, MassOf::EmptyPan { .. }) { &load.pan } else { &load.before };
        let weighing = newest.as_ref().unwrap().id;
        let target = Target::Sample { sample, name: "reduced".to_owned() };
        story.ok(Do::ReassignWeighing { weighing, target });
    }
    assert_eq!(masses(&story), [Some("210.40".to_owned()), Some("340.10".to_owned())]);
    story.check_replay();
}

#[test]
fn a_tin_of_the_course_before_is_not_waited_for() {
    let (mut story, sample) = following("A-8", "alternate-1", 1);
    story.ok(prep(Prep::WeighEmptyTin { sample, tin: None, mark: Some("T-1".to_owned()) }));
    assert!(!story.bench.awaited.is_empty());
    story.ok(prep(Prep::Follow { sample, course: "alternate-2".to_owned() }));
    assert!(story.bench.awaited.is_empty());
    story.check_replay();
}

#[test]
fn what_was_entered_before_a_tin_had_happened_though_the_wall_clock_woke_up_behind() {
    let (mut story, sample) = following("A-9", "alternate-1", 1);
    story.to(300.0).ok(done(sample, "sieve"));
    story.ok(done(sample, "keep the fines"));
    // The machine starts again, twenty hours back.
    let after = |s: i64| {
        let behind = at(300 * SECOND).plus(s * SECOND);
        let wall_ns = behind.wall_ns - 72_000 * SECOND;
        Moment { boot: Uuid::from_u128(2), boot_ns: s * SECOND, wall_ns, ..behind }
    };
    let input = |story: &mut Story, what: What, s: i64| match story.input_at(what, after(s)) {
        Outcome::Done { made, .. } => made.unwrap_or_default(),
        other => panic!("{other:?}"),
    };
    let act = |story: &mut Story, what: Do, s: i64| {
        let (id, who) = (story.id(), Some("Ada Brook".to_owned()));
        let act = Act {
            id,
            who,
            via: "page".to_owned(),
            seen: None,
            balance: None,
            take_over: false,
            stated_wall_ns: None,
            what,
        };
        input(story, What::Act(act), s)
    };
    act(&mut story, Do::AwaitSampleMass { sample, name: "passing".to_owned() }, 40);
    let mass = Quantity::new("1204.5".parse().unwrap(), crate::domain::quantity::Unit::Gram);
    let report = InstrumentReport::Mass { mass, wire: wire("balance", "1204.5") };
    input(&mut story, What::Instrument(report), 45);
    act(&mut story, done(sample, "reduce"), 50);
    let reason = "the agency asks for none".to_owned();
    act(&mut story, prep(Prep::Skip { sample, step: "weigh what is left".to_owned(), reason }), 60);
    act(&mut story, fill(sample), 70);
    let specimen = act(&mut story, Do::RegisterSpecimen { sample, place: 1 }, 80);
    act(&mut story, Do::Mark { specimen, step: "first fill".to_owned(), edge: Edge::Done }, 90);
    assert_eq!(codes(&story, sample, specimen), []);
}

#[test]
fn a_load_has_not_cooled_before_its_last_weighing() {
    let (mut story, sample) = in_the_oven();
    for (at, grams) in [(7200.0, "350.60"), (9000.0, "350.50")] {
        story.to(at).ok(dried(sample, 1));
        story.weigh(grams);
    }
    story.to(9600.0);
    let refused = |story: &mut Story, what: Do, at: i64| match story.act_at(what, Some(at)) {
        Outcome::Refused { text, .. } => text,
        other => panic!("{other:?}"),
    };
    let cooled = || prep(Prep::Cooled { sample, load: 1 });
    let text = refused(&mut story, cooled(), 8990);
    assert!(text.contains("lies before its last weighing"), "{text}");
    let text = refused(&mut story, oven(sample, "110"), -60);
    assert!(text.contains("lies before it went into the oven"), "{text}");
    // The oven may have been read between two weighings, and the load may have cooled a while ago.
    for (what, at) in [(oven(sample, "110"), 8000), (cooled(), 9300)] {
        let outcome = story.act_at(what, Some(at));
        assert!(matches!(outcome, Outcome::Done { .. }), "{outcome:?}");
    }
    let specimen = begun(&mut story, sample, 1);
    assert_eq!(codes(&story, sample, specimen), []);
}
