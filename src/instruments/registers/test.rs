//! Talks with the library's own Modbus server over a pseudo-terminal, and with a scripted slow one.

use super::*;
use crate::clock::{Clock, SteppedClock};
use crate::domain::moment::{Moment, SECOND, test::at};
use crate::domain::reading::{InstrumentReport, Live};
use crate::instruments::Listen;
use crate::instruments::listener::Listener;
use crate::instruments::protocol::AnyShape;
use std::future::{Ready, ready};
use std::path::Path;
use tokio::io::{AsyncWriteExt, DuplexStream};
use tokio::sync::{mpsc, watch};
use tokio::time::{Duration, Instant};
use tokio_modbus::server::{Service, rtu::Server};
use tokio_modbus::{ExceptionCode, SlaveRequest};

type Reports = mpsc::Receiver<(Moment, InstrumentReport)>;

fn talk(id: &str) -> (Talk, Poll, SteppedClock, Reports) {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/instruments/{id}.toml"));
    let text = std::fs::read_to_string(&file).unwrap();
    let shape = AnyShape::load(&file.to_string_lossy(), &text).unwrap();
    let listener = Box::new(Listener::new("bath", "/dev/ttyS9", shape));
    let poll = listener.poll().unwrap();
    let clock = SteppedClock::new(at(0));
    let (reports, receiver) = mpsc::channel(8);
    let live = watch::Sender::new(Live::default());
    let on: std::sync::Arc<dyn Clock> = std::sync::Arc::new(clock.clone());
    (Talk { listener, clock: on, reports, live, due_ns: i64::MIN, heard: false }, poll, clock, receiver)
}

fn temperature(report: &InstrumentReport) -> (String, String) {
    match report {
        InstrumentReport::Temperature { temperature, wire } => {
            (temperature.value.to_string(), wire.raw.clone())
        }
        other => panic!("{other:?}"),
    }
}

fn why(report: &InstrumentReport) -> &str {
    match report {
        InstrumentReport::Nonsense { why, .. } => why,
        other => panic!("{other:?}"),
    }
}

/// Unit 1 with 22.4 in two holding registers from 0 on, low word first; no input registers.
struct Probe;

impl Service for Probe {
    type Request = SlaveRequest<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Response, ExceptionCode>>;

    fn call(&self, asked: Self::Request) -> Self::Future {
        ready(match (asked.slave, asked.request) {
            (1, Request::ReadHoldingRegisters(0, 2)) => {
                Ok(Response::ReadHoldingRegisters(vec![0x3333, 0x41b3]))
            }
            _ => Err(ExceptionCode::IllegalDataAddress),
        })
    }
}

#[tokio::test]
async fn the_librarys_own_server_is_read_on_a_serial_line() {
    let (ours, theirs) = tokio_serial::SerialStream::pair().unwrap();
    let server = tokio::spawn(Server::new(theirs).serve_forever(Probe));
    let (mut talk, poll, clock, mut reports) = talk("probe-modbus-float");
    tokio::select! {
        ended = over(&mut talk, ours, &poll) => panic!("{ended:?}"),
        () = async {
            let (moment, report) = reports.recv().await.unwrap();
            assert_eq!((moment, temperature(&report)), (at(0), ("22.4".into(), "3333 41B3".into())));
            clock.advance_by(SECOND);
            let (moment, report) = reports.recv().await.unwrap();
            assert_eq!((moment, temperature(&report).0), (at(SECOND), "22.4".into()));
        } => {}
    }
    server.abort();
}

#[tokio::test]
async fn an_exception_is_told_in_words() {
    let (ours, theirs) = tokio_serial::SerialStream::pair().unwrap();
    let server = tokio::spawn(Server::new(theirs).serve_forever(Probe));
    let (mut talk, poll, _clock, mut reports) = talk("probe-modbus-input");
    tokio::select! {
        ended = over(&mut talk, ours, &poll) => panic!("{ended:?}"),
        report = reports.recv() => {
            let report = report.unwrap().1;
            assert!(why(&report).contains("exception 2") && why(&report).contains("its manual"), "{report:?}");
        }
    }
    server.abort();
}

/// The checksum of Modbus RTU, written from its definition (polynomial A001, all ones at first, low
/// byte first), so that these tests do not ask the library about itself.
fn frame(bytes: &[u8]) -> Vec<u8> {
    let crc = bytes.iter().fold(0xffff_u16, |crc, byte| {
        (0..8)
            .fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { (crc >> 1) ^ 0xa001 } else { crc >> 1 })
    });
    [bytes, &crc.to_le_bytes()].concat()
}

async fn asked(line: &mut DuplexStream) {
    let mut question = [0; 8];
    line.read_exact(&mut question).await.unwrap();
    // Unit 1, function 4, address 0, one register.
    assert_eq!(question.to_vec(), frame(&[1, 4, 0, 0, 0, 1]));
}

