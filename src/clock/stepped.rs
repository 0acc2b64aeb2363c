//! A clock that stands still until it is moved: the rehearsal's, and the tests'.

use super::{Clock, Reached};
use crate::domain::moment::{Moment, Stamp, WallState};
use std::collections::BTreeMap;
use std::future::Future;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, Waker};
use uuid::Uuid;

/// A clock that stands still until it is moved. Clones share one time.
#[derive(Debug, Clone)]
pub struct SteppedClock(Arc<Mutex<State>>);

/// Wakers are woken and dropped outside the lock: either may run code that asks for the time.
#[derive(Debug)]
struct State {
    now: Moment,
    /// Who waits, by instant and in order of arrival.
    waiting: BTreeMap<(i64, u64), Waker>,
    arrivals: u64,
}

impl SteppedClock {
    /// A clock that stands at `start`.
    pub fn new(start: Moment) -> Self {
        let now = Moment { stamp: Stamp::Arrival, doubt_ns: 0, ..start };
        Self(Arc::new(Mutex::new(State { now, waiting: BTreeMap::new(), arrivals: 0 })))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Moves both clocks on until the boot clock stands at `boot_ns`, and wakes whom that reaches,
    /// the earliest first. An instant in the past moves nothing.
    pub fn advance_to(&self, boot_ns: i64) {
        let woken = {
            let mut state = self.state();
            let ns = boot_ns.saturating_sub(state.now.boot_ns).max(0);
            state.now = state.now.plus(ns);
            state.take_reached()
        };
        woken.into_iter().for_each(Waker::wake);
    }

    /// Moves both clocks on by `ns`.
    pub fn advance_by(&self, ns: i64) {
        let now = self.state().now.boot_ns;
        self.advance_to(now.saturating_add(ns));
    }

    /// The earliest instant for which somebody waits: a future of [`Clock::reached`] that was
    /// polled, is not dropped, and lies ahead.
    pub fn next_sleeper(&self) -> Option<i64> {
        self.state().waiting.first_key_value().map(|((boot_ns, _), _)| *boot_ns)
    }

    /// Somebody sets the wall clock: it jumps by `ns`, the boot clock does not.
    pub fn step_wall(&self, ns: i64) {
        let mut state = self.state();
        state.now.wall_ns = state.now.wall_ns.saturating_add(ns);
    }

    /// What the time service says from now on.
    pub fn set_wall_state(&self, wall: WallState) {
        self.state().now.wall = wall;
    }

    /// The machine was off for `off_ns` and starts again: a boot id of its own, the boot clock at
    /// `boot_ns`, wall time gone on. Whoever waited went with the machine: those futures never end.
    pub fn reboot(&self, boot: Uuid, boot_ns: i64, off_ns: i64) {
        let gone = {
            let mut state = self.state();
            state.now.wall_ns = state.now.wall_ns.saturating_add(off_ns);
            state.now.boot = boot;
            state.now.boot_ns = boot_ns;
            std::mem::take(&mut state.waiting)
        };
        drop(gone);
    }
}

impl State {
    fn take_reached(&mut self) -> Vec<Waker> {
        let now = self.now.boot_ns;
        let mut woken = Vec::new();
        while let Some(first) = self.waiting.first_entry().filter(|e| e.key().0 <= now) {
            woken.push(first.remove());
        }
        woken
    }
}

impl Clock for SteppedClock {
    fn now(&self) -> Moment {
        self.state().now
    }

    fn reached(&self, boot_ns: i64) -> Reached {
        let boot = self.state().now.boot;
        Box::pin(Sleeper { clock: self.clone(), boot, boot_ns, place: None })
    }

