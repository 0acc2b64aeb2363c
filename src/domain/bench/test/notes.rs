//! Notes at a touch, interrupted runs, places that were wrong, and cylinders that were carried.

use super::*;
use crate::domain::specimen::judge::Code;
use crate::domain::specimen::note::NoteKind;
use crate::domain::specimen::runs;

fn at_work() -> (Story, Uuid, Uuid) {
    let mut story = Story::new();
    let sample = story.sample("N", 1);
    let specimen = story.specimen(sample, 1);
    story.mark(specimen, "first fill", Edge::Done);
    (story, sample, specimen)
}

fn note(specimen: Uuid, note: NoteKind, text: Option<&str>) -> Do {
    Do::NoteSpecimen { specimen, note, text: text.map(str::to_owned) }
}

fn codes(story: &Story, specimen: Uuid) -> Vec<Code> {
    story.deviations(specimen).into_iter().map(|d| d.code).collect()
}

#[test]
fn bumped_is_a_deviation_only_while_the_cylinder_should_stand_undisturbed() {
    let (mut story, _, specimen) = at_work();
    story.to(5.0).ok(note(specimen, NoteKind::Bumped, None));
    assert_eq!(codes(&story, specimen), [], "before the soak");
    story.to(10.0).mark(specimen, "soak", Edge::Begin);
    story.to(100.0).ok(note(specimen, NoteKind::Bumped, Some("a trolley")));
    let found = story.deviations(specimen);
    assert_eq!((found[0].code, found[0].step.as_deref()), (Code::Bumped, Some("soak")));
    assert_eq!(found[0].actual, "a trolley");
    story.to(610.0).mark(specimen, "shake", Edge::Begin);
    story.to(630.0).ok(note(specimen, NoteKind::Bumped, None));
    assert_eq!(codes(&story, specimen), [Code::Bumped], "nothing stands still in the shaker");
    story.check_replay();
}

#[test]
fn what_is_lost_is_always_a_deviation_a_dropped_foot_and_words_are_not() {
    let (mut story, _, specimen) = at_work();
    story.ok(note(specimen, NoteKind::Leaked, None));
    story.ok(note(specimen, NoteKind::Spilled, None));
    story.ok(note(specimen, NoteKind::FootDropped, None));
    story.ok(note(specimen, NoteKind::Words, Some("very cloudy")));
    assert_eq!(codes(&story, specimen), [Code::Leaked, Code::Spilled]);
    let kept = &story.bench.specimens[&specimen].notes;
    assert_eq!(kept.len(), 4);
    assert_eq!(kept[3].text.as_deref(), Some("very cloudy"));
    assert_eq!(kept[3].marked.by.person.as_deref(), Some("Ada Brook"));
    for text in [None, Some("  ")] {
        let said = story.refused(note(specimen, NoteKind::Words, text));
        assert!(said.contains("say in"), "{said}");
    }
    story.check_replay();
}

#[test]
fn which_notes_are_deviations_is_the_methods_data() {
    let text = include_str!("../../../../config/methods/aashto-t176-mechanical.toml")
        .replace("bumped = { value = \"undisturbed\"", "bumped = { value = \"never\"")
        .replace("foot-dropped = { value = \"never\"", "foot-dropped = { value = \"always\"");
    let method = Arc::new(crate::domain::method::load("aashto-t176-mechanical.toml", &text).unwrap());
    let mut story = Story::with(|s| s.methods = vec![method]);
    let sample = story.sample("N", 1);
    let specimen = story.specimen(sample, 1);
    story.mark(specimen, "first fill", Edge::Done);
    story.mark(specimen, "soak", Edge::Begin);
    story.ok(note(specimen, NoteKind::Bumped, None));
    story.ok(note(specimen, NoteKind::FootDropped, None));
    assert_eq!(codes(&story, specimen), [Code::FootDropped]);
}

