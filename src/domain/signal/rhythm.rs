//! Rhythms: on and off over time.

use serde::{Deserialize, Serialize};

/// Nanoseconds in a millisecond.
const MS: i64 = 1_000_000;

/// How a signal comes and goes. The two flashes keep the rates of IEC 60073 (from memory): slow 0.4 to
/// 0.8 Hz, normal 1.4 to 2.8 Hz. The others are this project's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rhythm {
    /// Dark, silent.
    Off,
    /// On.
    Steady,
    /// A short flash every two seconds: soon, or over before anybody saw it.
    Wink,
    /// Twice a second: act at once.
    Quick,
    /// One tone: an act is due.
    Once,
    /// Two tones every fifteen seconds, ten times: an act is overdue.
    Twice,
    /// A long tone every ten seconds: an alarm of medium priority.
    Call,
    /// A tone every second: an alarm of high priority.
    Alarm,
}

/// On-times within one period, milliseconds from its begin; the period; how many of them (0: for ever).
struct Parts {
    on: &'static [(i64, i64)],
    period: i64,
    times: i64,
}

impl Rhythm {
    const fn parts(self) -> Parts {
        let (on, period, times): (&'static [(i64, i64)], i64, i64) = match self {
            Self::Off => (&[], 0, 0),
            Self::Steady => (&[(0, 0)], 0, 0),
            Self::Wink => (&[(0, 150)], 2000, 0),
            Self::Quick => (&[(0, 250)], 500, 0),
            Self::Once => (&[(0, 500)], 500, 1),
            Self::Twice => (&[(0, 300), (500, 800)], 15_000, 10),
            Self::Call => (&[(0, 1000)], 10_000, 0),
            Self::Alarm => (&[(0, 500)], 1000, 0),
        };
        Parts { on, period, times }
    }

    /// On so many nanoseconds after its begin.
    pub fn is_on(self, after_ns: i64) -> bool {
        let Parts { on, period, .. } = self.parts();
        if period == 0 || after_ns < 0 {
            return period == 0 && !on.is_empty();
        }
        let at = after_ns.rem_euclid(period * MS);
        !self.is_over(after_ns) && on.iter().any(|(from, to)| (from * MS..to * MS).contains(&at))
    }

    /// It has been told often enough.
    pub fn is_over(self, after_ns: i64) -> bool {
        let Parts { period, times, .. } = self.parts();
        times > 0 && after_ns >= times * period * MS
    }

    /// From an instant after its begin to the next change, nanoseconds; `None`: it stays.
    pub fn changes_after(self, after_ns: i64) -> Option<i64> {
        let Parts { on, period, .. } = self.parts();
        if period == 0 || self.is_over(after_ns) {
            return None;
        }
        if after_ns < 0 {
            return Some(after_ns.saturating_neg());
        }
        let at = after_ns.rem_euclid(period * MS);
        let edges = on.iter().flat_map(|(from, to)| [from * MS, to * MS]).chain([period * MS]);
        edges.filter(|edge| *edge > at).min().map(|edge| edge - at)
    }
}

#[cfg(test)]
mod test {
    use super::*;

    /// The changes within some seconds, as (milliseconds, on), walked along `changes_after`.
    fn walked(rhythm: Rhythm, until_ms: i64) -> Vec<(i64, bool)> {
        let mut at = 0;
        let mut found = vec![(0, rhythm.is_on(0))];
        while let Some(after) = rhythm.changes_after(at).filter(|after| at + after <= until_ms * MS) {
            assert!(after > 0, "it would spin");
            at += after;
            if found.last().is_some_and(|(_, on)| *on != rhythm.is_on(at)) {
                found.push((at / MS, rhythm.is_on(at)));
            }
        }
        found
    }

    #[test]
    fn each_rhythm_is_told_apart_by_its_times_alone() {
        assert_eq!(walked(Rhythm::Off, 60_000), [(0, false)]);
        assert_eq!(walked(Rhythm::Steady, 60_000), [(0, true)]);
        assert_eq!(walked(Rhythm::Wink, 2100), [(0, true), (150, false), (2000, true)]);
        assert_eq!(walked(Rhythm::Quick, 600), [(0, true), (250, false), (500, true)]);
        assert_eq!(walked(Rhythm::Once, 60_000), [(0, true), (500, false)]);
        let twice = [(0, true), (300, false), (500, true), (800, false), (15_000, true)];
        assert_eq!(walked(Rhythm::Twice, 15_100), twice);
        assert_eq!(walked(Rhythm::Call, 10_000), [(0, true), (1000, false), (10_000, true)]);
        assert_eq!(walked(Rhythm::Alarm, 1000), [(0, true), (500, false), (1000, true)]);
    }

    #[test]
    fn the_flashes_keep_their_rates() {
        // IEC 60073, from memory: a normal flash comes 1.4 to 2.8 times a second.
        let flashes = walked(Rhythm::Quick, 10_000).iter().filter(|(_, on)| *on).count() - 1;
        assert!((14..=28).contains(&flashes), "{flashes} in ten seconds");
    }

    #[test]
    fn what_was_told_often_enough_is_silent_for_good() {
        let tones = walked(Rhythm::Twice, 3_600_000).iter().filter(|(_, on)| *on).count();
        assert_eq!(tones, 20, "two tones, ten times");
        assert!(Rhythm::Twice.is_over(150_000 * MS) && !Rhythm::Alarm.is_over(i64::MAX));
    }
}
