//! The task at real pseudo-terminals.

use super::super::talk::test::{Lines, asks, said, silent};
use super::super::{Parity, Request};
use super::*;
use crate::clock::SteppedClock;
use crate::domain::moment::{SECOND, test::at};
use crate::rehearsal::pty::Pty;

const LINE: Line = Line { speed: 9600, data_bits: 7, parity: Parity::Even, stop_bits: 1 };

/// A bench with one instrument; the folder of its port goes with it.
struct Bench {
    folder: PathBuf,
    clock: SteppedClock,
    reports: mpsc::Receiver<(Moment, InstrumentReport)>,
    fed: watch::Receiver<usize>,
    cancel: CancellationToken,
    running: Running,
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.cancel.cancel();
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

/// An empty folder of the test, and the path of a port in it.
fn folder(test: &str) -> (PathBuf, PathBuf) {
    let folder = std::env::temp_dir().join(format!("stillstand-task-{}-{test}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir(&folder).unwrap();
    let port = folder.join("balance");
    (folder, port)
}

impl Bench {
    fn start(folder: PathBuf, port: PathBuf, asks: Option<Request>, room: usize) -> Self {
        let clock = SteppedClock::new(at(0));
        let (sender, reports) = mpsc::channel(room);
        let listener = Lines::new(asks);
        let fed = listener.fed.subscribe();
        let cancel = CancellationToken::new();
        let on: Arc<dyn Clock> = Arc::new(clock.clone());
        let running = spawn("b".into(), port, LINE, Box::new(listener), on, sender, cancel.clone());
        Self { folder, clock, reports, fed, cancel, running }
    }

    async fn report(&mut self) -> (Moment, InstrumentReport) {
        soon(self.reports.recv()).await.expect("the task ended")
    }

    async fn opened(&mut self) {
        let (_, report) = self.report().await;
        let InstrumentReport::Open { instrument, port } = report else { panic!("{report:?}") };
        assert_eq!((instrument, port), ("b".into(), self.folder.join("balance").display().to_string()));
    }

    /// Why the port is gone.
    async fn gone(&mut self) -> String {
        match self.report().await.1 {
            InstrumentReport::Gone { why, .. } => why,
            other => panic!("{other:?}"),
        }
    }

    async fn says(&mut self, line: &str) {
        assert_eq!(self.report().await.1, said(line));
    }

    async fn ends(&mut self) {
        soon(&mut self.running.join).await.unwrap();
    }
}

/// A test that hangs fails instead.
pub(super) async fn soon<F: Future>(future: F) -> F::Output {
    tokio::time::timeout(Duration::from_mins(1), future).await.expect("nothing happened for a minute")
}

#[tokio::test]
async fn bytes_come_with_the_moment_of_the_clock_also_those_said_before_the_port_was_open() {
    let (folder, port) = folder("moment");
    let pty = Pty::open(&port).unwrap();
    pty.write(b"early\r\n").await.unwrap();
    let mut bench = Bench::start(folder, port, None, 8);
    bench.opened().await;
    assert_eq!(bench.report().await, (at(0), said("early\\r")), "raw: no line end is translated");
    bench.clock.advance_by(45 * SECOND);
    pty.write(b"\x01late\x00\xff\n").await.unwrap();
    // Seven data bits do not bind a pseudo-terminal.
    assert_eq!(bench.report().await, (at(45 * SECOND), said("\\x01late\\x00\\xff")));
    assert_eq!(bench.running.live.borrow().lines, 2);
}

#[tokio::test]
async fn the_cable_may_be_pulled_at_any_byte_and_put_back() {
    let (folder, port) = folder("pulled");
    let mut pty = Pty::open(&port).unwrap();
    let mut bench = Bench::start(folder, port, None, 8);
    let text = b"12.3\n4.5\n";
    let mut fed = 0;
    for cut in 0..=text.len() {
        bench.opened().await;
        pty.write(&text[..cut]).await.unwrap();
        fed += cut;
        soon(bench.fed.wait_for(|so_far| *so_far == fed)).await.unwrap();
        pty.unplug().unwrap();
        for (line, end) in [("12.3", 5), ("4.5", 9)] {
            if cut >= end {
                bench.says(line).await;
            }
        }
        let why = bench.gone().await;
        assert!(why.contains("balance was lost: put the cable back"), "{why}");
        pty.replug().unwrap();
        // The next thing heard is the opening: one outage, one report.
    }
    bench.opened().await;
    pty.write(b"6.7\n").await.unwrap();
    bench.says("6.7").await;
}

#[tokio::test(start_paused = true)]
async fn a_port_that_is_missing_at_the_start_is_told_once_and_found_within_two_seconds() {
    let (folder, port) = folder("missing");
    let mut bench = Bench::start(folder, port.clone(), None, 8);
    let why = bench.gone().await;
    assert!(why.contains("balance is not there: put the cable back"), "{why}");
    // On the paused clock: twenty seconds of tries.
    sleep(Duration::from_secs(20)).await;
    assert!(bench.reports.try_recv().is_err(), "once");
    let pty = Pty::open(&port).unwrap();
    let put_back = Instant::now();
    bench.opened().await;
    assert!(put_back.elapsed() <= Duration::from_secs(2), "{:?}", put_back.elapsed());
    tokio::time::resume();
    pty.write(b"1\n").await.unwrap();
    bench.says("1").await;
}

#[tokio::test]
async fn a_port_that_another_program_holds_is_told_so_and_used_when_released() {
    let (folder, port) = folder("busy");
    let pty = Pty::open(&port).unwrap();
    let mut other = serialport::new(port.to_str().unwrap(), 9600).open_native().unwrap();
    let mut bench = Bench::start(folder, port, None, 8);
    let why = bench.gone().await;
    assert!(why.contains("another program holds") && why.contains("balance: end it"), "{why}");
    other.set_exclusive(false).unwrap();
    drop(other);
    bench.opened().await;
    pty.write(b"1\n").await.unwrap();
    bench.says("1").await;
}

#[tokio::test]
async fn while_the_station_holds_a_port_nobody_else_opens_it_and_a_restarted_station_does() {
    let (folder, port) = folder("held");
    let pty = Pty::open(&port).unwrap();
    let mut bench = Bench::start(folder.clone(), port.clone(), None, 8);
    bench.opened().await;
    let other = serialport::new(port.to_str().unwrap(), 9600).open_native().unwrap_err();
    assert_eq!(other.kind, serialport::ErrorKind::NoDevice);
    bench.cancel.cancel();
    bench.ends().await;
    pty.write(b"1\n").await.unwrap();
    let mut again = Bench::start(folder, port, None, 8);
    again.opened().await;
    again.says("1").await;
}

#[tokio::test]
async fn what_is_no_serial_port_is_told_so() {
    let (folder, port) = folder("file");
    std::fs::write(&port, "no port").unwrap();
    let mut bench = Bench::start(folder, port, None, 8);
    let why = bench.gone().await;
    assert!(why.contains("balance cannot be used as a serial port"), "{why}");
}

#[tokio::test]
async fn an_asked_instrument_answers_over_the_cable_or_is_reported_and_asked_again() {
    let (folder, port) = folder("asked");
    let mut pty = Pty::open(&port).unwrap();
    let mut bench = Bench::start(folder, port, Some(asks()), 8);
    bench.opened().await;
    let mut request = [0; 16];
    for turn in 0..3 {
        let n = soon(pty.read(&mut request)).await.unwrap();
        assert_eq!(&request[..n], b"Q\r");
        if turn == 1 {
            assert_eq!(bench.report().await, (at(turn * 2 * SECOND), silent(1)));
        } else {
            pty.write(b"1\n").await.unwrap();
            assert_eq!(bench.report().await, (at(turn * 2 * SECOND), said("1")));
        }
        bench.clock.advance_by(2 * SECOND);
    }
    // Pulled with a request open, put back: asked on.
    soon(pty.read(&mut request)).await.unwrap();
    pty.unplug().unwrap();
    bench.gone().await;
    bench.clock.advance_by(2 * SECOND);
    pty.replug().unwrap();
    bench.opened().await;
    soon(pty.read(&mut request)).await.unwrap();
    pty.write(b"2\n").await.unwrap();
    assert_eq!(bench.report().await, (at(8 * SECOND), said("2")));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_flood_keeps_its_order_and_waits_outside_while_there_is_no_room() {
    const FLOOD: u64 = 100_000;
    const ROOM: u64 = 16;
    /// Lines of eight bytes in the 4096 bytes that are taken at once, and a broken one at each end.
    const CHUNK: u64 = 4096 / 8 + 2;
    let (folder, port) = folder("flood");
    let pty = Pty::open(&port).unwrap();
    let mut bench = Bench::start(folder, port, None, 16);
    let speaker = tokio::spawn(async move {
        for n in 0..FLOOD {
            pty.write(format!("{n:07}\n").as_bytes()).await.unwrap();
        }
        pty
    });
    bench.opened().await;
    for n in 0..FLOOD {
        bench.says(&format!("{n:07}")).await;
        let taken = bench.running.live.borrow().lines;
        assert!(taken <= n + 1 + ROOM + CHUNK, "{taken} lines taken in when {n} were handed over");
    }
    soon(speaker).await.unwrap();
}

#[tokio::test]
async fn cancelled_it_ends_whatever_it_does() {
    let (nowhere, port) = folder("cancelled-missing");
    let mut missing = Bench::start(nowhere, port, None, 8);
    missing.gone().await;
    let (full, port) = folder("cancelled-full");
    let pty = Pty::open(&port).unwrap();
    let mut full = Bench::start(full, port, None, 1);
    pty.write(b"1\n2\n3\n").await.unwrap();
    soon(full.fed.wait_for(|fed| *fed == 6)).await.unwrap();
    let (unwanted, port) = folder("unwanted");
    let _pty = Pty::open(&port).unwrap();
    let mut unwanted = Bench::start(unwanted, port, None, 1);
    let start = Instant::now();
    missing.cancel.cancel();
    full.cancel.cancel();
    unwanted.reports.close();
    missing.ends().await;
    full.ends().await;
    assert!(start.elapsed() < Duration::from_secs(1), "{:?}", start.elapsed());
    // The third was not cancelled: it ends because nobody takes its reports.
    unwanted.ends().await;
}