/// The answer of unit 1: tenths of a degree in one input register.
fn tenths(tenths: u8) -> Vec<u8> {
    frame(&[1, 4, 2, 0, tenths])
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_is_never_taken_for_the_next() {
    // Answers within 500 ms are waited for, none comes later than 2 s after that.
    for late_ms in [510, 700, 1000, 1500, 2000, 2400] {
        let (mut talk, poll, clock, mut reports) = talk("probe-modbus-input");
        let (ours, mut theirs) = tokio::io::duplex(256);
        let server = async {
            asked(&mut theirs).await;
            let start = Instant::now();
            clock.advance_by(10 * SECOND);
            sleep(Duration::from_millis(late_ms)).await;
            theirs.write_all(&tenths(11)).await.unwrap();
            asked(&mut theirs).await;
            assert!(start.elapsed() >= Duration::from_millis(2500), "asked again too early");
            theirs.write_all(&tenths(222)).await.unwrap();
            let (_, report) = reports.recv().await.unwrap();
            assert_eq!(temperature(&report), ("22.2".into(), "00DE".into()), "{late_ms} ms late");
        };
        tokio::select! {
            ended = over(&mut talk, ours, &poll) => panic!("{ended:?}"),
            () = server => {}
        }
    }
}

#[tokio::test(start_paused = true)]
async fn half_an_answer_is_none_and_does_not_spoil_the_next() {
    let (mut talk, poll, clock, mut reports) = talk("probe-modbus-input");
    let (ours, mut theirs) = tokio::io::duplex(256);
    let server = async {
        asked(&mut theirs).await;
        clock.advance_by(10 * SECOND);
        theirs.write_all(&tenths(11)[..5]).await.unwrap();
        asked(&mut theirs).await;
        // A bent bit: the checksum tells it, and nothing else of it is believed.
        let mut bent = tenths(33);
        bent[4] ^= 1;
        theirs.write_all(&bent).await.unwrap();
        clock.advance_by(10 * SECOND);
        asked(&mut theirs).await;
        theirs.write_all(&tenths(222)).await.unwrap();
        assert_eq!(temperature(&reports.recv().await.unwrap().1).0, "22.2");
    };
    tokio::select! {
        ended = over(&mut talk, ours, &poll) => panic!("{ended:?}"),
        () = server => {}
    }
}

#[tokio::test(start_paused = true)]
async fn bytes_that_wait_before_a_question_are_no_answer_to_it() {
    let (mut talk, poll, _clock, mut reports) = talk("probe-modbus-input");
    let (ours, mut theirs) = tokio::io::duplex(256);
    theirs.write_all(&tenths(11)).await.unwrap();
    let server = async {
        asked(&mut theirs).await;
        theirs.write_all(&tenths(222)).await.unwrap();
        assert_eq!(temperature(&reports.recv().await.unwrap().1).0, "22.2");
    };
    tokio::select! {
        ended = over(&mut talk, ours, &poll) => panic!("{ended:?}"),
        () = server => {}
    }
}

#[tokio::test(start_paused = true)]
async fn another_number_of_registers_or_another_unit_is_refused() {
    for (answer, words) in
        [(frame(&[1, 4, 4, 0, 1, 0, 2]), "1 registers"), (frame(&[2, 4, 2, 0, 1]), "to this question")]
    {
        let (mut talk, poll, _clock, mut reports) = talk("probe-modbus-input");
        let (ours, mut theirs) = tokio::io::duplex(256);
        let server = async {
            asked(&mut theirs).await;
            theirs.write_all(&answer).await.unwrap();
            let (_, report) = reports.recv().await.unwrap();
            assert!(why(&report).contains(words), "{report:?}");
        };
        tokio::select! {
            ended = over(&mut talk, ours, &poll) => panic!("{ended:?}"),
            () = server => {}
        }
    }
}

#[tokio::test(start_paused = true)]
async fn silence_is_reported_after_three_questions_and_a_pulled_plug_at_once() {
    let (mut talk, poll, clock, mut reports) = talk("probe-modbus-input");
    let (ours, mut theirs) = tokio::io::duplex(256);
    let server = async {
        for _ in 0..3 {
            asked(&mut theirs).await;
            clock.advance_by(10 * SECOND);
        }
        let (_, report) = reports.recv().await.unwrap();
        assert!(matches!(report, InstrumentReport::NoAnswer { requests: 3, .. }), "{report:?}");
        drop(theirs);
    };
    let (ended, ()) = tokio::join!(over(&mut talk, ours, &poll), server);
    assert!(matches!(ended, Ended::Gone(_)), "{ended:?}");
}
