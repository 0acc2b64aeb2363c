use super::*;
use crate::domain::moment::test::at;
use crate::domain::specimen::By;

fn rules() -> Rules {
    Rules {
        switches: BTreeSet::from(["pedal".to_owned()]),
        by_page: false,
        start_ns: 3 * SECOND,
        longest_ns: 60 * SECOND,
        watches_strokes: false,
    }
}

/// An instant that the kernel stamped.
fn pressed(ns: i64) -> Moment {
    Moment { stamp: Stamp::Kernel, ..at(ns) }
}

/// A run of 45 s that a press of the pedal began at an instant.
fn run(specimen: u128, begin_ns: i64) -> Run {
    let by = By { person: None, via: "trigger pedal".to_owned() };
    let begin = Begin { marked: Marked { moment: pressed(begin_ns), by }, given: false };
    let cylinders = BTreeMap::from([(Uuid::from_u128(specimen), Some(begin))]);
    Run { cylinders, lasts_ns: Some(45 * SECOND) }
}

/// Both in the machine.
fn both(a: Run, b: Run) -> Run {
    let cylinders = a.cylinders.into_iter().chain(b.cylinders).collect();
    Run { cylinders, lasts_ns: a.lasts_ns.zip(b.lasts_ns).map(|(a, b)| a.min(b)) }
}

fn begin(run: &mut Run) -> &mut Begin {
    run.cylinders.values_mut().next().unwrap().as_mut().unwrap()
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
    relay.seen(Some(both(run(1, 2 * SECOND), run(2, 4 * SECOND))), &at(4 * SECOND));
    assert!(!relay.is_closed());
}

