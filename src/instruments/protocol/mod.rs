//! PURE: from bytes on a wire to values, and back. No I/O, no clock.
//!
//! ```text
//!  bytes ── decoder ── lines ── read_line(shape) ── what was said ── weighings ── one stable mass
//!                                      ▲
//!                     shape: a file of `config/instruments`, named by its look
//! ```
//!
//! `load` reads such a file and reports every fault of it; `speak` writes the same lines for the
//! simulated instruments.

mod decoder;
mod load;
mod number;
mod read;
mod shape;
mod speak;
mod weighing;

#[cfg(test)]
mod test;

pub use crate::domain::method::Fault as ShapeFault;
pub use decoder::{Decoder, LINE_MAX, Piece};
pub use read::{Said, read_line};
pub use shape::{Example, Says, Shape, Stability, Terminator};
pub use speak::{encode, encode_overload};
pub use weighing::Weighings;