    /// This machine is never suspended: its monotonic clock is its boot clock.
    fn of_kernel(&self, monotonic_ns: u64) -> Moment {
        let now = self.now();
        let edge_ns = i64::try_from(monotonic_ns).unwrap_or(i64::MAX);
        Moment { stamp: Stamp::Kernel, ..now.plus(edge_ns.saturating_sub(now.boot_ns)) }
    }
}

struct Sleeper {
    clock: SteppedClock,
    boot: Uuid,
    boot_ns: i64,
    place: Option<u64>,
}

impl Future for Sleeper {
    type Output = ();

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<()> {
        let clock = self.clock.clone();
        let mut state = clock.state();
        if state.now.boot != self.boot {
            return Poll::Pending;
        }
        if state.now.boot_ns >= self.boot_ns {
            if let Some(place) = self.place.take() {
                state.waiting.remove(&(self.boot_ns, place));
            }
            return Poll::Ready(());
        }
        let place = self.place.unwrap_or(state.arrivals);
        if self.place.is_none() {
            state.arrivals += 1;
            self.place = Some(place);
        }
        let before = state.waiting.insert((self.boot_ns, place), context.waker().clone());
        drop(state);
        drop(before);
        Poll::Pending
    }
}

impl Drop for Sleeper {
    fn drop(&mut self) {
        if let Some(place) = self.place {
            let waker = self.clock.state().waiting.remove(&(self.boot_ns, place));
            drop(waker);
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::{Basis, SECOND, test::at};
    use proptest::prelude::*;
    use tokio_test::task::spawn;

    #[test]
    fn time_stands_between_steps_and_moves_both_clocks() {
        let clock = SteppedClock::new(at(0));
        assert_eq!(clock.now(), clock.now());
        clock.advance_by(45 * SECOND);
        assert_eq!(clock.now(), at(45 * SECOND));
        clock.advance_to(0);
        assert_eq!(clock.now(), at(45 * SECOND), "never back");
    }

    #[test]
    fn a_dropped_wait_is_no_sleeper() {
        let clock = SteppedClock::new(at(0));
        let (soon, late) = (clock.now().boot_ns + 1, clock.now().boot_ns + 9);
        let mut a = spawn(clock.reached(late));
        let mut b = spawn(clock.reached(soon));
        assert_eq!(clock.next_sleeper(), None, "nobody waits before the first poll");
        assert!(a.poll().is_pending() && b.poll().is_pending());
        assert!(b.poll().is_pending());
        assert_eq!(clock.next_sleeper(), Some(soon));
        drop(b);
        assert_eq!(clock.next_sleeper(), Some(late));
        clock.advance_to(late);
        assert!(a.is_woken() && a.poll().is_ready());
        assert_eq!(clock.next_sleeper(), None);
    }

    #[test]
    fn a_wall_step_bends_no_interval_and_a_reboot_changes_the_basis() {
        let clock = SteppedClock::new(at(0));
        let start = clock.now();
        clock.advance_by(10 * SECOND);
        clock.step_wall(-3600 * SECOND);
        clock.set_wall_state(WallState::Unsynchronised);
        let end = clock.now();
        assert_eq!((end.since(&start).ns, end.since(&start).basis), (10 * SECOND, Basis::BootClock));
        assert_eq!(end.wall, WallState::Unsynchronised);
        let mut waiting = spawn(clock.reached(end.boot_ns + 5));
        assert!(waiting.poll().is_pending());
        clock.reboot(Uuid::from_u128(7), 2 * SECOND, 60 * SECOND);
        let up = clock.now();
        assert_eq!((up.since(&end).ns, up.since(&end).basis), (60 * SECOND, Basis::WallClock));
        clock.advance_by(1_000 * SECOND);
        assert!(waiting.poll().is_pending(), "it went with the machine");
    }

    #[test]
    fn an_edge_lies_on_both_clocks_where_the_kernel_put_it() {
        let clock = SteppedClock::new(at(10 * SECOND));
        let stamp = u64::try_from(at(9 * SECOND).boot_ns).unwrap();
        assert_eq!(clock.of_kernel(stamp), Moment { stamp: Stamp::Kernel, ..at(9 * SECOND) });
    }

    proptest! {
        /// Whatever the steps, a wait ends exactly when its instant is reached, and is woken for it.
        #[test]
        fn no_wait_ends_before_its_time(
            waits in prop::collection::vec(-5_i64..100, 1..20),
            steps in prop::collection::vec(-3_i64..15, 1..20),
        ) {
            let clock = SteppedClock::new(at(0));
            let start = clock.now().boot_ns;
            let mut open: Vec<_> = waits.iter().map(|w| (start + w, spawn(clock.reached(start + w)))).collect();
            open.retain_mut(|(due, wait)| {
                let ended = wait.poll().is_ready();
                assert_eq!(ended, *due <= start);
                !ended
            });
            for step in steps {
                clock.advance_by(step);
                let now = clock.now().boot_ns;
                open.retain_mut(|(due, wait)| {
                    assert_eq!(wait.is_woken(), *due <= now);
                    let ended = wait.poll().is_ready();
                    assert_eq!(ended, *due <= now);
                    !ended
                });
                prop_assert_eq!(clock.next_sleeper(), open.iter().map(|(due, _)| *due).min());
            }
        }
    }
}