#[test]
fn only_a_person_at_the_bench_starts_it_and_only_just_now() {
    type Change = fn(&mut Run);
    let refused: [(Change, &str); 8] = [
        (|run| begin(run).marked.by.via = "trigger mqtt-button".to_owned(), "at the bench"),
        // A message for the pedal's name: stamped when it arrived, and not by the kernel.
        (|run| begin(run).marked.moment.stamp = Stamp::Arrival, "at the bench"),
        (|run| begin(run).marked.by.via = "ask".to_owned(), "at the bench"),
        (|run| begin(run).marked.by.via = "page".to_owned(), "at the bench"),
        (|run| begin(run).marked.moment.stamp = Stamp::Entered, "stated afterwards"),
        (|run| begin(run).given = true, "given to the cylinder afterwards"),
        (|run| run.cylinders.values_mut().for_each(|begin| *begin = None), "further run"),
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
    begin(&mut by_page).marked = Marked { moment: at(0), by: By { person: None, via: "page".to_owned() } };
    paged.seen(Some(by_page), &at(0));
    assert!(paged.is_closed());
}

#[test]
fn whatever_ends_changes_or_takes_back_the_run_opens_it_at_once_and_a_changed_one_is_over() {
    let mut moved = run(1, 0);
    begin(&mut moved).marked.moment = pressed(-SECOND);
    let others = [
        (None, Why::Ended),
        (Some(moved), Why::Changed),
        (Some(run(2, 0)), Why::Changed),
        // A second cylinder that nobody could put into a machine that runs.
        (Some(both(run(1, 0), run(2, 10 * SECOND))), Why::Changed),
    ];
    for (after, why) in others {
        let mut relay = started(rules());
        relay.seen(after, &at(10 * SECOND));
        assert_eq!(relay.why(), Some(&why));
        assert_eq!(relay.opened_at(), Some(at(10 * SECOND).boot_ns));
        relay.seen(Some(run(1, 0)), &at(11 * SECOND));
        assert!(!relay.is_closed(), "it does not close again by itself");
    }
    assert!(Why::Changed.ends_the_run() && Why::Changed.is_early());
    assert!(!Why::Ended.ends_the_run(), "the bench knows");
}

#[test]
fn a_cylinder_that_is_taken_out_of_the_run_stops_the_others_too() {
    let mut relay = open(rules());
    relay.seen(None, &at(-SECOND));
    relay.seen(Some(both(run(1, 0), run(2, 0))), &at(0));
    assert!(relay.is_closed(), "one press for two cylinders");
    relay.seen(Some(run(1, 0)), &at(5 * SECOND));
    assert_eq!(relay.why(), Some(&Why::Changed));
}

#[test]
fn two_cylinders_that_are_marked_one_after_the_other_are_one_run_that_ends_with_the_first() {
    let mut relay = started(rules());
    relay.seen(Some(both(run(1, 0), run(2, 2 * SECOND))), &at(2 * SECOND));
    assert!(relay.is_closed());
    assert_eq!(relay.opens_at(), Some(at(45 * SECOND).boot_ns));
    // Seen at once, it is the same.
    let mut relay = open(rules());
    relay.seen(None, &at(-SECOND));
    relay.seen(Some(both(run(1, 0), run(2, 2 * SECOND))), &at(2 * SECOND));
    assert_eq!(relay.opens_at(), Some(at(45 * SECOND).boot_ns));
    // What the network adds is nobody's hand.
    let mut relay = started(rules());
    let mut asked = run(2, SECOND);
    begin(&mut asked).marked.moment.stamp = Stamp::Arrival;
    relay.seen(Some(both(run(1, 0), asked)), &at(SECOND));
    assert_eq!(relay.why(), Some(&Why::Changed));
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
    let mut lost = started(watched());
    // 175 cycles a minute (AASHTO T 176) for 20 s, then none.
    for n in 1..58 {
        let stroke = n * 60 * SECOND / 175;
        lost.passed(&at(stroke));
        lost.stroke(&at(stroke));
    }
    assert!(lost.is_closed());
    let newest = 57 * 60 * SECOND / 175;
    assert_eq!(lost.opens_at(), Some(at(newest + 3 * SECOND / 2).boot_ns));
    lost.passed(&at(newest + 3 * SECOND / 2));
    assert_eq!(lost.why(), Some(&Why::NoStroke));
    lost.stroke(&at(30 * SECOND));
    lost.seen(Some(run(1, 0)), &at(30 * SECOND));
    assert!(!lost.is_closed(), "a stroke that comes back starts nothing");
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
fn a_line_that_opened_while_the_program_was_held_up_opened_then_and_stays_open() {
    let ns = |s: i64| at(s * SECOND).boot_ns;
    let mut relay = started(rules());
    // Its order ended at 20 s; the program goes on at 60 s, long after the interval.
    relay.let_go(ns(20));
    relay.passed(&at(60 * SECOND));
    assert_eq!((relay.why(), relay.opened_at()), (Some(&Why::HeldUp), Some(ns(20))));
    relay.seen(Some(run(1, 0)), &at(60 * SECOND));
    assert!(!relay.is_closed());
    // The last order reached to the end of the interval.
    let mut whole = started(rules());
    whole.let_go(ns(45));
    assert_eq!((whole.why(), whole.opened_at()), (Some(&Why::Over), Some(ns(45))));
    // What ran out before this run began is nothing to it.
    let mut next = started(rules());
    next.let_go(ns(-1));
    assert!(next.is_closed());
}

#[test]
fn it_opened_at_its_limit_however_late_that_is_seen() {
    let mut relay = started(Rules { watches_strokes: true, ..rules() });
    relay.passed(&at(50 * SECOND));
    let no_stroke = at(2_000_000 + 3 * SECOND).boot_ns;
    assert_eq!((relay.why(), relay.opened_at()), (Some(&Why::NoStroke), Some(no_stroke)));
    let mut relay = started(rules());
    relay.passed(&at(50 * SECOND));
    assert_eq!((relay.why(), relay.opened_at()), (Some(&Why::Over), Some(at(45 * SECOND).boot_ns)));
}