#[test]
fn a_note_is_taken_at_any_time_and_a_stated_one_belongs_to_its_instant() {
    let (mut story, _, specimen) = at_work();
    story.to(10.0).mark(specimen, "soak", Edge::Begin);
    story.to(610.0).mark(specimen, "shake", Edge::Begin);
    let outcome = story.act_at(note(specimen, NoteKind::Bumped, None), Some(300));
    assert!(matches!(&outcome, Outcome::Done { note, .. } if note.contains("deviation")), "{outcome:?}");
    assert_eq!(codes(&story, specimen), [Code::Bumped]);
    let outcome = story.act_at(note(specimen, NoteKind::Bumped, None), Some(-60));
    assert!(matches!(outcome, Outcome::Refused { .. }), "before it was there: {outcome:?}");
    let mut story = Story::new();
    let sample = story.sample("M", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 0.0);
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    let outcome = story.to(2100.0).act(note(specimen, NoteKind::Spilled, None));
    assert!(
        matches!(&outcome, Outcome::Done { note, .. } if note.contains("record had gone out")),
        "{outcome:?}"
    );
    assert_eq!(codes(&story, specimen), [], "what is spilled after the readings changes none");
}

/// Shaken for 20 s, resumed, shaken for 25 s.
fn interrupted() -> (Story, Uuid) {
    let (mut story, _, specimen) = at_work();
    story.to(10.0).mark(specimen, "soak", Edge::Begin);
    story.to(610.0).trigger("shaker", Contact::On);
    story.to(630.0).trigger("shaker", Contact::Off);
    story.to(650.0).trigger("shaker", Contact::On);
    story.to(675.0).trigger("shaker", Contact::Off);
    (story, specimen)
}

fn said(specimen: Uuid, counts: bool) -> Do {
    Do::InterruptedRun { specimen, counts, reason: Some("the mains failed".to_owned()) }
}

#[test]
fn an_interrupted_shake_is_said_once_with_the_total_of_its_runs() {
    let (mut story, specimen) = interrupted();
    assert_eq!(codes(&story, specimen), [Code::IntervalShort, Code::FurtherRun], "until somebody says");
    let Outcome::Done { note, .. } = story.act(said(specimen, true)) else { panic!() };
    assert!(note.contains("45.0 s in all"), "{note}");
    let found = story.deviations(specimen);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!((found[0].code, found[0].actual.as_str()), (Code::IntervalInterrupted, "45.0 s in 2 runs"));
    assert_eq!(found[0].by, None, "20 s and 25 s are the 45 s that the method asks for");
    assert!(found[0].what.contains("the mains failed"), "{}", found[0].what);
    // The last word counts: the resumed part does not, and the first run is short by 24 s.
    story.ok(said(specimen, false));
    let found = story.deviations(specimen);
    assert_eq!((found.len(), found[0].by.as_deref()), (1, Some("24.0 s")));
    story.check_replay();
}

#[test]
fn without_a_further_run_nothing_was_resumed() {
    let (mut story, _, specimen) = at_work();
    story.to(10.0).mark(specimen, "soak", Edge::Begin);
    story.to(610.0).trigger("shaker", Contact::On);
    story.to(630.0).trigger("shaker", Contact::Off);
    let text = story.refused(said(specimen, true));
    assert!(text.contains("irrigate begins") && text.contains("further run"), "{text}");
}

#[test]
fn the_method_may_say_that_a_resumed_run_counts_or_that_it_never_does() {
    let shipped = include_str!("../../../../config/methods/aashto-t176-mechanical.toml");
    for rule in ["together", "apart"] {
        let text =
            shipped.replace("resumed = { value = \"person\"", &format!("resumed = {{ value = \"{rule}\""));
        let method = crate::domain::method::load("aashto-t176-mechanical.toml", &text).unwrap();
        let (mut story, specimen) = interrupted();
        let method = Arc::new(method);
        story.bench.specimens.get_mut(&specimen).unwrap().method.clone_from(&method.digest);
        story.bench.methods.insert(method.digest.clone(), method.clone());
        if rule == "together" {
            assert_eq!(codes(&story, specimen), [Code::IntervalInterrupted]);
            let whole =
                runs::interrupted(&story.bench.specimens[&specimen], &method, &method.points()).unwrap();
            assert_eq!((whole.runs, whole.counts, whole.said), (2, true, None));
        } else {
            let text = story.refused(said(specimen, true));
            assert!(text.contains("does not count a resumed run"), "{text}");
        }
    }
}

