//! PURE: from bytes on a wire to values, and back. No I/O, no clock.
//!
//! ```text
//!  bytes ── decoder ── lines ── read_piece(shape) ── what was said ── weighings ── one stable mass
//!                                      ▲
//!                     shape: a file of `config/instruments`, named by its look
//! ```
//!
//! `load` reads such a file and reports every fault of it; `speak` writes the same lines for the
//! simulated instruments.

mod any;
mod decoder;
mod framing;
mod load;
mod number;
mod read;
mod registers;
mod scpi;
mod settling;
mod shape;
mod speak;
mod weighing;

#[cfg(test)]
mod test;

pub use crate::domain::method::Fault as ShapeFault;
pub use any::AnyShape;
pub use decoder::{Decoder, LINE_MAX, Piece};
pub use framing::{Checksum, Framing, Over, Terminator, Written};
pub use read::{Said, read_line, read_piece};
pub use registers::{Registers, in_words};
pub use scpi::Answer;
pub use shape::{Example, Says, Scpi, Shape, Stability};
pub use speak::{encode, encode_overload};
pub use weighing::{Settled, Weighings};
