//! The machine's clocks.
//!
//! The boot clock of this program is `CLOCK_MONOTONIC_RAW` and the time that the machine was suspended.
//! A time service that slews bends `CLOCK_BOOTTIME` and `CLOCK_MONOTONIC`: by 0.05 % through the kernel's
//! own loop, and by up to a tenth where it sets the length of a tick (`adjtimex(2)`). An interval of 45 s
//! would be off by seconds. The raw clock nobody bends; it is as good as the machine's crystal.

use super::offset::{Offsets, Sample};
use super::{Clock, Reached};
use crate::domain::moment::{Moment, SECOND, Stamp, WallState};
use rustix::time::{ClockId, clock_gettime};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, UNIX_EPOCH};
use uuid::Uuid;

/// Where the kernel says which boot this is.
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";
/// Where the time service reports (`systemd-timesyncd`: the file `synchronized` in it is touched
/// at each synchronisation). Other services report only to those who speak their protocol: unknown.
const TIME_SERVICE: &str = "/run/systemd/timesync";
/// A report older than this stands for a lost time source: four times the service's longest default
/// interval of 2048 s (from memory).
const REPORT_STALE_NS: i64 = 4 * 2048 * SECOND;
/// How often what changes slowly is looked at again, nanoseconds.
const SAMPLE_EVERY_NS: i64 = SECOND;
/// Longest sleep. Timers run on `CLOCK_MONOTONIC` and stand still in suspend, so after it a wake-up
/// is late by up to this.
const LONGEST_SLEEP_NS: i64 = SECOND;

/// The machine has no usable clock.
#[derive(Debug, thiserror::Error)]
pub enum ClockError {
    /// Without it an interval could be measured across a restart without anyone noticing.
    #[error("cannot read which boot this is from {BOOT_ID}: {0}; is /proc mounted?")]
    BootId(std::io::Error),
    /// The kernel's answer has another form.
    #[error("{BOOT_ID} holds {0:?}, which is no boot id")]
    NoBootId(String),
}

/// The machine's clocks. Cheap to clone.
#[derive(Debug, Clone)]
pub struct RealClock(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    boot: Uuid,
    slow: Mutex<Slow>,
}

/// What changes slowly, looked at again at most once a second.
#[derive(Debug)]
struct Slow {
    offsets: Offsets,
    wall: WallState,
}

impl RealClock {
    /// The clocks of this machine.
    pub fn new() -> Result<Self, ClockError> {
        let text = std::fs::read_to_string(BOOT_ID).map_err(ClockError::BootId)?;
        let boot = Uuid::try_parse(text.trim()).map_err(|_| ClockError::NoBootId(text))?;
        let wall = wall_state(Path::new(TIME_SERVICE), read(ClockId::Realtime));
        let slow = Mutex::new(Slow { offsets: Offsets::new(sample()), wall });
        Ok(Self(Arc::new(Inner { boot, slow })))
    }
}

impl Slow {
    /// The boot clock, now.
    fn boot_ns(&self) -> i64 {
        read(ClockId::MonotonicRaw).saturating_add(self.offsets.newest_ns())
    }
}

impl Inner {
    /// The slow part, not older than a second, nor than a suspend.
    fn slow(&self) -> MutexGuard<'_, Slow> {
        let mut slow = self.slow.lock().unwrap_or_else(PoisonError::into_inner);
        let (boot_ns, monotonic_ns) = (read(ClockId::Boottime), read(ClockId::Monotonic));
        if monotonic_ns - slow.offsets.sampled_ns() >= SAMPLE_EVERY_NS
            || slow.offsets.is_another(boot_ns.saturating_sub(monotonic_ns))
        {
            slow.offsets.sample(sample());
            slow.wall = wall_state(Path::new(TIME_SERVICE), read(ClockId::Realtime));
        }
        slow
    }
}

impl Clock for RealClock {
    fn now(&self) -> Moment {
        let (boot_ns, wall) = {
            let slow = self.0.slow();
            (slow.boot_ns(), slow.wall)
        };
        Moment {
            boot: self.0.boot,
            boot_ns,
            wall_ns: read(ClockId::Realtime),
            wall,
            stamp: Stamp::Arrival,
            doubt_ns: 0,
        }
    }

    fn reached(&self, boot_ns: i64) -> Reached {
        let inner = Arc::clone(&self.0);
        Box::pin(async move {
            loop {
                let left = boot_ns.saturating_sub(inner.slow().boot_ns()).min(LONGEST_SLEEP_NS);
                match u64::try_from(left) {
                    Ok(left) if left > 0 => tokio::time::sleep(Duration::from_nanos(left)).await,
                    _ => return,
                }
            }
        })
    }

