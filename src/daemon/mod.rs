//! Composition root: the command line, the one loop, shutdown.

pub mod cli;
pub mod exit;
pub mod reckon;
pub mod station;
mod inputs;
mod outbox;
