use super::*;
use crate::domain::report::{self, Head};
use crate::domain::specimen::judge::Code;
use crate::domain::specimen::sample::Preparation;

/// A sample with one tin at place 1.
fn one() -> (Story, Uuid, Uuid) {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 1);
    (story, sample, specimen)
}

/// The same, filled and set down at the start.
fn soaking() -> (Story, Uuid, Uuid) {
    let (mut story, sample, specimen) = one();
    story.mark(specimen, "first fill", Edge::Done);
    story.mark(specimen, "soak", Edge::Begin);
    (story, sample, specimen)
}

/// The same, shaken from 600 s to 645 s.
fn shaken() -> (Story, Uuid, Uuid) {
    let (mut story, sample, specimen) = soaking();
    story.to(600.0).mark(specimen, "shake", Edge::Begin);
    story.to(645.0).mark(specimen, "shake", Edge::End);
    (story, sample, specimen)
}

fn codes(story: &Story, specimen: Uuid) -> Vec<Code> {
    story.deviations(specimen).into_iter().map(|d| d.code).collect()
}

#[test]
fn a_specimen_whose_method_was_kept_has_its_number_and_no_deviation() {
    let mut story = Story::new();
    let sample = story.sample("S-1", 1);
    let specimen = story.specimen(sample, 1);
    story.run_to_line(specimen, 10.0);
    story.to(2020.0);
    story.read(specimen, Level::Clay, "7.95");
    story.read(specimen, Level::Sand, "13.22");
    assert_eq!(codes(&story, specimen), []);
    // 3.22 and 7.95 take the marks 3.3 and 8.0, 41.25 is raised to 42: the worked example of
    // AASHTO T 176 / ASTM D2419, from memory.
    let number = story.bench.specimens[&specimen].calculation.unwrap();
    assert_eq!(number.reported.to_string(), "42");
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("42"));
    story.mark(specimen, "clean", Edge::Done);
    assert_eq!(story.bench.at_place(1), None);
    assert!(story.bench.samples.is_empty(), "a finished sample leaves the bench");
    story.check_replay();
}

#[test]
fn the_average_of_raised_values_is_raised_again() {
    let mut story = Story::new();
    let sample = story.sample("S-2", 3);
    // 42, 44, 41 -> 42.33 -> 43: the worked example of AASHTO T 176 / ASTM D2419, from memory.
    for (n, clay, sand, reported) in
        [(0, "8.0", "13.3", "42"), (1, "9.6", "14.2", "44"), (2, "8.8", "13.6", "41")]
    {
        let specimen = story.specimen(sample, n + 1);
        story.run_to_line(specimen, 2000.0 * f64::from(n));
        story.read(specimen, Level::Clay, clay);
        story.read(specimen, Level::Sand, sand);
        assert_eq!(story.bench.specimens[&specimen].calculation.unwrap().reported.to_string(), reported);
    }
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("43"));
}

#[test]
fn intervals_are_compared_at_the_methods_resolution_and_never_block() {
    // Shake 45 ± 1 s, compared to 0.1 s: 46.04 is 46.0 and kept, 46.05 is 46.1 and over.
    for (shake_s, code, by) in [
        (44.0, None, None),
        (43.95, None, None),
        (43.94, Some(Code::IntervalShort), Some("0.1 s")),
        (46.04, None, None),
        (46.05, Some(Code::IntervalOver), Some("0.1 s")),
        (21.5, Some(Code::IntervalShort), Some("22.5 s")),
    ] {
        let mut story = Story::new();
        let sample = story.sample("S", 1);
        let specimen = story.specimen(sample, 1);
        story.to(0.0).mark(specimen, "first fill", Edge::Done);
        story.mark(specimen, "soak", Edge::Begin);
        story.to(600.0).mark(specimen, "shake", Edge::Begin);
        story.to(600.0 + shake_s).mark(specimen, "shake", Edge::End);
        let found = story.deviations(specimen);
        assert_eq!(found.first().map(|d| d.code), code, "{shake_s}");
        assert_eq!(found.first().and_then(|d| d.by.as_deref()), by, "{shake_s}");
    }
}