    fn of_kernel(&self, monotonic_ns: u64) -> Moment {
        let edge_ns = i64::try_from(monotonic_ns).unwrap_or(i64::MAX);
        let (boot_ns, doubt_ns) = {
            let mut slow = self.0.slow();
            if edge_ns > slow.offsets.sampled_ns() {
                slow.offsets.sample(sample());
            }
            slow.offsets.map(edge_ns)
        };
        // The edge is milliseconds old: so little of it is bent.
        let (bent_ns, bent_doubt_ns) = bent();
        let now = self.now();
        let edge = now.plus(boot_ns.saturating_sub(bent_ns).saturating_sub(now.boot_ns));
        Moment { stamp: Stamp::Kernel, doubt_ns: doubt_ns.saturating_add(bent_doubt_ns), ..edge }
    }
}

/// A clock of the kernel, nanoseconds.
fn read(clock: ClockId) -> i64 {
    let t = clock_gettime(clock);
    t.tv_sec.saturating_mul(SECOND).saturating_add(t.tv_nsec)
}

/// How far `CLOCK_MONOTONIC` is ahead of the raw clock by now, and the doubt of it.
fn bent() -> (i64, i64) {
    let seen = beside(ClockId::MonotonicRaw);
    (seen.offset_ns.saturating_neg(), seen.doubt_ns)
}

/// How long the machine was suspended.
fn sample() -> Sample {
    beside(ClockId::Boottime)
}

/// A clock between two readings of the monotonic one; the closest of a few tries.
fn beside(clock: ClockId) -> Sample {
    let once = || {
        let (a, other, b) = (read(ClockId::Monotonic), read(clock), read(ClockId::Monotonic));
        let half = (b - a) / 2;
        Sample { monotonic_ns: a, offset_ns: other - (a + half), doubt_ns: half + 1 }
    };
    let mut best = once();
    for _ in 0..4 {
        let next = once();
        if next.doubt_ns < best.doubt_ns {
            best = next;
        }
    }
    best
}

/// What the time service says of the wall clock. It runs if its folder is there; it has found a
/// source if its report is there, and still has it if the report is young.
fn wall_state(service: &Path, wall_ns: i64) -> WallState {
    let touched = std::fs::metadata(service.join("synchronized")).and_then(|m| m.modified());
    match touched {
        Ok(at) => {
            let at_ns = at.duration_since(UNIX_EPOCH).ok().and_then(|d| i64::try_from(d.as_nanos()).ok());
            let age_ns = at_ns.map(|at_ns| wall_ns.saturating_sub(at_ns));
            // Too old: the source was lost. From the future: the clock was set back since.
            if age_ns.is_some_and(|age| (-SECOND..=REPORT_STALE_NS).contains(&age)) {
                WallState::Synchronised
            } else {
                WallState::Unsynchronised
            }
        }
        Err(_) if service.is_dir() => WallState::Unsynchronised,
        Err(_) => WallState::Unknown,
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use std::fs::File;
    use std::time::SystemTime;

    #[test]
    fn the_time_services_report_decides_and_its_absence_is_unknown() {
        let folder = std::env::temp_dir().join(format!("stillstand-clock-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        let wall = |state_at_s: i64| wall_state(&folder, state_at_s * SECOND);
        assert_eq!(wall(1_790_000_000), WallState::Unknown);
        std::fs::create_dir(&folder).unwrap();
        assert_eq!(wall(1_790_000_000), WallState::Unsynchronised, "running, no source yet");
        let report = File::create(folder.join("synchronized")).unwrap();
        report.set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(1_790_000_000)).unwrap();
        assert_eq!(wall(1_790_000_000), WallState::Synchronised);
        assert_eq!(wall(1_790_002_048), WallState::Synchronised);
        assert_eq!(wall(1_790_009_000), WallState::Unsynchronised, "source lost hours ago");
        assert_eq!(wall(1_789_999_000), WallState::Unsynchronised, "set back since");
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn a_kernel_stamp_of_this_instant_is_this_moment() {
        let clock = RealClock::new().unwrap();
        let before = clock.now();
        let stamp = u64::try_from(read(ClockId::Monotonic)).unwrap();
        let after = clock.now();
        let edge = clock.of_kernel(stamp);
        let bounds = before.boot_ns - edge.doubt_ns..=after.boot_ns + edge.doubt_ns;
        assert!(bounds.contains(&edge.boot_ns), "{edge:?} not in {bounds:?}");
        assert_eq!((edge.stamp, edge.boot), (Stamp::Kernel, before.boot));
        assert!(edge.doubt_ns < 5_000_000, "{edge:?}");
    }

    #[tokio::test]
    async fn a_deadline_is_never_reached_early_and_a_past_one_at_once() {
        let clock = RealClock::new().unwrap();
        clock.reached(clock.now().boot_ns - 1).await;
        clock.reached(i64::MIN).await;
        for wait_ns in [1, 300_000, 5_000_000] {
            let due = clock.now().boot_ns + wait_ns;
            clock.reached(due).await;
            assert!(clock.now().boot_ns >= due);
        }
    }
}
