//! The trade, and nothing but the trade: no I/O, no clock, no threads, no `async`, no locks.
//!
//! ```text
//!  sample ── prepared portion ──┬─ specimen ── steps of the method ── readings ── result ─ record
//!                               ├─ specimen ── …                                  │
//!                               └─ specimen ── …                                  └─ sample result
//!
//!  tin · first fill · tap · [soak] · loosen · [shake] · irrigate · [sedimentation] · clay · sand · clean
//!                            └── intervals with limits; everything else is recorded without one
//! ```
//!
//! The folders stand in the order in which a specimen meets them. [`bench`] puts them together:
//! `decide(state, input) -> events`, `apply(state, event)`, `next_deadline(state)`.

pub mod moment;
pub mod calendar;
pub mod quantity;
pub mod units;
pub mod shared;
pub mod remembered;

pub mod method;
pub mod reading;
pub mod intake;
pub mod calculation;
pub mod measure;
pub mod specimen;
pub mod equipment;
pub mod solution;
pub mod preparation;
pub mod quality;
pub mod review;
pub mod keeping;
pub mod alarm;
pub mod bench;
pub mod signal;
pub mod report;
pub mod overview;