#[test]
fn the_shakers_start_bounds_the_soak_when_nobody_pressed() {
    for (s, codes_wanted) in [
        (600.0, vec![]),
        (539.0, vec![Code::IntervalShort]),
        // Loosening lies between: that the soak itself was too long is not shown.
        (700.0, vec![Code::IntervalNotShown]),
    ] {
        let mut story = Story::new();
        let sample = story.sample("S", 1);
        let specimen = story.specimen(sample, 1);
        story.mark(specimen, "first fill", Edge::Done);
        story.mark(specimen, "soak", Edge::Begin);
        story.to(s).mark(specimen, "shake", Edge::Begin);
        assert_eq!(codes(&story, specimen), codes_wanted, "{s}");
    }
}

#[test]
fn without_the_press_the_entry_is_only_a_no_later_than_and_a_stated_time_settles_it() {
    let (mut story, _, specimen) = shaken();
    story.to(700.0).mark(specimen, "irrigate", Edge::End);
    // The value is typed two minutes after the twenty: not an overrun, but not shown either.
    story.to(700.0 + 1320.0).read(specimen, Level::Clay, "8.0");
    assert_eq!(codes(&story, specimen), [Code::IntervalNotShown]);
    let Outcome::Done { .. } = story
        .act_at(Do::Mark { specimen, step: "sedimentation".to_owned(), edge: Edge::End }, Some(700 + 1205))
    else {
        panic!("a forgotten press can be stated later")
    };
    assert_eq!(codes(&story, specimen), []);
    story.read(specimen, Level::Sand, "13.3");
    story.check_replay();
}

#[test]
fn out_of_order_is_refused_with_what_is_possible() {
    let (mut story, _, specimen) = one();
    let text = story.refused(Do::Mark { specimen, step: "shake".to_owned(), edge: Edge::Begin });
    assert!(text.contains("first fill done"), "{text}");
    let text = story.refused(Do::EnterReading {
        specimen,
        of: Level::Clay,
        value: "8.0".to_owned(),
        confirmed: false,
    });
    assert!(text.contains("not possible now"), "{text}");
    let text = story.refused(Do::Mark { specimen, step: "rinse".to_owned(), edge: Edge::Done });
    assert!(text.contains("no step `rinse`") && text.contains("irrigate"), "{text}");
}

#[test]
fn impossible_levels_are_refused_and_an_unusual_one_is_asked_about() {
    let (mut story, _, specimen) = one();
    story.run_to_line(specimen, 0.0);
    let enter =
        |of, value: &str, confirmed| Do::EnterReading { specimen, of, value: value.to_owned(), confirmed };
    for bad in ["0", "15.1", "-1", "NaN", "8,0", "", "1e1"] {
        let text = story.refused(enter(Level::Clay, bad, false));
        assert!(text.contains("clay"), "{bad}: {text}");
    }
    story.read(specimen, Level::Clay, "3.0");
    let text = story.refused(enter(Level::Sand, "9.9", false));
    assert!(text.contains("indicator"), "{text}");
    let text = story.refused(enter(Level::Sand, "13.4", false));
    assert!(text.contains("higher than the clay reading"), "{text}");
    let Outcome::Done { .. } = story.act(enter(Level::Sand, "13.4", true)) else { panic!() };
    assert_eq!(codes(&story, specimen), [Code::SandOverClay]);
    assert_eq!(story.bench.specimens[&specimen].calculation.unwrap().reported.to_string(), "114");
}

#[test]
fn no_line_yet_keeps_the_window_open_to_thirty_minutes_in_all() {
    let (mut story, _, specimen) = one();
    let text = story.refused(Do::NoLineYet { specimen });
    assert!(text.contains("no line yet"), "{text}");
    story.mark(specimen, "first fill", Edge::Done);
    story.mark(specimen, "soak", Edge::Begin);
    story.to(600.0).mark(specimen, "shake", Edge::Begin);
    story.to(645.0).mark(specimen, "shake", Edge::End);
    story.to(700.0).mark(specimen, "irrigate", Edge::End);
    let text = story.to(760.0).refused(Do::NoLineYet { specimen });
    assert!(text.contains("before the window opens"), "{text}");
    story.to(1900.0).ok(Do::NoLineYet { specimen });
    story.to(2500.0).mark(specimen, "sedimentation", Edge::End); // 30 min exactly
    assert_eq!(codes(&story, specimen), []);
}

