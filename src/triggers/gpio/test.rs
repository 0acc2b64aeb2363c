use super::*;
use crate::clock::SteppedClock;
use crate::domain::moment::{Stamp, test::at};
use crate::settings::model::Bias;

fn button(chip: &str) -> Gpio {
    Gpio { chip: chip.into(), line: "3".into(), active_low: false, bias: Bias::AsIs, debounce_ms: 10 }
}

#[test]
fn gaps_in_the_kernels_numbers_are_counted() {
    let mut sequence = Sequence::default();
    let lost = [1, 2, 185, 186, 186, 3].map(|n| sequence.lost_before(n));
    assert_eq!(lost, [0, 0, 182, 0, 0, 0]);
    let mut long = Sequence { last: u32::MAX };
    assert_eq!([0, 2].map(|n| long.lost_before(n)), [0, 1], "the number wraps");
}

#[tokio::test]
async fn an_edge_carries_the_kernels_instant_and_says_what_was_lost() {
    let (edges, mut reports) = mpsc::channel(8);
    let clock = Arc::new(SteppedClock::new(at(0)));
    let watch = Watch { trigger: "pedal".into(), settings: button("x"), clock, edges };
    let event = |kind, line_seqno| EdgeEvent {
        timestamp_ns: u64::try_from(at(-5).boot_ns).unwrap(),
        kind,
        offset: 3,
        seqno: line_seqno,
        line_seqno,
    };
    let mut seen = Seen { sequence: Sequence::default(), last: at(-9), own: None };
    assert!(watch.edge(&event(EdgeKind::Rising, 1), &mut seen).await.is_ok());
    assert!(watch.edge(&event(EdgeKind::Falling, 4), &mut seen).await.is_ok());
    let moment = Moment { stamp: Stamp::Kernel, doubt_ns: 10_000_000, ..at(-5) };
    let edge = |level, after_gap| GpioReport::Edge { trigger: "pedal".into(), level, moment, after_gap };
    assert_eq!(reports.recv().await, Some(edge(Level::Active, false)));
    let edge_at = Moment { stamp: Stamp::Kernel, ..at(-5) };
    let lost = GpioReport::Lost { trigger: "pedal".into(), count: 2, since: edge_at, until: edge_at };
    assert_eq!(reports.recv().await, Some(lost));
    assert_eq!(reports.recv().await, Some(edge(Level::Inactive, true)));
}

#[tokio::test]
async fn where_the_kernel_does_not_debounce_an_edge_counts_once_at_its_first_bounce() {
    let (edges, mut reports) = mpsc::channel(8);
    let clock = Arc::new(SteppedClock::new(at(0)));
    let watch = Watch { trigger: "pedal".into(), settings: button("x"), clock, edges };
    let start = u64::try_from(at(-SECOND).boot_ns).unwrap();
    let mut seen = Seen {
        sequence: Sequence::default(),
        last: at(0),
        own: Some(Debounce::new(10_000_000, Level::Inactive)),
    };
    for (n, kind) in [(1, EdgeKind::Rising), (2, EdgeKind::Falling), (3, EdgeKind::Rising)] {
        let timestamp_ns = start + u64::from(n - 1) * 1_000_000;
        let event = EdgeEvent { timestamp_ns, kind, offset: 3, seqno: n, line_seqno: n };
        assert!(watch.edge(&event, &mut seen).await.is_ok());
    }
    assert!(reports.try_recv().is_err(), "it still bounces");
    assert!(watch.still(start + 12_000_000, &mut seen).await.is_ok());
    let moment = Moment { stamp: Stamp::Kernel, doubt_ns: 2_000_000, ..at(-SECOND) };
    let edge = GpioReport::Edge { trigger: "pedal".into(), level: Level::Active, moment, after_gap: false };
    assert_eq!(reports.recv().await, Some(edge));
    assert!(reports.try_recv().is_err());
}

/// The real path into the kernel, with a chip that is not there: said once, tried again, ended at once.
#[tokio::test(start_paused = true)]
async fn an_absent_chip_is_said_once_and_looked_for_again_until_it_is_cancelled() {
    for chip in ["/dev/stillstand-no-such-chip", "no-such-chip", "/dev/null"] {
        let (edges, mut reports) = mpsc::channel(8);
        let cancel = CancellationToken::new();
        let clock = Arc::new(SteppedClock::new(at(0)));
        let task = spawn("pedal", button(chip), clock, edges, cancel.clone());
        let Some(GpioReport::Gone { trigger, why }) = reports.recv().await else { panic!("{chip}") };
        assert_eq!(trigger, "pedal");
        assert!(why.contains(chip), "{why}");
        tokio::time::sleep(Duration::from_mins(1)).await;
        assert!(reports.try_recv().is_err(), "the same reason is said once");
        assert!(!task.is_finished());
        cancel.cancel();
        task.await.unwrap();
    }
}

#[tokio::test(start_paused = true)]
async fn it_ends_when_nobody_listens() {
    let (edges, reports) = mpsc::channel(8);
    drop(reports);
    let clock = Arc::new(SteppedClock::new(at(0)));
    spawn("pedal", button("no-such-chip"), clock, edges, CancellationToken::new()).await.unwrap();
}
