//! The only reader of clocks and of the boot id. Time is a dependency like any other.
//!
//! [`RealClock`] reads the machine's; [`SteppedClock`] stands still until it is moved, for the
//! rehearsal and for tests.

mod offset;
mod real;
mod stepped;

pub use real::{ClockError, RealClock};
pub use stepped::SteppedClock;

use crate::domain::moment::Moment;
use std::future::Future;
use std::pin::Pin;

/// A future that ends when a clock has reached an instant.
pub type Reached = Pin<Box<dyn Future<Output = ()> + Send>>;

/// Bench time: intervals, staleness, alarm delays, polling. Transport time (response time-outs,
/// back-off, keepalive, watchdog) is real time and uses tokio directly.
pub trait Clock: Send + Sync + std::fmt::Debug {
    /// This instant, stamped as an arrival.
    fn now(&self) -> Moment;
    /// Ends when the boot clock has reached `boot_ns`. May end early or late; a caller compares.
    fn reached(&self, boot_ns: i64) -> Reached;
    /// The instant of a kernel event, from its `CLOCK_MONOTONIC` time stamp in nanoseconds.
    fn of_kernel(&self, monotonic_ns: u64) -> Moment;
}
