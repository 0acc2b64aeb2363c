//! A machine that was restarted with a clock that is behind. How long what began before has run is known
//! to nobody until the clock is set; until then nothing counts, and a press is taken all the same.

use super::*;
use crate::domain::overview::overview;
use crate::domain::specimen::judge::Code;

const YEARS_NS: i64 = 7 * 365 * 86_400 * SECOND;
/// The machine was started again so many seconds after the story began.
const RESTART_S: i64 = 560;

/// An instant after the restart, by a clock that is off by so much.
fn later(s: i64, off_ns: i64) -> Moment {
    let mut moment = at(s * SECOND);
    (moment.boot, moment.boot_ns) = (Uuid::from_u128(2), (s - RESTART_S) * SECOND);
    moment.wall_ns += off_ns;
    moment
}

/// A specimen that soaks at place 3. The probe is out, so that its silence is no deadline.
fn soaking() -> (Story, Uuid) {
    let mut story = Story::new();
    story.ok(Do::TakeProbeOut);
    let sample = story.sample("S", 1);
    let specimen = story.specimen(sample, 3);
    story.mark(specimen, "first fill", Edge::Done);
    story.mark(specimen, "soak", Edge::Begin);
    (story, specimen)
}

fn press(story: &mut Story, name: &str, moment: Moment) -> Outcome {
    let contact = Ok(Contact::Press);
    let trigger = Trigger { name: name.to_owned(), contact, via: "mqtt".to_owned() };
    story.input_at(What::Trigger(trigger), moment)
}

/// Codes, steps and what was found of deviations.
fn found(story: &Story, specimen: Uuid) -> Vec<(Code, Option<String>, String)> {
    story.deviations(specimen).into_iter().map(|d| (d.code, d.step, d.actual)).collect()
}

#[test]
fn nothing_counts_until_the_clock_is_set() {
    let (story, specimen) = soaking();
    let specimen = &story.bench.specimens[&specimen];
    // Ten minutes behind: it would seem to have begun when the machine was started.
    for (s, off_ns) in [(600, -YEARS_NS), (600, -600 * SECOND), (1500, -600 * SECOND)] {
        let now = later(s, off_ns);
        assert_eq!(story.bench.ahead(&now), []);
        assert_eq!(story.bench.next_deadline(&now), None);
        let told = overview(&story.bench, &now, None, true);
        assert_eq!(told.places[0].running, None);
        let words = told.places[0].next.clone().unwrap();
        let why = "how long soak has run is not known until the machine's clock is set";
        assert!(words.starts_with(why), "{words}");
    }
    let now = later(600, 0);
    assert_eq!(story.bench.ahead(&now)[0].elapsed_ns, 600 * SECOND);
    // It is open since 540 s, which is said at once.
    assert!(story.bench.next_deadline(&now).is_some_and(|at| at <= now.boot_ns));
    assert!(overview(&story.bench, &now, None, true).places[0].running.is_some());
    assert_eq!(story.bench.unknown_text(specimen, &now), None);
}

#[test]
fn a_press_is_taken_meanwhile_and_its_record_says_that_the_time_is_not_known() {
    let (mut story, specimen) = soaking();
    let now = later(600, -YEARS_NS);
    // A shared switch marks what is due, and whether it is due nobody knows.
    press(&mut story, "foot", now);
    assert_eq!((story.bench.presses.len(), found(&story, specimen)), (1, Vec::new()));
    assert!(matches!(press(&mut story, "place-3", now), Outcome::Done { .. }));
    let soak = |actual: &str| (Code::IntervalNotShown, Some("soak".to_owned()), actual.to_owned());
    assert_eq!(found(&story, specimen), [soak("not known")]);
    let what = story.deviations(specimen).remove(0).what;
    assert!(what.contains("how long soak lasted is not known"), "{what}");
    // What begins in the wrong year is right, on the boot clock, also once the clock is set.
    press(&mut story, "place-3", later(610, -YEARS_NS));
    press(&mut story, "place-3", later(655, 0));
    assert_eq!(found(&story, specimen), [soak("not known")], "shaken for 45 s");
    story.check_replay();
}

#[test]
fn a_step_without_limits_says_it_too() {
    let (mut story, specimen) = soaking();
    for (s, step, edge) in [
        (600, "loosen", Edge::Begin),
        (610, "shake", Edge::Begin),
        (655, "shake", Edge::End),
        (660, "irrigate", Edge::Begin),
    ] {
        story.now_ns = s * SECOND;
        story.mark(specimen, step, edge);
    }
    let none = found(&story, specimen);
    press(&mut story, "place-3", later(760, -YEARS_NS));
    let more = found(&story, specimen);
    assert_eq!(more.len(), none.len() + 1, "{more:?}");
    assert!(more.contains(&(Code::IntervalNotShown, Some("irrigate".to_owned()), "not known".to_owned())));
}
