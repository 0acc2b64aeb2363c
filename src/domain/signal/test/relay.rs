use super::*;
use crate::domain::moment::test::at;

fn rules() -> Rules {
    Rules {
        switches: BTreeSet::from(["pedal".to_owned()]),
        by_page: false,
        start_ns: 3 * SECOND,
        longest_ns: 60 * SECOND,
        watches_strokes: false,
    }
}

/// A run of 45 s that a press of the pedal began at an instant.
fn run(specimen: u128, begin_ns: i64) -> Run {
    let by = By { person: None, via: "trigger pedal".to_owned() };
    Run {
        specimens: BTreeSet::from([Uuid::from_u128(specimen)]),
        begin: Some((at(begin_ns), by)),
        lasts_ns: Some(45 * SECOND),
    }
}

/// An open relay whose line can be used.
fn open(rules: Rules) -> Relay {
    let mut relay = Relay::new(rules);
    relay.line(true);
    relay
}

/// A relay that has seen the idle bench, and then a press at 0 s.
fn started(rules: Rules) -> Relay {
    let mut relay = open(rules);
    relay.seen(None, &at(-10 * SECOND));
    relay.seen(Some(run(1, 0)), &at(2_000_000));
    relay
}

#[test]
fn a_persons_start_closes_it_and_the_end_of_the_interval_opens_it() {
    let mut relay = started(rules());
    assert!(relay.is_closed());
    // AASHTO T 176, mechanical shaker: 45 s, counted from the begin of the run and not from the closing.
    assert_eq!(relay.opens_at(), Some(at(45 * SECOND).boot_ns));
    relay.passed(&at(45 * SECOND - 1));
    assert!(relay.is_closed());
    relay.passed(&at(45 * SECOND));
    assert_eq!(relay.why(), Some(&Why::Over));
    // The bench learns of it a little later, and still shows the run meanwhile.
    relay.seen(Some(run(1, 0)), &at(45 * SECOND + 5));
    assert!(!relay.is_closed(), "one run closes it once");
    relay.seen(None, &at(46 * SECOND));
    relay.seen(Some(run(2, 100 * SECOND)), &at(100 * SECOND));
    assert!(relay.is_closed(), "the next start is a new one");
}

#[test]
fn after_a_start_of_the_program_a_marked_run_closes_nothing() {
    let mut relay = open(rules());
    relay.seen(Some(run(1, 0)), &at(SECOND));
    relay.seen(Some(run(1, 0)), &at(2 * SECOND));
    relay.passed(&at(3 * SECOND));
    assert_eq!(relay.why(), Some(&Why::NotStarted));
    // Nor does its time, corrected, or a second cylinder that is added to it.
    relay.seen(Some(run(1, 2 * SECOND)), &at(3 * SECOND));
    let mut both = run(1, 2 * SECOND);
    both.specimens.insert(Uuid::from_u128(2));
    relay.seen(Some(both), &at(4 * SECOND));
    assert!(!relay.is_closed());
}

#[test]
fn only_a_person_at_the_bench_starts_it_and_only_just_now() {
    type Change = fn(&mut Run);
    let refused: [(Change, &str); 6] = [
        (|run| run.begin.as_mut().unwrap().1.via = "trigger mqtt-button".to_owned(), "at the bench"),
        (|run| run.begin.as_mut().unwrap().1.via = "ask".to_owned(), "at the bench"),
        (|run| run.begin.as_mut().unwrap().1.via = "page".to_owned(), "at the bench"),
        (|run| run.begin.as_mut().unwrap().0.stamp = Stamp::Entered, "stated afterwards"),
        (|run| run.begin = None, "further run"),
        (|run| run.lasts_ns = None, "no time"),
    ];
    for (change, word) in refused {
        let mut relay = open(rules());
        relay.seen(None, &at(-SECOND));
        let mut other = run(1, 0);
        change(&mut other);
        relay.seen(Some(other), &at(0));
        let Some(Why::NotFor(why)) = relay.why() else { panic!("{word}: {relay:?}") };
        assert!(why.contains(word), "{why}");
    }
    let mut late = open(rules());
    late.seen(None, &at(-SECOND));
    late.seen(Some(run(1, 0)), &at(3 * SECOND + 1));
    assert_eq!(late.why(), Some(&Why::NotFor("its start is too long ago")));
    let mut paged = open(Rules { by_page: true, ..rules() });
    paged.seen(None, &at(-SECOND));
    let mut by_page = run(1, 0);
    by_page.begin.as_mut().unwrap().1.via = "page".to_owned();
    paged.seen(Some(by_page), &at(0));
    assert!(paged.is_closed());
}