#[test]
fn a_place_is_busy_until_its_cylinder_is_clean() {
    let mut story = Story::new();
    let sample = story.sample("S", 2);
    let specimen = story.specimen(sample, 3);
    let text = story.refused(Do::RegisterSpecimen { sample, place: 3 });
    assert!(text.contains("holds S-1"), "{text}");
    let text = story.refused(Do::RegisterSpecimen { sample, place: 9 });
    assert!(text.contains("places 1 to 8"), "{text}");
    story.run_to_line(specimen, 0.0);
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    let text = story.refused(Do::RegisterSpecimen { sample, place: 3 });
    assert!(text.contains("clean the cylinder"), "{text}");
    story.mark(specimen, "clean", Edge::Done);
    story.specimen(sample, 3);
}

#[test]
fn an_act_sent_twice_happens_once_and_an_outdated_one_is_told_what_changed() {
    let (mut story, _, specimen) = one();
    let act = Act {
        id: Uuid::from_u128(77),
        who: None,
        via: "page".to_owned(),
        seen: Some(1),
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: Do::Mark { specimen, step: "first fill".to_owned(), edge: Edge::Done },
    };
    assert!(matches!(story.input(What::Act(act.clone())), Outcome::Done { .. }));
    let again = story.input(What::Act(act.clone()));
    assert!(matches!(&again, Outcome::DoneBefore { note, .. } if note.contains("first fill")), "{again:?}");
    let second = Act {
        id: Uuid::from_u128(78),
        what: Do::Mark { specimen, step: "soak".to_owned(), edge: Edge::Begin },
        ..act
    };
    let Outcome::Refused { text, .. } = story.input(What::Act(second)) else { panic!() };
    assert!(text.contains("has changed since you saw it"), "{text}");
}

#[test]
fn a_weighing_goes_to_what_waits_and_is_kept_where_nothing_does() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    story.weigh("12.3");
    assert_eq!(story.bench.kept_weighings.len(), 1);
    story.ok(Do::AwaitSampleMass { sample, name: "passing".to_owned() });
    story.weigh("950.0");
    assert_eq!(story.bench.samples[&sample].masses["passing"].mass.value.to_string(), "950.0");
    assert!(story.bench.awaited.is_empty());
    // T 176 takes 1000 to 1500 g passing the No. 4 sieve (an agency's hand-out).
    let found = story.bench.samples[&sample].deviations(&t176(), None);
    assert_eq!(found[0].code, Code::MassOutside);
    assert_eq!((found[0].required.as_str(), found[0].actual.as_str()), ("1000 to 1500 g", "950.0 g"));
    let text = story.refused(Do::AwaitSampleMass { sample, name: "flask".to_owned() });
    assert!(text.contains("passing"), "{text}");
}

#[test]
fn tempering_begins_anew_with_each_change_of_moisture() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let prepare = |what| Do::Prepare { sample, what };
    story.ok(prepare(Preparation::MoistureChanged));
    story.to(800.0).ok(prepare(Preparation::MoistureChanged));
    let specimen = story.specimen(sample, 1);
    story.to(1000.0).mark(specimen, "tin", Edge::Done);
    let filled = story.bench.specimens[&specimen].points.iter().flatten().next().cloned();
    let found = story.bench.samples[&sample].deviations(&t176(), filled.as_ref());
    assert_eq!(found[0].code, Code::TemperingShort);
    assert_eq!(found[0].by.as_deref(), Some("700.0 s"));
    // A change after the tin was filled concerns the next tin, not this one.
    story.to(1900.0).ok(prepare(Preparation::MoistureChanged));
    let again = story.bench.samples[&sample].deviations(&t176(), filled.as_ref());
    assert_eq!(again, found);
}

