//! daemon.
pub mod station;
