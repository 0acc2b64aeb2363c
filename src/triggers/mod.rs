//! Foot switches, buttons and contacts.

pub mod meaning; // what a payload means, PURE
pub mod gpio; // lines of a GPIO chip