#[test]
fn a_run_that_was_cut_short_makes_the_next_closing_of_the_contact_unclear() {
    let (mut story, sample, first) = at_work();
    story.ok(Do::PlanSpecimens { sample, specimens: 2 });
    let second = story.specimen(sample, 2);
    story.to(10.0).mark(first, "soak", Edge::Begin);
    story.to(140.0).mark(second, "first fill", Edge::Done);
    story.to(150.0).mark(second, "soak", Edge::Begin);
    story.to(610.0).trigger("shaker", Contact::On);
    story.to(630.0).trigger("shaker", Contact::Off);
    // The second is due at the shaker as well: nobody knows which of the two was clamped.
    story.to(640.0).trigger("shaker", Contact::On);
    story.to(665.0).trigger("shaker", Contact::Off);
    let press = story.bench.presses[0].clone();
    // Whoever loosens the second has turned to it: then the contact is its.
    let mut turned = Story { bench: story.bench.clone(), now_ns: 0, events: Vec::new(), next_id: 900 };
    turned.to(666.0).mark(second, "loosen", Edge::Begin);
    let outcome = turned.to(670.0).trigger("shaker", Contact::On);
    assert!(matches!(&outcome, Outcome::Done { note, .. } if note.contains("N-2")), "{outcome:?}");
    assert!(press.why.contains("cut short"), "{}", press.why);
    story.ok(Do::AssignPress { press: press.id, specimens: vec![first] });
    story.ok(said(first, true));
    assert_eq!(codes(&story, first), [Code::IntervalInterrupted]);
    assert_eq!(codes(&story, second), []);
    story.check_replay();
}

#[test]
fn a_wrong_place_number_is_corrected_freely_and_is_no_deviation() {
    let (mut story, _, specimen) = at_work();
    story.to(10.0).mark(specimen, "soak", Edge::Begin);
    let correct = |place| Do::CorrectPlace { specimen, place, swap: false };
    story.to(100.0).ok(correct(4));
    assert_eq!(story.bench.at_place(4).map(|s| s.id), Some(specimen));
    assert_eq!(story.bench.at_place(1), None);
    assert_eq!(codes(&story, specimen), []);
    let change = &story.bench.specimens[&specimen].places[0];
    assert_eq!((change.from, change.to, change.moved), (1, 4, false));
    assert_eq!(change.marked.by.person.as_deref(), Some("Ada Brook"));
    for (place, words) in [(4, "already"), (9, "places 1 to 8"), (0, "places 1 to 8")] {
        let text = story.refused(correct(place));
        assert!(text.contains(words), "{place}: {text}");
    }
    story.check_replay();
}

#[test]
fn two_that_were_taken_for_one_another_change_their_numbers_in_one_act() {
    let (mut story, sample, first) = at_work();
    let second = story.specimen(sample, 2);
    let text = story.refused(Do::CorrectPlace { specimen: first, place: 2, swap: false });
    assert!(text.contains("N-2") && text.contains("one act"), "{text}");
    story.ok(Do::CorrectPlace { specimen: first, place: 2, swap: true });
    let place = |id: &Uuid| story.bench.specimens[id].place;
    assert_eq!((place(&first), place(&second)), (2, 1));
    story.check_replay();
}

#[test]
fn a_cylinder_that_was_carried_is_a_deviation_in_soak_and_sedimentation_only() {
    let (mut story, sample, specimen) = at_work();
    let carried = |place| Do::MoveCylinder { specimen, place };
    story.to(5.0).ok(carried(2));
    assert_eq!(codes(&story, specimen), []);
    story.to(10.0).mark(specimen, "soak", Edge::Begin);
    let Outcome::Done { note, .. } = story.to(100.0).act(carried(3)) else { panic!() };
    assert!(note.contains("during soak"), "{note}");
    let found = story.deviations(specimen);
    assert_eq!((found[0].code, found[0].actual.as_str()), (Code::Moved, "from place 2 to place 3"));
    let other = story.specimen(sample, 5);
    let text = story.refused(carried(5));
    assert!(text.contains("holds N-2"), "{text}");
    let act = Act {
        id: story.id(),
        who: None,
        via: "page".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: Do::MoveCylinder { specimen: other, place: 6 },
    };
    let Outcome::Refused { text, .. } = story.input(What::Act(act)) else { panic!() };
    assert!(text.contains("names a person"), "{text}");
    // When it really happened may be stated: between the two intervals it is none.
    story.to(700.0).mark(specimen, "shake", Edge::Begin);
    let outcome = story.to(720.0).act_at(carried(7), Some(705));
    assert!(matches!(outcome, Outcome::Done { .. }), "{outcome:?}");
    let moved = story.deviations(specimen).into_iter().filter(|d| d.code == Code::Moved).count();
    assert_eq!(moved, 1);
    story.check_replay();
}
