//! Looks after the disk under the journal while it still works: how much room is left, and how long
//! it takes to confirm. Both are alarms like any other, since they can still be stored. A disk that
//! no longer takes anything is the station's own concern (`station/trouble.rs`).

use super::station::StationHandle;
use crate::clock::Clock;
use crate::domain::bench::{DiskCondition, DiskReport, What};
use crate::journal::Journal;
use crate::keeping;
use crate::settings::model;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{Instant, MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;

/// Between two looks. A look costs the disk nothing.
const LOOK: Duration = Duration::from_secs(5);
/// The disk counts as quick again after so long without a slow commit.
const QUICK_AFTER: Duration = Duration::from_mins(10);
const MEGABYTE: u64 = 1_000_000;
const DAY_NS: i64 = 86_400_000_000_000;

/// What is watched.
pub(super) struct Watch {
    pub(super) settings: model::Journal,
    pub(super) journal: Journal,
    pub(super) station: StationHandle,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) cancel: CancellationToken,
}

/// Runs until it is cancelled.
pub(super) async fn run(watch: Watch) {
    let mut looks = interval(LOOK);
    looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut state = State::default();
    let mut noted = None;
    loop {
        tokio::select! {
            () = watch.cancel.cancelled() => return,
            _ = looks.tick() => {}
        }
        let free = free(watch.settings.path.clone()).await;
        let day = watch.clock.now().wall_ns.div_euclid(DAY_NS);
        if noted != Some(day) && watch.journal.note_size(day).await.is_ok() {
            noted = Some(day);
        }
        let slowest = watch.journal.slowest_commit();
        for report in state.look(&watch.settings, free, slowest, Instant::now()) {
            if !watch.station.tell(What::Disk(report), watch.clock.now()).await {
                return;
            }
        }
    }
}

/// Bytes that are free for the service's user where the journal lies; `None` where the system does
/// not say.
async fn free(path: PathBuf) -> Option<u64> {
    // A disk that does not answer must not hold a thread of the station's.
    tokio::task::spawn_blocking(move || keeping::disk::free(&path)).await.ok()?
}

/// What was told last.
#[derive(Debug, Default)]
struct State {
    low: bool,
    slow_since: Option<Instant>,
}

impl State {
    /// What has changed.
    fn look(
        &mut self,
        settings: &model::Journal,
        free: Option<u64>,
        slowest: Duration,
        now: Instant,
    ) -> Vec<DiskReport> {
        let mut reports = Vec::new();
        let mut tell = |condition, active, text| {
            reports.push(DiskReport { condition, active, text, about: String::new() });
        };
        if let Some(free) = free {
            let limit = settings.space_low_mb.saturating_mul(MEGABYTE);
            let text =
                format!("{} MB are free; the stated limit is {} MB", free / MEGABYTE, settings.space_low_mb);
            // A tenth more than the limit clears it: what hovers at the limit is one alarm.
            if !self.low && free < limit {
                self.low = true;
                tell(DiskCondition::Low, true, text);
            } else if self.low && free >= limit.saturating_add(limit / 10) {
                self.low = false;
                tell(DiskCondition::Low, false, text);
            }
        }
        if slowest >= Duration::from_millis(settings.slow_ms) {
            if self.slow_since.replace(now).is_none() {
                let text = format!(
                    "a commit took {} ms; the stated limit is {} ms",
                    slowest.as_millis(),
                    settings.slow_ms
                );
                tell(DiskCondition::Slow, true, text);
            }
        } else if self.slow_since.is_some_and(|since| now.duration_since(since) >= QUICK_AFTER) {
            self.slow_since = None;
            let text = format!("no slow commit for {} minutes", QUICK_AFTER.as_secs() / 60);
            tell(DiskCondition::Slow, false, text);
        }
        reports
    }
}

#[cfg(test)]
mod test {
    use super::*;

    fn settings() -> model::Journal {
        model::Journal { path: PathBuf::from("/tmp/never"), space_low_mb: 100, slow_ms: 1000 }
    }

    fn told(reports: &[DiskReport]) -> Vec<(DiskCondition, bool)> {
        reports.iter().map(|r| (r.condition, r.active)).collect()
    }

    #[test]
    fn room_that_hovers_at_the_limit_is_one_alarm() {
        let (mut state, now) = (State::default(), Instant::now());
        let mut look = |mb: u64| told(&state.look(&settings(), Some(mb * MEGABYTE), Duration::ZERO, now));
        assert_eq!(look(101), []);
        assert_eq!(look(99), [(DiskCondition::Low, true)]);
        for mb in [101, 98, 109, 99] {
            assert_eq!(look(mb), [], "{mb}");
        }
        assert_eq!(look(110), [(DiskCondition::Low, false)]);
        assert_eq!(look(3), [(DiskCondition::Low, true)]);
        assert_eq!(
            told(&state.look(&settings(), None, Duration::ZERO, now)),
            [],
            "nobody knows: nothing changes"
        );
    }

    #[test]
    fn one_slow_commit_is_an_alarm_until_ten_minutes_have_had_none() {
        let (mut state, begin) = (State::default(), Instant::now());
        let mut look = |s: u64, ms: u64| {
            state.look(&settings(), None, Duration::from_millis(ms), begin + Duration::from_secs(s))
        };
        assert!(look(0, 999).is_empty());
        let raised = look(5, 1400);
        assert_eq!(told(&raised), [(DiskCondition::Slow, true)]);
        assert_eq!(raised[0].text, "a commit took 1400 ms; the stated limit is 1000 ms");
        assert!(look(300, 2000).is_empty(), "known");
        assert!(look(300 + 599, 3).is_empty());
        assert_eq!(told(&look(300 + 600, 3)), [(DiskCondition::Slow, false)]);
    }
}
