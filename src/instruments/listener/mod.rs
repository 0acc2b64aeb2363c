//! PURE: which lines are reports. Between the bytes of a port and the station.

#[cfg(test)]
mod test;

use super::protocol::{
    AnyShape, Decoder, Framing, Piece, Said, Stability, Terminator, Weighings, in_words, read_piece,
};
use super::{Listen, Poll, Request};
use crate::domain::moment::{Moment, SECOND};
use crate::domain::reading::{InstrumentReport, Live, Wire};

/// Time on the boot clock between two reports of nonsense, nanoseconds.
const NONSENSE_EVERY_NS: i64 = 10 * SECOND;
/// Bytes of nonsense that a report keeps: the last ones.
const NONSENSE_RAW: usize = 120;
/// Requests in a row without an answer that are worth a report.
const UNANSWERED: u32 = 3;

/// Listens to one instrument by its shape.
#[derive(Debug)]
pub struct Listener {
    name: String,
    port: String,
    shape: AnyShape,
    /// Of lines; registers come whole.
    decoder: Decoder,
    weighings: Weighings,
    live: Live,
    /// When nonsense was last reported.
    told: Option<Moment>,
    /// Lines of nonsense since then.
    untold: u32,
    /// Requests since the last line.
    unanswered: u32,
    /// Nonsense or silence was reported, and nothing readable came since.
    troubled: bool,
}

impl Listener {
    /// A listener for the instrument `name` of the settings on the port `port`.
    pub fn new(name: &str, port: &str, shape: AnyShape) -> Self {
        let (framing, stability) = match &shape {
            AnyShape::Lines(shape) => (shape.framing, shape.stability),
            AnyShape::Registers(_) => (Framing::Lines(Terminator::CrLf), Stability::None),
        };
        Self {
            name: name.to_owned(),
            port: port.to_owned(),
            decoder: Decoder::new(framing),
            weighings: Weighings::new(stability),
            shape,
            live: Live::default(),
            told: None,
            untold: 0,
            unanswered: 0,
            troubled: false,
        }
    }

    /// Bytes that say something, as they are shown to people in `raw`.
    fn said(&mut self, said: Said, bytes: &[u8], at: Moment) -> Option<InstrumentReport> {
        self.live.lines = self.live.lines.saturating_add(1);
        self.unanswered = 0;
        self.show(&said);
        let weighing = self.weighings.take(&said);
        let report = match said {
            Said::Nonsense { why } => return self.nonsense(bytes, why, at),
            Said::Temperature { quantity: temperature } => {
                Some(InstrumentReport::Temperature { temperature, wire: self.wire(bytes) })
            }
            _ => weighing.map(|mass| InstrumentReport::Mass { mass, wire: self.wire(bytes) }),
        };
        // A value says by itself that the line is well again; where none is due, this does.
        let well = std::mem::take(&mut self.troubled);
        report.or_else(|| well.then(|| InstrumentReport::Readable { instrument: self.name.clone() }))
    }

    fn show(&mut self, said: &Said) {
        let (value, stable, overload) = match said {
            Said::Mass { quantity } => (Some(*quantity), true, false),
            Said::Temperature { quantity } => (Some(*quantity), false, false),
            Said::Unstable { quantity } => (quantity.or(self.live.value), false, false),
            Said::Overload => (self.live.value, false, true),
            Said::Nonsense { .. } => return,
        };
        self.live = Live { lines: self.live.lines, value, stable, overload };
    }

    fn nonsense(&mut self, bytes: &[u8], why: String, at: Moment) -> Option<InstrumentReport> {
        self.untold = self.untold.saturating_add(1);
        let recent = |told: Moment| at.boot_ns.saturating_sub(told.boot_ns) < NONSENSE_EVERY_NS;
        if self.told.is_some_and(recent) {
            return None;
        }
        self.told = Some(at);
        self.troubled = true;
        let lines = std::mem::take(&mut self.untold);
        let last = bytes.get(bytes.len().saturating_sub(NONSENSE_RAW)..).unwrap_or_default();
        Some(InstrumentReport::Nonsense { wire: self.wire(last), why, lines })
    }

    fn wire(&self, bytes: &[u8]) -> Wire {
        let raw = match self.shape {
            AnyShape::Lines(_) => bytes.escape_ascii().to_string(),
            AnyShape::Registers(_) => in_words(bytes),
        };
        Wire { instrument: self.name.clone(), port: self.port.clone(), raw }
    }
}

impl Listen for Listener {
    fn feed(&mut self, bytes: &[u8], at: Moment) -> Vec<(Moment, InstrumentReport)> {
        let pieces = match &self.shape {
            AnyShape::Lines(shape) => {
                let shape = shape.clone();
                let said = |piece: Piece| Some((read_piece(&shape, &piece)?, piece.bytes().to_vec()));
                self.decoder.feed(bytes).into_iter().filter_map(said).collect()
            }
            AnyShape::Registers(registers) => vec![(registers.read(bytes), bytes.to_vec())],
        };
        pieces.into_iter().filter_map(|(said, bytes)| Some((at, self.said(said, &bytes, at)?))).collect()
    }

    /// Drops the half line. What was on the display is not known any more; what was weighed is
    /// still weighed, so a cable that comes back does not weigh the same load again.
    fn closed(&mut self) {
        self.decoder.clear();
        self.unanswered = 0;
        self.live = Live { lines: self.live.lines, ..Live::default() };
    }

    fn request(&self) -> Option<Request> {
        match &self.shape {
            AnyShape::Lines(shape) => shape.request.clone(),
            AnyShape::Registers(_) => None,
        }
    }

    fn refused(&mut self, why: String, at: Moment) -> Option<(Moment, InstrumentReport)> {
        self.said(Said::Nonsense { why }, &[], at).map(|report| (at, report))
    }

    fn poll(&self) -> Option<Poll> {
        match &self.shape {
            AnyShape::Lines(_) => None,
            AnyShape::Registers(registers) => Some(registers.poll),
        }
    }

    fn unanswered(&mut self, at: Moment) -> Option<(Moment, InstrumentReport)> {
        self.unanswered = self.unanswered.saturating_add(1);
        (self.unanswered == UNANSWERED).then(|| {
            self.troubled = true;
            let (instrument, port) = (self.name.clone(), self.port.clone());
            (at, InstrumentReport::NoAnswer { instrument, port, requests: UNANSWERED })
        })
    }

    fn live(&self) -> Live {
        self.live.clone()
    }
}
