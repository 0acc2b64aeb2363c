//! The time of the simulation: true time, which nobody sees, and the two clocks that the station
//! reads, one of which is set and stepped.

use stillstand::domain::moment::{Moment, SECOND, Stamp, WallState};
use uuid::Uuid;

/// Nanoseconds in an hour.
pub const HOUR: i64 = 3600 * SECOND;
/// Wall time at the start: a Monday, seven in the morning in UTC (2026-09-21).
const BEGAN_WALL_NS: i64 = 1_789_974_000 * SECOND;

/// True time and the station's clocks.
#[derive(Debug, Clone)]
pub struct World {
    /// True time since the start.
    pub now_ns: i64,
    /// How often the machine was started.
    boot: u128,
    /// True time of that.
    booted_ns: i64,
    /// How far the wall clock is off.
    off_ns: i64,
    wall: WallState,
}

impl World {
    /// The start.
    pub const fn new() -> Self {
        Self { now_ns: 0, boot: 1, booted_ns: -50 * SECOND, off_ns: 0, wall: WallState::Synchronised }
    }

    /// What the clocks show now.
    pub const fn moment(&self) -> Moment {
        Moment {
            boot: Uuid::from_u128(0xb007_0000_0000_4000_8000_0000_0000_0000 + self.boot),
            boot_ns: self.now_ns - self.booted_ns,
            wall_ns: BEGAN_WALL_NS + self.now_ns + self.off_ns,
            wall: self.wall,
            stamp: Stamp::Arrival,
            doubt_ns: 0,
        }
    }

    /// The kernel's stamp of an edge that came so long ago, on this boot.
    pub fn edge(&self, ago_ns: i64) -> Moment {
        let now = self.moment();
        let ago = ago_ns.min(now.boot_ns);
        Moment { stamp: Stamp::Kernel, ..now.plus(-ago) }
    }

    /// The wall clock is stepped.
    pub const fn step(&mut self, by_ns: i64) {
        self.off_ns += by_ns;
    }

    /// The wall clock is right again, and steered.
    pub const fn set_right(&mut self) {
        self.off_ns = 0;
        self.wall = WallState::Synchronised;
    }

    /// The machine was started so long ago.
    pub const fn boot(&mut self, ago_ns: i64, off_ns: i64) {
        self.boot += 1;
        self.booted_ns = self.now_ns - ago_ns;
        self.off_ns = off_ns;
        self.wall = if off_ns == 0 { WallState::Synchronised } else { WallState::Unsynchronised };
    }

    /// Whether people are at work: seven to five, Monday to Friday.
    pub const fn is_open(&self) -> bool {
        let hours = self.now_ns / HOUR;
        (hours / 24) % 7 < 5 && hours % 24 < 10
    }
}
