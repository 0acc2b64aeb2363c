//! Bytes to lines. Nothing is lost: the pieces, in order, and the unfinished rest are the bytes.

use super::Terminator;

/// Longest line, terminator included, in bytes. No instrument says that much; our own figure.
pub const LINE_MAX: usize = 4096;

/// What came off the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// A line with its terminator.
    Line(Vec<u8>),
    /// A part of something that grew over [`LINE_MAX`]: no line, whatever it holds. What follows
    /// it up to the next terminator is of the same kind, in pieces of at most [`LINE_MAX`].
    TooLong(Vec<u8>),
}

impl Piece {
    /// The bytes as they came.
    pub fn bytes(&self) -> &[u8] {
        match self {
            Self::Line(bytes) | Self::TooLong(bytes) => bytes,
        }
    }
}

/// Cuts a stream of bytes into lines; keeps a half line until the rest of it comes.
#[derive(Debug, Clone)]
pub struct Decoder {
    terminator: Terminator,
    half: Vec<u8>,
    /// The byte before, also where a piece ended between the two bytes of a terminator.
    before: Option<u8>,
    /// Inside something that is too long.
    skipping: bool,
}

impl Decoder {
    /// A decoder at the beginning of a line.
    pub const fn new(terminator: Terminator) -> Self {
        Self { terminator, half: Vec::new(), before: None, skipping: false }
    }

    /// Takes bytes and gives the pieces that they complete. How the bytes are cut into calls
    /// changes nothing.
    pub fn feed(&mut self, bytes: &[u8]) -> Vec<Piece> {
        bytes.iter().filter_map(|byte| self.byte(*byte)).collect()
    }

    /// Forgets the half line: what follows does not belong to it.
    pub fn clear(&mut self) {
        *self = Self::new(self.terminator);
    }

    /// The half line, as far as it came.
    pub fn half(&self) -> &[u8] {
        &self.half
    }

    fn byte(&mut self, byte: u8) -> Option<Piece> {
        let before = self.before.replace(byte);
        self.half.push(byte);
        let ended = match self.terminator {
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
