//! Weighings that are given their place afterwards, or given to another.

use super::*;
use crate::domain::specimen::Target;

fn of(sample: Uuid, name: &str) -> Target {
    Target::Sample { sample, name: name.to_owned() }
}

#[test]
fn a_weighing_that_nothing_waited_for_is_given_a_place_without_typing() {
    let mut story = Story::new();
    story.to(5.0).weigh("1200.0");
    let weighing = story.bench.kept_weighings[0].id;
    let sample = story.sample("W", 1);
    story.to(60.0).ok(Do::PlaceWeighing { weighing, target: of(sample, "passing") });
    let mass = &story.bench.samples[&sample].masses["passing"];
    assert_eq!((mass.id, mass.mass.to_string().as_str()), (weighing, "1200.0 g"));
    assert_eq!(mass.moment, at(5 * SECOND), "it is as old as its line");
    assert_eq!(mass.placed.as_ref().and_then(|m| m.by.person.as_deref()), Some("Ada Brook"));
    assert!(story.bench.kept_weighings.is_empty());
    let text = story.refused(Do::PlaceWeighing { weighing, target: of(sample, "tin") });
    assert!(text.contains("W: `passing`") && text.contains("reassign-weighing"), "{text}");
    story.check_replay();
}

#[test]
fn targets_that_cannot_take_a_mass_are_refused_with_what_is_there() {
    let mut story = Story::new();
    let sample = story.sample("W", 1);
    let specimen = story.specimen(sample, 1);
    story.weigh("98.2");
    let weighing = story.bench.kept_weighings[0].id;
    let text = story.refused(Do::PlaceWeighing { weighing, target: of(sample, "flask") });
    assert!(text.contains("passing"), "{text}");
    let nobody = Uuid::from_u128(5);
    let text = story.refused(Do::PlaceWeighing { weighing: nobody, target: of(sample, "passing") });
    assert!(text.contains("98.2 g"), "{text}");
    story.run_to_line(specimen, 0.0);
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    for target in [Target::Specimen { specimen }, of(sample, "passing")] {
        let text = story.refused(Do::PlaceWeighing { weighing, target });
        assert!(text.contains("complete or void, or has its result"), "{text}");
    }
}

#[test]
fn a_weighing_that_went_wrong_is_given_to_another_and_what_it_replaced_counts_again() {
    let mut story = Story::new();
    let (first, second) = (story.sample("A", 1), story.sample("B", 1));
    for grams in ["1100.0", "1300.0"] {
        story.ok(Do::AwaitSampleMass { sample: first, name: "passing".to_owned() });
        story.weigh(grams);
    }
    let wrong = story.bench.samples[&first].masses["passing"].id;
    let text = story.refused(Do::ReassignWeighing { weighing: wrong, target: of(first, "passing") });
    assert!(text.contains("already"), "{text}");
    story.ok(Do::ReassignWeighing { weighing: wrong, target: of(second, "passing") });
    let mass = |sample: &Uuid| story.bench.samples[sample].masses["passing"].mass.to_string();
    assert_eq!((mass(&first), mass(&second)), ("1100.0 g".to_owned(), "1300.0 g".to_owned()));
    // The original stays in the journal: who had it first, and who gave it to whom.
    let moved = story.events.iter().find_map(|(e, _)| match e {
        Event::WeighingPlaced { from, to, .. } => Some((from.clone(), to.clone())),
        _ => None,
    });
    assert_eq!(moved, Some((Some(of(first, "passing")), of(second, "passing"))));
    story.check_replay();
}

#[test]
fn a_tins_mass_goes_from_one_specimen_to_another() {
    let mut story = Story::new();
    let sample = story.sample("A", 2);
    let (first, second) = (story.specimen(sample, 1), story.specimen(sample, 2));
    story.ok(Do::AwaitSpecimenMass { specimen: first });
    story.weigh("101.5");
    let weighing = story.bench.specimens[&first].mass.as_ref().unwrap().id;
    story.ok(Do::ReassignWeighing { weighing, target: Target::Specimen { specimen: second } });
    assert_eq!(story.bench.specimens[&first].mass, None);
    assert_eq!(story.bench.specimens[&second].mass.as_ref().map(|m| m.id), Some(weighing));
    story.check_replay();
}