#[test]
fn whatever_ends_changes_or_takes_back_the_run_opens_it_at_once() {
    let mut moved = run(1, 0);
    moved.begin.as_mut().unwrap().0 = at(-SECOND);
    let mut fewer = run(2, 0);
    fewer.lasts_ns = None;
    for after in [None, Some(moved), Some(fewer)] {
        let mut relay = started(rules());
        relay.seen(after, &at(10 * SECOND));
        assert_eq!(relay.why(), Some(&Why::Ended));
        relay.seen(Some(run(1, 0)), &at(11 * SECOND));
        assert!(!relay.is_closed(), "it does not close again by itself");
    }
}

#[test]
fn the_longest_time_of_the_settings_comes_before_the_method() {
    let mut relay = started(Rules { longest_ns: 30 * SECOND, ..rules() });
    relay.passed(&at(30 * SECOND));
    assert_eq!(relay.why(), Some(&Why::Longest));
    assert!(Why::Longest.ends_the_run() && !Why::Ended.ends_the_run());
}

#[test]
fn without_strokes_it_opens_where_a_switch_tells_them() {
    let watched = || Rules { watches_strokes: true, ..rules() };
    let mut never = started(watched());
    never.stroke(&at(-SECOND));
    never.passed(&at(2_000_000 + 3 * SECOND));
    assert_eq!(never.why(), Some(&Why::NoStroke), "a stroke before the closing is none");
    let mut stalled = started(watched());
    // 175 cycles a minute (AASHTO T 176) for 20 s, then none.
    for n in 1..58 {
        let stroke = n * 60 * SECOND / 175;
        stalled.passed(&at(stroke));
        stalled.stroke(&at(stroke));
    }
    assert!(stalled.is_closed());
    let last = 57 * 60 * SECOND / 175;
    assert_eq!(stalled.opens_at(), Some(at(last + 3 * SECOND / 2).boot_ns));
    stalled.passed(&at(last + 3 * SECOND / 2));
    assert_eq!(stalled.why(), Some(&Why::NoStroke));
    stalled.stroke(&at(30 * SECOND));
    stalled.seen(Some(run(1, 0)), &at(30 * SECOND));
    assert!(!stalled.is_closed(), "a stroke that comes back starts nothing");
}

#[test]
fn a_reboot_opens_it() {
    let mut relay = started(rules());
    relay.passed(&Moment { boot: Uuid::from_u128(9), ..at(SECOND) });
    assert!(!relay.is_closed());
}

#[test]
fn a_line_that_goes_away_opens_it_and_one_that_comes_back_closes_nothing() {
    let mut relay = started(rules());
    relay.line(false);
    assert_eq!(relay.why(), Some(&Why::NoLine));
    relay.line(true);
    relay.seen(Some(run(1, 0)), &at(SECOND));
    assert!(!relay.is_closed());
    let mut absent = Relay::new(rules());
    absent.seen(None, &at(-SECOND));
    absent.seen(Some(run(1, 0)), &at(0));
    assert_eq!(absent.why(), Some(&Why::NotFor("its line cannot be used")));
}

#[test]
fn a_line_that_opened_while_the_program_was_held_up_stays_open() {
    let mut relay = started(rules());
    relay.let_go();
    assert_eq!(relay.why(), Some(&Why::HeldUp));
    relay.seen(Some(run(1, 0)), &at(SECOND));
    assert!(!relay.is_closed());
}
