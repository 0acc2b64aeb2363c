//! The number, with every intermediate kept. Integers and exact decimals only: binary floating
//! point would raise 100 x 1.1 / 2.0 to 56.
//!
//! ```text
//! level as read ─ less the foot's offset ─ to a mark ─┐
//!                                                     ├─ ratio to 0.1 ─ reported ─┐
//! level as read ─────────────────────────── to a mark ┘                           ├─ average
//!                                                        other specimens ─────────┘
//! ```
//!
//! Where only the sediment's height is read, a formula of that height stands in place of the ratio.
//!
//! Rules are those of AASHTO T 176 / ASTM D2419 (calculation: ratio to the nearest tenth, then
//! the next higher whole number; recalled from memory, and seen in two secondary texts), chosen
//! from the closed lists of [`crate::domain::method`].

mod average;
mod height;
mod level;
mod mark;
mod number;
mod ratio;
mod text;

pub use average::{Average, Counted, average};
pub use level::{LevelError, Marked, Scale, clay, sand, sediment};
pub use mark::{MarkError, Marks, to_mark};
pub use number::{Calculation, CalculationError, Levels, calculate, from_levels};
pub use ratio::{Exact, Tenths, ratio, result};
pub use text::{TextError, level_from_text};

#[cfg(test)]
mod test;
