//! PURE: which lines are reports. Between the bytes of a port and the station.

mod asides;
#[cfg(test)]
mod test;

use super::protocol::{
    Answer, AnyShape, Decoder, Framing, Piece, Said, Settled, Stability, Terminator, Weighings, in_words,
    read_piece,
};
use super::{Listen, Poll, Request};
use crate::domain::moment::{Moment, SECOND};
use crate::domain::quantity::Quantity;
use crate::domain::reading::{Correction, InstrumentReport, Live, Readability, StableBy, Wire};
use asides::{Asides, Silence};

/// Time on the boot clock between two reports of nonsense, or of readings that have no correction,
/// nanoseconds.
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
    correction: Option<Correction>,
    asides: Asides,
    live: Live,
    /// When nonsense was last reported.
    told: Option<Moment>,
    /// When a reading without a correction was last reported, if nothing else came since.
    uncorrected: Option<Moment>,
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
        let (framing, stability, readability, scpi) = match &shape {
            AnyShape::Lines(shape) => (shape.framing, shape.stability, shape.readability, shape.scpi.clone()),
            AnyShape::Registers(_) => (Framing::Lines(Terminator::CrLf), Stability::None, None, None),
        };
        Self {
            name: name.to_owned(),
            port: port.to_owned(),
            decoder: Decoder::new(framing),
            weighings: Weighings::new(stability, readability),
            correction: None,
            asides: Asides::new(scpi),
            shape,
            live: Live::default(),
            told: None,
            uncorrected: None,
            untold: 0,
            unanswered: 0,
            troubled: false,
        }
    }

    /// With what the settings say of this very instrument: the smallest step of its display, in
    /// place of the shape's, and the correction of its certificate.
    #[must_use]
    pub fn with(mut self, readability: Option<Readability>, correction: Option<Correction>) -> Self {
        if let (Some(readability), AnyShape::Lines(shape)) = (readability, &self.shape) {
            self.weighings = Weighings::new(shape.stability, Some(readability));
        }
        self.correction = correction;
        self
    }

    /// Bytes that say something, as they are shown to people in `raw`.
    fn said(&mut self, said: Said, bytes: &[u8], at: Moment) -> Option<InstrumentReport> {
        self.live.lines = self.live.lines.saturating_add(1);
        if std::mem::take(&mut self.unanswered) >= UNANSWERED {
            // Whoever was silent may have been exchanged meanwhile.
            self.asides.opened();
        }
        if matches!(said, Said::Nonsense { .. })
            && let Some(answer) = self.asides.answer(bytes)
        {
            return self.beside(answer);
        }
        let said = match self.weighings.refuses(&said) {
            Some(why) => Said::Nonsense { why },
            None => said,
        };
        let weighed = self.weighings.take(&said);
        let report = match &said {
            Said::Nonsense { why } => return self.nonsense(bytes, why.clone(), at),
            Said::Temperature { quantity } => {
                let wire = self.wire(bytes);
                self.value(*quantity, wire, at, |temperature, wire| InstrumentReport::Temperature {
                    temperature,
                    wire,
                })
            }
            Said::Unmarked { quantity } => self.settle(*quantity, bytes, at),
            _ => weighed.and_then(|mass| {
                let wire = self.wire(bytes);
                self.value(mass, wire, at, |mass, wire| InstrumentReport::Mass { mass, wire })
            }),
        };
        self.show(&said);
        // A value says by itself that the line is well again; where none is due, this does.
        let well = std::mem::take(&mut self.troubled);
        report.or_else(|| well.then(|| InstrumentReport::Readable { instrument: self.name.clone() }))
    }

    /// A mass whose line does not say whether it is stable.
    fn settle(&mut self, quantity: Quantity, bytes: &[u8], at: Moment) -> Option<InstrumentReport> {
        let wire = self.wire(bytes);
        match self.weighings.settle(quantity, at, &wire.raw) {
            Settled::Nothing => None,
            Settled::Released => Some(InstrumentReport::Released { instrument: self.name.clone() }),
            Settled::Stable { mass, lines } => {
                let wire = Wire { stable_by: Some(StableBy::OwnRule), lines, ..wire };
                self.value(mass, wire, at, |mass, wire| InstrumentReport::Mass { mass, wire })
            }
            Settled::NotStable { mass } => {
                self.value(mass, wire, at, |mass, wire| InstrumentReport::NotStable { mass, wire })
            }
        }
    }

    /// A value with its correction, where the instrument has one. A reading that the certificate does
    /// not cover is no value.
    fn value(
        &mut self,
        reading: Quantity,
        wire: Wire,
        at: Moment,
        report: impl FnOnce(Quantity, Wire) -> InstrumentReport,
    ) -> Option<InstrumentReport> {
        match self.correction.as_ref().map(|correction| correction.of(&reading)) {
            None => Some(report(reading, wire)),
            Some(Ok((value, corrected))) => {
                self.uncorrected = None;
                Some(report(value, Wire { corrected: Some(corrected), ..wire }))
            }
            Some(Err(why)) => {
                if self.uncorrected.is_some_and(|told| is_recent(told, at)) {
                    return None;
                }
                self.uncorrected = Some(at);
                Some(InstrumentReport::Uncorrected { reading, wire, why })
            }
        }
    }

    /// What an instrument said beside its values.
    fn beside(&mut self, answer: Answer) -> Option<InstrumentReport> {
        let (instrument, port) = (self.name.clone(), self.port.clone());
        if let Answer::Identity(identity) = answer {
            return Some(InstrumentReport::Identified { instrument, port, identity });
        }
        let (errors, after_nonsense) = self.asides.queue(answer)?;
        Some(InstrumentReport::Errors { instrument, port, errors, after_nonsense })
    }

    fn show(&mut self, said: &Said) {
        let (value, stable, overload) = match said {
            Said::Mass { quantity } => (Some(*quantity), true, false),
            Said::Unmarked { quantity } => (Some(*quantity), self.weighings.is_stable(), false),
            Said::Temperature { quantity } => (Some(*quantity), false, false),
            Said::Unstable { quantity } => (quantity.or(self.live.value), false, false),
            Said::Overload => (self.live.value, false, true),
            Said::Nonsense { .. } => return,
        };
        self.live = Live { lines: self.live.lines, value, stable, overload };
    }

    fn nonsense(&mut self, bytes: &[u8], why: String, at: Moment) -> Option<InstrumentReport> {
        self.untold = self.untold.saturating_add(1);
        if self.told.is_some_and(|told| is_recent(told, at)) {
            return None;
        }
        self.told = Some(at);
        self.troubled = true;
        self.asides.ask_errors();
        let lines = std::mem::take(&mut self.untold);
        let last = bytes.get(bytes.len().saturating_sub(NONSENSE_RAW)..).unwrap_or_default();
        Some(InstrumentReport::Nonsense { wire: self.wire(last), why, lines })
    }

    fn wire(&self, bytes: &[u8]) -> Wire {
        let raw = match self.shape {
            AnyShape::Lines(_) => bytes.escape_ascii().to_string(),
            AnyShape::Registers(_) => in_words(bytes),
        };
        Wire::of(&self.name, &self.port, raw)
    }
}

/// Too soon after a report for another one of its kind.
const fn is_recent(told: Moment, at: Moment) -> bool {
    at.boot_ns.saturating_sub(told.boot_ns) < NONSENSE_EVERY_NS
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
        self.weighings.forget();
        self.asides.opened();
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
        if let Silence::Beside(queue) = self.asides.unanswered() {
            let (errors, after_nonsense) = queue?;
            let (instrument, port) = (self.name.clone(), self.port.clone());
            return Some((at, InstrumentReport::Errors { instrument, port, errors, after_nonsense }));
        }
        self.unanswered = self.unanswered.saturating_add(1);
        (self.unanswered == UNANSWERED).then(|| {
            self.troubled = true;
            let (instrument, port) = (self.name.clone(), self.port.clone());
            (at, InstrumentReport::NoAnswer { instrument, port, requests: UNANSWERED })
        })
    }

    fn aside(&mut self) -> Option<Vec<u8>> {
        self.asides.next()
    }

    fn live(&self) -> Live {
        self.live.clone()
    }
}
