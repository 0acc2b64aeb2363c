//! Failures on purpose, for simulations and tests of what stands above the journal.

use super::error::Trouble;

/// A point of a commit at which it can be made to fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FaultPoint {
    /// Everything is written, nothing committed: the batch is gone.
    BeforeCommit,
    /// The batch is committed, and the caller is told of an error nevertheless.
    AfterCommit,
}

/// Decides at each point whether it fails.
pub trait Faults: Send {
    /// True: fail here.
    fn fails(&mut self, point: FaultPoint) -> bool;

    /// As what it fails.
    fn trouble(&self) -> Trouble {
        Trouble::Io
    }
}

impl<F: FnMut(FaultPoint) -> bool + Send> Faults for F {
    fn fails(&mut self, point: FaultPoint) -> bool {
        self(point)
    }
}

/// A disk that works.
#[derive(Debug)]
pub(super) struct NoFaults;

impl Faults for NoFaults {
    fn fails(&mut self, _point: FaultPoint) -> bool {
        false
    }
}
