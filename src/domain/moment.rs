//! When something happened, on two clocks, and how well that is known.
//!
//! An interval is measured on the boot clock, which counts suspend and which no step of the
//! network time can bend. Wall time is for people and for what spans a reboot.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// Nanoseconds in a second.
pub const SECOND: i64 = 1_000_000_000;
/// Nanoseconds in a minute.
pub const MINUTE: i64 = 60 * SECOND;

/// One instant. A moment comes in with every input; the core never asks for one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// Which boot of the machine `boot_ns` counts from.
    pub boot: Uuid,
    /// Nanoseconds on the boot clock. Negative for a stated time before the machine started.
    pub boot_ns: i64,
    /// Nanoseconds since 1970-01-01T00:00:00Z.
    pub wall_ns: i64,
    /// What is known of the wall clock.
    pub wall: WallState,
    /// Where the instant was taken.
    pub stamp: Stamp,
    /// Half-width in nanoseconds of what the stamping itself leaves open.
    pub doubt_ns: i64,
}

/// What the time service says of the wall clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WallState {
    /// Steered by a network time source.
    Synchronised,
    /// The time service says that it is not synchronised.
    Unsynchronised,
    /// Nobody could be asked.
    Unknown,
}

/// Where an instant was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stamp {
    /// The kernel stamped the edge.
    Kernel,
    /// The program stamped the last byte of the message when it arrived.
    Arrival,
    /// A person stated the time afterwards.
    Entered,
}

/// The clock on which both ends of an interval stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Both ends on one boot's clock.
    BootClock,
    /// The machine was restarted in between: both ends on wall time.
    WallClock,
}

/// A measured duration and the clock that measured it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Elapsed {
    /// Nanoseconds; negative when the second instant lies before the first.
    pub ns: i64,
    /// The clock of both ends.
    pub basis: Basis,
}

/// How far the clock chip of a machine may be off, and be right: it knows whole seconds, and drifts
/// (this project's own judgement). Nanoseconds.
const CHIP_NS: i64 = 5 * SECOND;

impl Moment {
    /// Time from `earlier` to `self`, where the clocks can tell it. `None`: the machine was restarted in
    /// between, and by the wall clock of `self` that start lies before `earlier`. One of the two wall
    /// clocks is wrong, as after a power cut that the clock chip did not survive.
    pub fn known_since(&self, earlier: &Self) -> Option<Elapsed> {
        let since = self.since(earlier);
        let least_ns = self.boot_ns.saturating_sub(CHIP_NS).max(0);
        (since.basis == Basis::BootClock || since.ns >= least_ns).then_some(since)
    }

    /// Time from `earlier` to `self`.
    pub fn since(&self, earlier: &Self) -> Elapsed {
        if self.boot == earlier.boot {
            Elapsed { ns: self.boot_ns.saturating_sub(earlier.boot_ns), basis: Basis::BootClock }
        } else {
            Elapsed { ns: self.wall_ns.saturating_sub(earlier.wall_ns), basis: Basis::WallClock }
        }
    }

    /// The instant `ns` nanoseconds later on both clocks.
    #[must_use]
    pub fn plus(mut self, ns: i64) -> Self {
        self.boot_ns = self.boot_ns.saturating_add(ns);
        self.wall_ns = self.wall_ns.saturating_add(ns);
        self
    }

    /// The instant that a person states as wall time, seen from `self` (now): it is placed on
    /// this boot's clock by its distance from now, and marked as entered.
    #[must_use]
    pub fn stated(&self, wall_ns: i64) -> Self {
        let mut then = self.plus(wall_ns.saturating_sub(self.wall_ns));
        then.stamp = Stamp::Entered;
        then.doubt_ns = SECOND;
        then
    }

    /// How long ago this was, seen from `now`, in nanoseconds. What was before the machine's last
    /// start is at least as old as that start, even where the wall clock woke up behind.
    pub fn age_seen_from(&self, now: &Self) -> i64 {
        let since = now.since(self);
        if since.basis == Basis::WallClock { since.ns.max(now.boot_ns) } else { since.ns }
    }

    /// What was read at this instant still holds at `now`, for `for_ns` nanoseconds at most. Where the
    /// clocks cannot tell how long ago that was, it does not.
    pub fn holds_at(&self, now: &Self, for_ns: i64) -> bool {
        now.known_since(self).is_some() && (0..for_ns).contains(&self.age_seen_from(now))
    }

