//! Talks over scripted streams, on a bench clock that stands still and a paused real clock.

use super::*;
use crate::clock::SteppedClock;
use crate::domain::moment::{SECOND, test::at};
use crate::domain::reading::Wire;
use tokio::time::Instant;
use tokio_test::io::Builder;
use tokio_test::{assert_pending, assert_ready};

/// Gives every full line as a report and every silence too, so that a test sees all that happened.
pub(in crate::instruments) struct Lines {
    pub(in crate::instruments) asks: Option<Request>,
    /// Bytes that came so far.
    pub(in crate::instruments) fed: watch::Sender<usize>,
    half: Vec<u8>,
    live: Live,
    silences: u32,
}

impl Lines {
    pub(in crate::instruments) fn new(asks: Option<Request>) -> Self {
        Self { asks, fed: watch::Sender::new(0), half: Vec::new(), live: Live::default(), silences: 0 }
    }
}

impl Listen for Lines {
    fn feed(&mut self, bytes: &[u8], at: Moment) -> Vec<(Moment, InstrumentReport)> {
        let mut reports = Vec::new();
        for byte in bytes {
            if *byte == b'\n' {
                self.live.lines += 1;
                reports.push((at, said(&std::mem::take(&mut self.half).escape_ascii().to_string())));
            } else {
                self.half.push(*byte);
            }
        }
        self.fed.send_modify(|fed| *fed += bytes.len());
        reports
    }

    fn closed(&mut self) {
        self.half.clear();
    }

    fn request(&self) -> Option<Request> {
        self.asks.clone()
    }

    fn refused(&mut self, _: String, _: Moment) -> Option<(Moment, InstrumentReport)> {
        None
    }

    fn unanswered(&mut self, at: Moment) -> Option<(Moment, InstrumentReport)> {
        self.silences += 1;
        Some((at, silent(self.silences)))
    }

    fn live(&self) -> Live {
        self.live.clone()
    }
}

/// The report of a line.
pub(in crate::instruments) fn said(line: &str) -> InstrumentReport {
    let wire = Wire::of("b", "p", line.into());
    InstrumentReport::Nonsense { wire, why: "a test".into(), lines: 1 }
}

/// The report of a silence.
pub(in crate::instruments) fn silent(requests: u32) -> InstrumentReport {
    InstrumentReport::NoAnswer { instrument: "b".into(), port: "p".into(), requests }
}

/// Asks every two seconds on the bench, waits 200 ms for the answer.
pub(in crate::instruments) fn asks() -> Request {
    Request { send: b"Q\r".to_vec(), every_ns: 2 * SECOND, answer_within: Duration::from_millis(200) }
}

type Reports = mpsc::Receiver<(Moment, InstrumentReport)>;

fn talk(asks: Option<Request>, room: usize) -> (Talk, SteppedClock, Reports) {
    let clock = SteppedClock::new(at(0));
    let (reports, receiver) = mpsc::channel(room);
    let listener = Box::new(Lines::new(asks));
    let live = watch::Sender::new(listener.live());
    let talk =
        Talk { listener, clock: Arc::new(clock.clone()), reports, live, due_ns: i64::MIN, heard: false };
    (talk, clock, receiver)
}

#[tokio::test(start_paused = true)]
async fn an_answered_instrument_is_asked_again_after_bench_time_and_not_before() {
    let (mut talk, clock, mut reports) = talk(Some(asks()), 8);
    let mut line =
        Builder::new().write(b"Q\r").read(b"12.3\n").write(b"Q\r").read(b"12.").read(b"4\n").build();
    let mut over = tokio_test::task::spawn(talk.over(&mut line));
    assert_pending!(over.poll());
    assert_eq!(reports.try_recv().unwrap(), (at(0), said("12.3")));
    assert_eq!(clock.next_sleeper(), Some(at(2 * SECOND).boot_ns));
    clock.advance_by(2 * SECOND - 1);
    assert_pending!(over.poll());
    assert!(!over.is_woken() && clock.next_sleeper().is_some(), "asked too early");
    clock.advance_by(1);
    assert!(over.is_woken());
    // The script ends after the second answer, and with it the stream.
    assert!(matches!(assert_ready!(over.poll()), Ended::Gone(None)));
    assert_eq!(reports.try_recv().unwrap(), (at(2 * SECOND), said("12.4")));
    assert!(reports.try_recv().is_err());
}

#[tokio::test(start_paused = true)]
async fn half_a_line_is_no_answer_and_a_late_line_is_heard() {
    let (mut talk, clock, mut reports) = talk(Some(asks()), 8);
    let (half, late) = (Duration::from_millis(150), Duration::from_secs(9));
    let mut line =
        Builder::new().write(b"Q\r").wait(half).read(b"12.").wait(late).read(b"3\n").wait(late).build();
    let start = Instant::now();
    let (ended, ()) = tokio::join!(talk.over(&mut line), async {
        assert_eq!(reports.recv().await.unwrap(), (at(0), silent(1)));
        assert_eq!(start.elapsed(), Duration::from_millis(200));
        assert_eq!(reports.recv().await.unwrap(), (at(0), said("12.3")));
        assert_eq!(start.elapsed(), half + late);
        assert_eq!(clock.next_sleeper(), Some(at(2 * SECOND).boot_ns), "asked by the bench's clock only");
    });
    assert!(matches!(ended, Ended::Gone(None)));
}

