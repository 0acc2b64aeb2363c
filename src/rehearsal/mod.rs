//! rehearsal.

pub mod pty;
