use crate::domain::bench::Coming;
use crate::domain::bench::test::Story;
use crate::domain::method::Edge;
use crate::domain::moment::test::at;
use crate::domain::moment::{MINUTE, SECOND};

fn ahead(story: &Story) -> Vec<Coming> {
    story.bench.ahead(&at(story.now_ns))
}

/// A soak that begins at `s` seconds.
fn soak(story: &mut Story, place: u32, s: f64) {
    let sample = story.sample(&format!("S-{place}"), 1);
    let specimen = story.specimen(sample, place);
    story.to(s).mark(specimen, "first fill", Edge::Done);
    story.mark(specimen, "soak", Edge::Begin);
}

#[test]
fn a_window_is_told_from_now_on_with_the_time_that_its_cylinder_takes() {
    let mut story = Story::new();
    soak(&mut story, 2, 0.0);
    story.to(60.0);
    let all = ahead(&story);
    let [soak] = all.as_slice() else { panic!("{all:?}") };
    // 10 +- 1 minutes, one of them gone.
    assert_eq!((soak.opens_ns, soak.closes_ns), (8 * MINUTE, 10 * MINUTE));
    // Loosen half a minute, shake 45 s, irrigate two minutes: one block of 3.25 minutes, as it is planned
    // with where such benches were timed (common practice, no source).
    assert_eq!(soak.hands_ns, 195 * SECOND);
    assert_eq!(soak.clash, None);
    assert!(ahead(&Story::new()).is_empty());
}

#[test]
fn of_soaks_that_end_together_the_third_finds_no_hands() {
    // Blocks of 3.25 minutes in windows two minutes wide: begun within a minute, the second block
    // begins 3.25 minutes after the first opens, when its window has been closed for a quarter of a minute.
    let mut story = Story::new();
    soak(&mut story, 1, 0.0);
    soak(&mut story, 2, 60.0);
    soak(&mut story, 3, 120.0);
    let clashes: Vec<_> = ahead(&story).iter().map(|c| (c.place, c.clash)).collect();
    assert_eq!(clashes, [(1, None), (2, Some(1)), (3, Some(2))]);
    // A minute and a half apart, the second is reached.
    let mut story = Story::new();
    soak(&mut story, 1, 0.0);
    soak(&mut story, 2, 90.0);
    assert!(ahead(&story).iter().all(|c| c.clash.is_none()), "{:?}", ahead(&story));
}

#[test]
fn cylinders_that_share_a_run_of_the_shaker_need_hands_for_less() {
    let mut story = Story::with(|started| started.bench.shaker_holds = 2);
    soak(&mut story, 1, 0.0);
    soak(&mut story, 2, 60.0);
    assert!(ahead(&story).iter().all(|c| c.clash.is_none()), "{:?}", ahead(&story));
}

#[test]
fn a_shared_run_is_not_put_off_across_a_reading() {
    let mut story = Story::with(|started| started.bench.shaker_holds = 2);
    let settled = story.sample("S-9", 1);
    let settled = story.specimen(settled, 9 - 1);
    for (step, edge, s) in [
        ("first fill", Edge::Done, 0.0),
        ("soak", Edge::Begin, 0.0),
        ("shake", Edge::Begin, 600.0),
        ("shake", Edge::End, 645.0),
        ("irrigate", Edge::End, 700.0),
    ] {
        story.to(s).mark(settled, step, edge);
    }
    // Read from 1885 s to 1915 s; the soaks end from 1695 to 1815 s and from 1805 to 1925 s.
    soak(&mut story, 1, 1155.0);
    soak(&mut story, 2, 1265.0);
    let clashes: Vec<_> = ahead(&story).iter().map(|c| (c.place, c.clash)).collect();
    // The first is done at 1890 s, the reading at 1950 s. Waiting for the second would have cost the
    // reading, and after it the second is too late.
    assert_eq!(clashes, [(1, None), (8, None), (2, Some(8))]);
}

#[test]
fn what_is_being_irrigated_holds_the_hands_that_a_reading_needs() {
    let mut story = Story::new();
    let (first, second) = (story.sample("S-1", 1), story.sample("S-2", 1));
    let (first, second) = (story.specimen(first, 1), story.specimen(second, 2));
    for (step, edge, s) in [
        ("first fill", Edge::Done, 0.0),
        ("soak", Edge::Begin, 0.0),
        ("shake", Edge::Begin, 600.0),
        ("shake", Edge::End, 645.0),
        ("irrigate", Edge::End, 760.0),
    ] {
        story.to(s).mark(first, step, edge);
    }
    for (step, edge, s) in [
        ("first fill", Edge::Done, 1260.0),
        ("soak", Edge::Begin, 1260.0),
        ("shake", Edge::Begin, 1860.0),
        ("shake", Edge::End, 1905.0),
    ] {
        story.to(s).mark(second, step, edge);
    }
    // The first is read from 19:45 to 20:15 after 760 s, that is up to 1975 s.
    story.to(1906.0).mark(second, "irrigate", Edge::Begin);
    let all = ahead(&story);
    assert_eq!(all.iter().map(|c| (c.place, c.clash)).collect::<Vec<_>>(), [(1, Some(2))]);
}