#[tokio::test(start_paused = true)]
async fn a_line_that_takes_no_request_is_an_instrument_that_does_not_answer() {
    let (mut talk, _clock, mut reports) = talk(Some(asks()), 8);
    let (mut line, _peer) = tokio::io::duplex(1);
    let start = Instant::now();
    tokio::select! {
        ended = talk.over(&mut line) => panic!("{ended:?}"),
        report = reports.recv() => assert_eq!(report.unwrap(), (at(0), silent(1))),
    }
    assert_eq!(start.elapsed(), Duration::from_millis(200));
}

#[tokio::test(start_paused = true)]
async fn a_loose_plug_does_not_make_requests_follow_more_closely() {
    let (mut talk, clock, mut reports) = talk(Some(asks()), 8);
    let mut first = Builder::new().write(b"Q\r").read(b"1\n").build();
    let mut over = tokio_test::task::spawn(talk.over(&mut first));
    assert!(matches!(assert_ready!(over.poll()), Ended::Gone(None)));
    drop(over);
    clock.advance_by(SECOND);
    let (mut second, _peer) = tokio::io::duplex(64);
    let mut over = tokio_test::task::spawn(talk.over(&mut second));
    assert_pending!(over.poll());
    assert_eq!(clock.next_sleeper(), Some(at(2 * SECOND).boot_ns));
    assert_eq!(reports.try_recv().unwrap().1, said("1"));
}

#[tokio::test]
async fn the_systems_words_come_with_the_end_and_what_came_before_is_kept() {
    let (mut talk, _clock, mut reports) = talk(None, 8);
    let error = io::Error::from_raw_os_error(rustix::io::Errno::IO.raw_os_error());
    let mut line = Builder::new().read(b"7\n8").read_error(error).build();
    let ended = talk.over(&mut line).await;
    assert!(matches!(ended, Ended::Gone(Some(e)) if e.raw_os_error() == Some(5)));
    assert!(talk.heard);
    assert_eq!(reports.try_recv().unwrap(), (at(0), said("7")));
    assert!(reports.try_recv().is_err());
    talk.closed();
    let mut again = Builder::new().read(b"9\n").build();
    assert!(matches!(talk.over(&mut again).await, Ended::Gone(None)));
    assert_eq!(reports.try_recv().unwrap(), (at(0), said("9")), "no half line from before");
}

#[tokio::test]
async fn without_room_for_reports_nothing_more_is_read() {
    let (mut talk, _clock, mut reports) = talk(None, 1);
    let live = talk.live.subscribe();
    let flood = "1\n".repeat(10 * CHUNK);
    let mut stream = tokio::io::join(flood.as_bytes(), tokio::io::sink());
    let mut over = tokio_test::task::spawn(talk.over(&mut stream));
    assert_pending!(over.poll());
    assert_eq!(live.borrow().lines, CHUNK as u64 / 2, "one chunk");
    assert!(reports.recv().await.is_some());
    drop(reports);
    assert!(matches!(assert_ready!(over.poll()), Ended::Unwanted));
}

#[tokio::test(start_paused = true)]
async fn a_scpi_instrument_is_asked_who_it_is_before_its_first_value_and_its_queue_after_a_wrong_answer() {
    use crate::instruments::{listener::Listener, protocol::AnyShape};
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/config/instruments/probe-scpi-measure.toml");
    let shape = AnyShape::load(file, &std::fs::read_to_string(file).unwrap()).unwrap();
    let (mut talk, clock, mut reports) = talk(None, 8);
    talk.listener = Box::new(Listener::new("bath", "p", shape));
    let (mut line, mut peer) = tokio::io::duplex(64);
    let server = async {
        for (question, answer) in [
            ("*IDN?\n", "Maker,T-1,1042,A1\n"),
            ("SYST:ERR?\n", "0,\"No error\"\n"),
            ("MEAS:TEMP?\n", "oops\n"),
            // At once, not at the next turn.
            ("SYST:ERR?\n", "-113,\"Undefined header\"\n"),
            ("SYST:ERR?\n", "0,\"No error\"\n"),
        ] {
            let mut asked = vec![0; question.len()];
            peer.read_exact(&mut asked).await.unwrap();
            assert_eq!(String::from_utf8(asked).unwrap(), question);
            peer.write_all(answer.as_bytes()).await.unwrap();
        }
        let mut told = Vec::new();
        for _ in 0..3 {
            told.push(reports.recv().await.unwrap().1);
        }
        assert!(
            matches!(&told[0], InstrumentReport::Identified { identity, .. } if identity == "Maker,T-1,1042,A1")
        );
        assert!(matches!(&told[1], InstrumentReport::Nonsense { .. }), "{told:?}");
        assert!(matches!(&told[2], InstrumentReport::Errors { after_nonsense: true, .. }), "{told:?}");
        // The next value is asked for at its turn on the bench.
        assert_eq!(clock.next_sleeper(), Some(at(SECOND).boot_ns));
    };
    tokio::select! {
        ended = talk.over(&mut line) => panic!("{ended:?}"),
        () = server => {}
    }
}