#[test]
fn running_intervals_go_on_over_a_reboot_by_the_wall_clock_and_say_so() {
    let (mut story, _, specimen) = soaking();
    let mut later = at(605 * SECOND);
    later.boot = Uuid::from_u128(2);
    later.boot_ns = 20 * SECOND;
    let what = What::Act(Act {
        id: Uuid::from_u128(5),
        who: None,
        via: "page".to_owned(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what: Do::Mark { specimen, step: "loosen".to_owned(), edge: Edge::Begin },
    });
    assert!(matches!(story.input_at(what, later), Outcome::Done { .. }));
    let specimen = &story.bench.specimens[&specimen];
    let (method, points) = story.bench.rule(specimen).unwrap();
    let span = specimen.span(method, &points, method.step_index("soak").unwrap()).unwrap();
    let elapsed = span.elapsed(&later);
    assert_eq!(elapsed.ns, 605 * SECOND);
    assert_eq!(elapsed.basis, crate::domain::moment::Basis::WallClock);
}

#[test]
fn the_record_holds_every_figure_with_its_origin() {
    let mut story = Story::new();
    let sample = story.sample("S-9", 1);
    let specimen = story.specimen(sample, 1);
    story.warmth("22.45");
    story.run_to_line(specimen, 10.0);
    story.read(specimen, Level::Clay, "7.95");
    let input = Input { id: story.id(), moment: at(story.now_ns), what: What::Deadline };
    story.read(specimen, Level::Sand, "13.22");
    let head = Head { journal: Uuid::from_u128(9), sequence: 12, link: "ab".repeat(32) };
    let completed = story.events.iter().find(|(e, _)| matches!(e, Event::SpecimenCompleted { .. })).unwrap();
    let document = report::document(&story.bench, &completed.0, &input, &head).unwrap();
    let data = &document.json["data"];
    assert_eq!(document.json["sequence"], "0000000001");
    assert_eq!(data["readings"]["clay"]["entered"], "7.95");
    assert_eq!(data["readings"]["clay"]["text"], "8.0");
    assert_eq!(data["readings"]["sand"]["text"], "3.3");
    assert_eq!(data["readings"]["sand"]["foot"], "indicator");
    assert_eq!(data["result"]["text"], "42");
    assert_eq!(data["station"]["journal"]["link"], "ab".repeat(32));
    assert_eq!(data["method"]["sha256"], t176().digest);
    assert_eq!(data["method"]["edition"], "not confirmed");
    assert_eq!(data["temperature"]["minimum"]["text"], "22.45");
    let steps = data["steps"].as_array().unwrap();
    let shake = steps.iter().find(|s| s["name"] == "shake").unwrap();
    assert_eq!(shake["duration"]["text"], "45.0");
    assert_eq!(shake["verdict"], "within");
    assert_eq!(shake["begin"]["by"]["person"], "Ada Brook");
}

#[test]
fn a_specimen_that_is_given_up_does_not_count_and_frees_its_place_once_clean() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let spilled = story.specimen(sample, 1);
    story.mark(spilled, "first fill", Edge::Done);
    story.mark(spilled, "soak", Edge::Begin);
    let void = |reason: &str| Do::VoidSpecimen { specimen: spilled, reason: reason.to_owned() };
    let text = story.refused(void("  "));
    assert!(text.contains("reason"), "{text}");
    story.to(300.0).ok(void("knocked over while another was shaken"));
    // No announcement, no alarm and no switch concerns it any more.
    let events = story.events.len();
    story.to(2000.0);
    let said = story.events.get(events..).unwrap();
    assert!(said.iter().all(|(e, _)| !matches!(e, Event::IntervalAnnounced { .. })), "{said:?}");
    let text = story.refused(Do::Mark { specimen: spilled, step: "shake".to_owned(), edge: Edge::Begin });
    assert!(text.contains("possible: clean done"), "{text}");
    story.mark(spilled, "clean", Edge::Done);
    let second = story.specimen(sample, 1);
    assert_eq!(story.bench.samples[&sample].planned, 1);
    story.run_to_line(second, 2100.0);
    story.read(second, Level::Clay, "8.0");
    story.read(second, Level::Sand, "13.3");
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("42"));
    story.check_replay();
}

#[test]
fn no_line_yet_after_the_window_closed_takes_no_overrun_back() {
    let (mut story, _, specimen) = shaken();
    story.to(700.0).mark(specimen, "irrigate", Edge::End);
    story.to(700.0 + 1500.0).ok(Do::NoLineYet { specimen });
    story.to(700.0 + 1600.0).mark(specimen, "sedimentation", Edge::End);
    assert_eq!(codes(&story, specimen), [Code::IntervalOver]);
}

