use super::find::{ChipSeen, pick_chip, pick_line};
use super::*;
use crate::clock::SteppedClock;
use crate::domain::moment::{Stamp, test::at};
use std::path::Path;

fn chips(of: &[(&str, &str)]) -> Vec<ChipSeen> {
    let seen = |(name, label): &(&str, &str)| ChipSeen {
        path: format!("/dev/{name}").into(),
        name: (*name).into(),
        label: (*label).into(),
    };
    of.iter().map(seen).collect()
}

fn button(chip: &str) -> Gpio {
    Gpio { chip: chip.into(), line: "3".into(), active_low: false, debounce_ms: 10 }
}

#[test]
fn a_chip_is_found_by_name_or_by_a_label_that_one_chip_bears() {
    let seen = chips(&[("gpiochip0", "soc"), ("gpiochip1", "board"), ("gpiochip2", "board")]);
    assert_eq!(pick_chip("gpiochip1", &seen).unwrap(), Path::new("/dev/gpiochip1"));
    assert_eq!(pick_chip("soc", &seen).unwrap(), Path::new("/dev/gpiochip0"));
    let many = pick_chip("board", &seen).unwrap_err().to_string();
    assert!(many.contains("/dev/gpiochip1, /dev/gpiochip2"), "{many}");
    let none = pick_chip("pedal", &seen).unwrap_err().to_string();
    assert!(none.contains("`pedal`") && none.contains("gpiochip0 (labelled `soc`)"), "{none}");
    assert!(pick_chip("pedal", &[]).unwrap_err().to_string().contains("there are none"));
}

#[test]
fn a_line_is_found_by_offset_or_by_a_name_that_one_line_bears() {
    let names = ["", "PEDAL", "LAMP", "LAMP"].map(String::from);
    let pick =
        |wanted: &str| pick_line(wanted, Path::new("/dev/gpiochip0"), &names).map_err(|e| e.to_string());
    assert_eq!(pick("3"), Ok(3));
    assert_eq!(pick("PEDAL"), Ok(1));
    assert!(pick("LAMP").unwrap_err().contains("offsets 2, 3"));
    for wrong in ["4", "HORN", "", "99999999999", "-1"] {
        let none = pick(wrong).unwrap_err();
        assert!(none.contains("offsets go to 3") && none.contains("`PEDAL`"), "{none}");
    }
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
    let mut sequence = Sequence::default();
    assert!(watch.edge(&event(EdgeKind::Rising, 1), &mut sequence).await.is_ok());
    assert!(watch.edge(&event(EdgeKind::Falling, 4), &mut sequence).await.is_ok());
    let moment = Moment { stamp: Stamp::Kernel, doubt_ns: 10_000_000, ..at(-5) };
    let edge = |level, after_gap| GpioReport::Edge { trigger: "pedal".into(), level, moment, after_gap };
    assert_eq!(reports.recv().await, Some(edge(Level::Active, false)));
    assert_eq!(reports.recv().await, Some(GpioReport::Lost { trigger: "pedal".into(), count: 2 }));
    assert_eq!(reports.recv().await, Some(edge(Level::Inactive, true)));
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
