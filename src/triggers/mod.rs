//! triggers.

pub mod meaning; // what a payload means, PURE