    /// This instant on the boot clock of `now`: exact within one boot, by wall time across boots.
    pub fn boot_ns_seen_from(&self, now: &Self) -> i64 {
        now.boot_ns.saturating_sub(now.since(self).ns)
    }
}

#[cfg(test)]
pub(crate) mod test {
    use super::*;

    /// A moment `ns` after an arbitrary start, for tests throughout the crate.
    pub(crate) fn at(ns: i64) -> Moment {
        Moment {
            boot: Uuid::from_u128(1),
            boot_ns: 50 * SECOND + ns,
            wall_ns: 1_790_000_000 * SECOND + ns,
            wall: WallState::Synchronised,
            stamp: Stamp::Arrival,
            doubt_ns: 0,
        }
    }

    #[test]
    fn a_step_of_the_wall_clock_bends_no_interval() {
        let start = at(0);
        let mut end = at(45 * SECOND);
        end.wall_ns += 3600 * SECOND;
        assert_eq!(end.since(&start), Elapsed { ns: 45 * SECOND, basis: Basis::BootClock });
    }

    #[test]
    fn across_a_reboot_both_ends_stand_on_wall_time() {
        let start = at(0);
        let mut end = at(600 * SECOND);
        end.boot = Uuid::from_u128(2);
        end.boot_ns = 3 * SECOND;
        assert_eq!(end.since(&start), Elapsed { ns: 600 * SECOND, basis: Basis::WallClock });
        assert_eq!(start.boot_ns_seen_from(&end), 3 * SECOND - 600 * SECOND);
    }

    #[test]
    fn a_clock_that_puts_the_machines_start_before_what_was_tells_no_time() {
        let begun = at(0);
        let mut now = at(600 * SECOND);
        now.boot = Uuid::from_u128(2);
        now.boot_ns = 300 * SECOND;
        assert_eq!(now.known_since(&begun), Some(Elapsed { ns: 600 * SECOND, basis: Basis::WallClock }));
        for years in [1, 7] {
            let mut lost = now;
            lost.wall_ns -= years * 365 * 86_400 * SECOND;
            assert_eq!(lost.known_since(&begun), None, "{years} years behind");
        }
        // Six minutes behind: four are said to have passed, and the machine has been up for five.
        now.wall_ns -= 360 * SECOND;
        assert_eq!(now.known_since(&begun), None);
        assert_eq!(at(3).known_since(&at(1)), Some(Elapsed { ns: 2, basis: Basis::BootClock }));
    }

    #[test]
    fn a_clock_chip_of_whole_seconds_is_right() {
        let begun = at(0);
        let mut now = at(9 * SECOND);
        now.boot = Uuid::from_u128(2);
        now.boot_ns = 10 * SECOND;
        assert!(now.known_since(&begun).is_some(), "a second short of what must have passed");
    }

    #[test]
    fn what_was_before_the_machines_start_is_no_younger_than_that_start() {
        let before = at(0);
        let mut now = at(-86_400 * SECOND);
        now.boot = Uuid::from_u128(2);
        now.boot_ns = 3 * SECOND;
        assert_eq!(before.age_seen_from(&now), 3 * SECOND, "the wall clock woke up a day behind");
        now.wall_ns = before.wall_ns + 600 * SECOND;
        assert_eq!(before.age_seen_from(&now), 600 * SECOND);
        assert_eq!(at(0).age_seen_from(&at(7)), 7);
    }

    #[test]
    fn what_was_read_holds_for_its_time_and_not_across_clocks_that_cannot_both_be_right() {
        let read = at(0);
        assert!(read.holds_at(&at(59 * SECOND), 60 * SECOND));
        assert!(!read.holds_at(&at(60 * SECOND), 60 * SECOND));
        assert!(!at(SECOND).holds_at(&read, 60 * SECOND), "it was not read yet");
        let mut now = at(30 * SECOND);
        now.boot = Uuid::from_u128(2);
        now.boot_ns = 20 * SECOND;
        assert!(read.holds_at(&now, 60 * SECOND), "the machine was away for ten seconds");
        now.wall_ns = read.wall_ns - 86_400 * SECOND;
        assert!(!read.holds_at(&now, 60 * SECOND), "the wall clock woke up behind");
    }

    #[test]
    fn a_stated_time_may_lie_before_the_machine_started() {
        let now = at(0);
        let then = now.stated(now.wall_ns - 100 * SECOND);
        assert_eq!(then.boot_ns, -50 * SECOND);
        assert_eq!(then.stamp, Stamp::Entered);
        assert_eq!(now.since(&then).ns, 100 * SECOND);
    }
}
