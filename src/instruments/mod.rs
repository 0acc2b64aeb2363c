//! Balances and probes on serial lines. Three layers: `protocol` (PURE: bytes to lines to
//! values), `listener` (PURE: which values are reports), `task` and `port` (the wire).

pub mod protocol; // PURE: shapes, bytes to lines, lines to values
pub mod listener; // PURE: values to reports
pub mod shapes; // the folder of shape files
pub mod port;
mod talk;
mod registers; // the talk with a Modbus RTU server
pub mod task;
pub mod listen; // what is on a cable: for whoever installs an instrument

use crate::domain::moment::Moment;
use crate::domain::reading::{InstrumentReport, Live};

/// What a port hands the bytes to: everything between the wire and a report, without I/O.
pub trait Listen: Send {
    /// Bytes arrived; the last of them at `at`. Gives the reports that they complete.
    fn feed(&mut self, bytes: &[u8], at: Moment) -> Vec<(Moment, InstrumentReport)>;
    /// The port was closed in the middle of whatever it was saying.
    fn closed(&mut self);
    /// What to send when asked for a value, and how; `None`: the line speaks by itself.
    fn request(&self) -> Option<Request>;
    /// An answer came that holds no value; `why`: what was expected, in words.
    fn refused(&mut self, why: String, at: Moment) -> Option<(Moment, InstrumentReport)>;
    /// The registers to ask for; `None`: it talks in lines. What they hold is fed as bytes, whole.
    fn poll(&self) -> Option<Poll> {
        None
    }
    /// A request had no answer in time; gives a report when that is worth one.
    fn unanswered(&mut self, at: Moment) -> Option<(Moment, InstrumentReport)>;
    /// What to send before the next request for a value: a question beside the values, such as who
    /// the instrument is. Its answer is waited for as that of a value is.
    fn aside(&mut self) -> Option<Vec<u8>> {
        None
    }
    /// What is on the display now.
    fn live(&self) -> Live;
}

/// How a value is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// Bytes to send.
    pub send: Vec<u8>,
    /// Bench time between two requests, nanoseconds.
    pub every_ns: i64,
    /// Real time for an answer.
    pub answer_within: std::time::Duration,
}

/// How registers are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Poll {
    /// The unit's own number on the line, 1 to 247.
    pub unit_id: u8,
    /// Which registers.
    pub bank: Bank,
    /// The first one, counted from 0.
    pub address: u16,
    /// How many.
    pub count: u16,
    /// Bench time between two requests, nanoseconds.
    pub every_ns: i64,
    /// Real time for an answer.
    pub answer_within: std::time::Duration,
    /// Real time after which no answer comes any more, however late.
    pub longest_answer: std::time::Duration,
}

/// The registers of Modbus that hold numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bank {
    /// Input registers, read by function 4.
    Input,
    /// Holding registers, read by function 3.
    Holding,
}

/// Speed and framing of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Line {
    /// Bits a second.
    pub speed: u32,
    /// Data bits, 7 or 8.
    pub data_bits: u8,
    /// Parity.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
}

/// Parity of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parity {
    /// None.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}