#[test]
fn after_a_further_run_times_still_stand_in_order() {
    let (mut story, _, specimen) = shaken();
    story.to(650.0).mark(specimen, "shake", Edge::Begin);
    story.to(660.0).mark(specimen, "shake", Edge::End);
    story.to(900.0).mark(specimen, "irrigate", Edge::End);
    let line = Do::Mark { specimen, step: "sedimentation".to_owned(), edge: Edge::End };
    let outcome = story.to(2200.0).act_at(line, Some(700));
    assert!(matches!(outcome, Outcome::Refused { .. }), "{outcome:?}");
}

#[test]
fn a_stated_time_is_exact_and_a_stamp_may_be_overtaken() {
    let (mut story, _, specimen) = soaking();
    story.to(600.5).mark(specimen, "shake", Edge::Begin);
    let end = Do::Mark { specimen, step: "shake".to_owned(), edge: Edge::End };
    let outcome = story.act_at(end, Some(600));
    assert!(matches!(outcome, Outcome::Refused { .. }), "{outcome:?}");
    let off = Trigger { name: "shaker".to_owned(), contact: Ok(Contact::Off), via: "gpio".to_owned() };
    story.input_at(What::Trigger(off), at(600 * SECOND));
    let found = story.deviations(specimen);
    assert_eq!(found[0].actual, "0.0 s");
}

#[test]
fn after_a_reboot_with_a_late_wall_clock_the_work_goes_on_and_the_interval_says_so() {
    let (mut story, _, specimen) = soaking();
    let mut woken = at(-86_400 * SECOND);
    woken.boot = Uuid::from_u128(2);
    woken.boot_ns = 20 * SECOND;
    let on = Trigger { name: "place-1".to_owned(), contact: Ok(Contact::Press), via: "mqtt".to_owned() };
    story
        .bench
        .triggers
        .insert("place-1".to_owned(), TriggerSettings { does: Does::Next, place: Some(1), own_line: false });
    let outcome = story.input_at(What::Trigger(on), woken);
    assert!(matches!(outcome, Outcome::Done { .. }), "{outcome:?}");
    let found = story.deviations(specimen);
    assert_eq!(found[0].code, Code::IntervalNotShown);
    assert!(found[0].what.contains("clocks"), "{}", found[0].what);
}

#[test]
fn an_extra_tin_that_is_given_up_does_not_keep_the_result_back() {
    let mut story = Story::new();
    let sample = story.sample("S", 1);
    let (first, extra) = (story.specimen(sample, 1), story.specimen(sample, 2));
    story.run_to_line(first, 0.0);
    story.read(first, Level::Clay, "8.0");
    story.read(first, Level::Sand, "13.3");
    assert_eq!(story.bench.samples[&sample].reported, None, "two tins are at work");
    story.ok(Do::VoidSpecimen { specimen: extra, reason: "not enough material".to_owned() });
    assert_eq!(story.bench.samples[&sample].reported.as_deref(), Some("42"));
    story.check_replay();
}

#[test]
fn a_mass_goes_to_nothing_that_is_over_or_gone() {
    let (mut story, _, specimen) = one();
    story.run_to_line(specimen, 0.0);
    story.ok(Do::AwaitSpecimenMass { specimen });
    story.read(specimen, Level::Clay, "8.0");
    story.read(specimen, Level::Sand, "13.3");
    assert!(story.bench.awaited.is_empty(), "the record is made");
    story.weigh("101.5");
    assert_eq!(story.bench.kept_weighings.len(), 1);
    assert_eq!(story.bench.specimens[&specimen].mass, None);
}

#[test]
fn where_the_method_sets_no_number_of_specimens_it_is_asked_for() {
    let mut story = Story::new();
    let text = story.refused(Do::RegisterSample {
        label: "S".to_owned(),
        method: "aashto-t176-mechanical".to_owned(),
        specimens: None,
        particulars: None,
    });
    assert!(text.contains("say how many"), "{text}");
}
