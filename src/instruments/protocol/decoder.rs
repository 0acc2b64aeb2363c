//! Bytes to lines or frames. Nothing is lost: the pieces, in order, and the unfinished rest are the bytes.

use super::framing::{ETX, STX};
use super::{Framing, Terminator};

/// Longest line, terminator included, in bytes. No instrument says that much; our own figure.
pub const LINE_MAX: usize = 4096;

/// What came off the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// A line with its terminator, or a frame from STX to its last byte.
    Line(Vec<u8>),
    /// Bytes outside of any frame, or a frame that another one broke off.
    Between(Vec<u8>),
    /// A part of something that grew over [`LINE_MAX`]: no line, whatever it holds. What follows
    /// it up to the next terminator is of the same kind, in pieces of at most [`LINE_MAX`].
    TooLong(Vec<u8>),
}

impl Piece {
    /// The bytes as they came.
    pub fn bytes(&self) -> &[u8] {
        match self {
            Self::Line(bytes) | Self::TooLong(bytes) | Self::Between(bytes) => bytes,
        }
    }
}

/// Where a frame is at its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Within {
    /// Outside of any frame.
    Nothing,
    /// Between STX and ETX.
    Text,
    /// Behind ETX: bytes of the checksum that are still to come.
    Check(usize),
}

/// Cuts a stream of bytes into lines or frames; keeps a half line until the rest of it comes.
#[derive(Debug, Clone)]
pub struct Decoder {
    framing: Framing,
    within: Within,
    half: Vec<u8>,
    /// The byte before, also where a piece ended between the two bytes of a terminator.
    before: Option<u8>,
    /// Inside something that is too long.
    skipping: bool,
}

impl Decoder {
    /// A decoder at the beginning of a line.
    pub const fn new(framing: Framing) -> Self {
        Self { framing, within: Within::Nothing, half: Vec::new(), before: None, skipping: false }
    }

    /// Takes bytes and gives the pieces that they complete. How the bytes are cut into calls
    /// changes nothing.
    pub fn feed(&mut self, bytes: &[u8]) -> Vec<Piece> {
        bytes.iter().filter_map(|byte| self.byte(*byte)).collect()
    }

    /// Forgets the half line: what follows does not belong to it.
    pub fn clear(&mut self) {
        *self = Self::new(self.framing);
    }

    /// The half line, as far as it came.
    pub fn half(&self) -> &[u8] {
        &self.half
    }

    fn byte(&mut self, byte: u8) -> Option<Piece> {
        match self.framing {
            Framing::Lines(terminator) => self.byte_of_line(byte, terminator),
            Framing::Frames(_) => self.byte_of_frame(byte),
        }
    }

    /// A byte of the checksum may have any value; everywhere else STX begins a frame, and what came
    /// before is none. So a frame that lost its end costs no other frame.
    fn byte_of_frame(&mut self, byte: u8) -> Option<Piece> {
        let checking = matches!(self.within, Within::Check(_));
        if byte == STX && !checking {
            self.within = Within::Text;
            let before = std::mem::replace(&mut self.half, vec![byte]);
            return (!before.is_empty()).then_some(Piece::Between(before));
        }
        self.half.push(byte);
        self.within = match self.within {
            Within::Text if byte == ETX => Within::Check(self.framing.behind_etx()),
            Within::Check(left) => Within::Check(left.saturating_sub(1)),
            within => within,
        };
        if self.within == Within::Check(0) {
            self.within = Within::Nothing;
            return Some(Piece::Line(std::mem::take(&mut self.half)));
        }
        // Line ends between frames are given one by one, so that a line end never waits in front
        // of noise and makes one piece of both.
        let line_end = self.within == Within::Nothing && matches!(self.half.as_slice(), [b'\r' | b'\n']);
        if line_end {
            return Some(Piece::Between(std::mem::take(&mut self.half)));
        }
        if self.half.len() < LINE_MAX {
            return None;
        }
        self.within = Within::Nothing;
        Some(Piece::TooLong(std::mem::take(&mut self.half)))
    }

    fn byte_of_line(&mut self, byte: u8, terminator: Terminator) -> Option<Piece> {
        let before = self.before.replace(byte);
        self.half.push(byte);
        let ended = match terminator {
            Terminator::CrLf => before == Some(b'\r') && byte == b'\n',
            Terminator::Lf => byte == b'\n',
            Terminator::Cr => byte == b'\r',
        };
        if ended {
            self.before = None;
            let bytes = std::mem::take(&mut self.half);
            let skipped = std::mem::replace(&mut self.skipping, false);
            return Some(if skipped { Piece::TooLong(bytes) } else { Piece::Line(bytes) });
        }
        if self.half.len() < LINE_MAX {
            return None;
        }
        self.skipping = true;
        Some(Piece::TooLong(std::mem::take(&mut self.half)))
    }
}
