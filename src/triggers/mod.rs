//! Foot switches, buttons and contacts.

pub mod gpio;
