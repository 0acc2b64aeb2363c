use super::*;
use crate::domain::method::Edge;
use crate::domain::moment::{Basis, Moment};
use crate::domain::specimen::judge::{Code, deviations};
use crate::journal::{Reader, verify};

const HOUR: i64 = 3600 * SECOND;

async fn mark(desk: &Desk, specimen: Uuid, step: &str, edge: Edge) {
    desk.done(Do::Mark { specimen, step: step.to_owned(), edge }).await;
}

/// Lets the loop see what became due while time went on.
async fn pass(desk: &Desk, s: i64) {
    desk.clock.advance_by(s * SECOND);
    desk.act(Do::StopAwaiting).await;
}

#[tokio::test]
async fn a_wall_clock_set_back_an_hour_bends_no_interval_and_no_order_also_over_a_start() {
    let folder = Folder::new();
    let clock = SteppedClock::new(at(0));
    let desk = Desk::open(&folder.journal(), &clock, Box::new(Works)).await;
    let sample = desk.sample("S").await;
    let specimen = desk.done(Do::RegisterSpecimen { sample, place: 1 }).await;
    mark(&desk, specimen, "first fill", Edge::Done).await;
    mark(&desk, specimen, "soak", Edge::Begin).await;
    pass(&desk, 200).await;
    clock.step_wall(-HOUR);
    pass(&desk, 100).await;
    desk.close().await;
    // The program is started again, and the clock set back once more, by another hour.
    let desk = Desk::open(&folder.journal(), &clock, Box::new(Works)).await;
    clock.step_wall(-HOUR);
    pass(&desk, 300).await;
    mark(&desk, specimen, "loosen", Edge::Begin).await;
    let bench = desk.bench();
    let soaking = &bench.specimens[&specimen];
    let (method, points) = bench.rule(soaking).unwrap();
    let (begin, end) = {
        let mut marked = soaking.points.iter().flatten().skip(1);
        (marked.next().unwrap().moment, marked.next().unwrap().moment)
    };
    assert_eq!((end.since(&begin).ns, end.since(&begin).basis), (600 * SECOND, Basis::BootClock));
    assert!(end.wall_ns < begin.wall_ns, "by the wall clock it ended before it began");
    let interval =
        |code: &Code| matches!(code, Code::IntervalShort | Code::IntervalOver | Code::IntervalNotShown);
    let found: Vec<Code> = deviations(soaking, method, &points).into_iter().map(|d| d.code).collect();
    assert!(!found.iter().any(interval), "{found:?}");
    desk.close().await;

    let events = Reader::open(&folder.journal()).unwrap().events(0, 10_000).unwrap();
    let moments: Vec<Moment> = events.iter().map(|e| serde_json::from_str(&e.moment).unwrap()).collect();
    assert!(events.iter().zip(1..).all(|(event, n)| event.seq == n));
    assert!(
        moments.windows(2).all(|two| two[0].boot_ns <= two[1].boot_ns),
        "the order is that of what happened"
    );
    assert_eq!(moments.windows(2).filter(|two| two[1].wall_ns < two[0].wall_ns).count(), 2, "two steps back");
    let announced: Vec<i64> = events
        .iter()
        .zip(&moments)
        .filter(|(event, _)| event.kind == "interval-announced")
        .map(|(_, moment)| moment.since(&begin).ns / SECOND)
        .collect();
    assert!(
        announced.iter().all(|s| (480..=600).contains(s)),
        "no window opened early or late: {announced:?}"
    );
    verify(&folder.journal()).unwrap();
}
