//! Temperature of the solution over the watched time of one specimen, weighted by time.
//!
//! Each reading holds until the next one, or until it is stale; what is left over is time
//! without a reading. Nothing is interpolated. Whole microseconds and thousandths of a degree.

use crate::domain::bench::ProbeStands;
use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Range, Side, Unit};
use crate::domain::reading::{Applied, Certificate};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::{Deserialize, Serialize};

/// A reading that may still hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Held {
    /// The temperature.
    pub temperature: Quantity,
    /// When it was read.
    pub moment: Moment,
    /// How it was corrected, if it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub applied: Option<Applied>,
}

/// The tally.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Tally {
    /// Instant up to which time has been shared out; `None`: the watch has not opened.
    pub counted_to: Option<Moment>,
    /// The watch has closed.
    pub closed: bool,
    /// Microseconds with a reading.
    pub covered_us: i64,
    /// Microseconds below the lower limit.
    pub below_us: i64,
    /// Microseconds above the upper limit.
    pub above_us: i64,
    /// Microseconds without a reading.
    pub missing_us: i64,
    /// Readings that lay outside the limits, however short.
    pub readings_outside: u32,
    /// Readings in all.
    pub readings: u32,
    /// Sum of thousandths of a degree times microseconds.
    pub sum: i64,
    /// Unit of `sum`.
    pub unit: Option<Unit>,
    /// Lowest reading.
    pub lowest: Option<Quantity>,
    /// Highest reading.
    pub highest: Option<Quantity>,
    /// How the lowest reading was corrected, if it was.
    #[serde(default)]
    pub lowest_applied: Option<Applied>,
    /// How the highest reading was corrected, if it was.
    #[serde(default)]
    pub highest_applied: Option<Applied>,
    /// When the last reading that counts was read.
    #[serde(default)]
    pub met: Option<Moment>,
    /// Where the readings came from, in order; the last one still speaks.
    #[serde(default)]
    pub sources: Vec<Source>,
    /// From when on was counted.
    #[serde(default)]
    pub opened: Option<Moment>,
    /// An end of the watch was corrected after it had been counted.
    #[serde(default)]
    pub moved: bool,
}

/// Where readings came from, and how long each of them held.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Source {
    /// Name of the instrument in the settings.
    pub instrument: String,
    /// Path of its port.
    pub port: String,
    /// Where the probe stood.
    pub stands_in: ProbeStands,
    /// Seconds that a reading held.
    pub holds_s: u32,
    /// The certificate that its readings are corrected by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate: Option<Certificate>,
}

impl Tally {
    /// The watch is open.
    pub fn is_open(&self) -> bool {
        self.counted_to.is_some() && !self.closed
    }

    /// Opens the watch; a reading that holds at that instant belongs to it.
    pub fn open(&mut self, at: Moment, held: Option<&Held>, stale_ns: i64, limits: &Range) {
        self.counted_to = Some(at);
        self.opened = Some(at);
        if let Some(held) = held
            && held.moment.holds_at(&at, stale_ns)
        {
            self.meet(held, limits);
        }
    }

    /// A new reading while the watch is open: shares out the time before it, then meets it.
    pub fn read(&mut self, new: &Held, before: Option<&Held>, stale_ns: i64, limits: &Range) {
        if self.is_open() {
            self.count(&new.moment, before, stale_ns, limits);
            self.meet(new, limits);
        }
    }

    /// Notes where the readings come from, while the watch is open.
    pub fn note_source(&mut self, source: &Source) {
        if self.is_open() && self.sources.last() != Some(source) {
            self.sources.push(source.clone());
        }
    }

    /// Closes the watch.
    pub fn close(&mut self, at: &Moment, held: Option<&Held>, stale_ns: i64, limits: &Range) {
        if self.is_open() {
            self.count(at, held, stale_ns, limits);
            self.closed = true;
        }
    }

    /// Shares out the time up to `until`.
    pub fn count(&mut self, until: &Moment, held: Option<&Held>, stale_ns: i64, limits: &Range) {
        let Some(from) = self.counted_to else { return };
        let span_ns = until.since(&from).ns;
        if self.closed || span_ns <= 0 {
            return;
        }
        // How old a reading is that came before the machine's last start the clocks may not tell.
        let held = held.filter(|h| h.moment.boot == from.boot || from.known_since(&h.moment).is_some());
        let covered_ns = held.map_or(0, |h| {
            let read = h.moment.since(&from).ns; // negative: read before `from`
            // Before the machine's last start, even where the wall clock woke up behind.
            let started = span_ns.saturating_sub(until.boot_ns);
            let starts_at = if h.moment.boot == until.boot { read } else { read.min(started) };
            let first = starts_at.clamp(0, span_ns);
            let last = starts_at.saturating_add(stale_ns).clamp(first, span_ns);
            last - first
        });
        let held_us = covered_ns / 1000;
        self.missing_us += span_ns / 1000 - held_us;
        self.covered_us += held_us;
        self.counted_to = Some(*until);
        let Some(held) = held.filter(|_| held_us > 0) else { return };
        if self.met != Some(held.moment) {
            // The watch was opened at a stated time, before this reading was there.
            self.meet(held, limits);
        }
        match limits.side(&held.temperature) {
            Some(Side::Below) => self.below_us += held_us,
            Some(Side::Above) => self.above_us += held_us,
            Some(Side::Within) | None => {}
        }
        let unit = *self.unit.get_or_insert(held.temperature.unit);
        let thousandths = held
            .temperature
            .convert(unit)
            .and_then(|q| q.value.checked_mul(Decimal::ONE_THOUSAND)?.round().to_i64())
            .unwrap_or(0);
        self.sum = self.sum.saturating_add(thousandths.saturating_mul(held_us));
    }

    fn meet(&mut self, held: &Held, limits: &Range) {
        let temperature = &held.temperature;
        self.met = Some(held.moment);
        self.readings += 1;
        if !matches!(limits.side(temperature), Some(Side::Within)) {
            self.readings_outside += 1;
        }
        let lower = |q: &Quantity| temperature.compare(q).is_some_and(std::cmp::Ordering::is_lt);
        let higher = |q: &Quantity| temperature.compare(q).is_some_and(std::cmp::Ordering::is_gt);
        if self.lowest.as_ref().is_none_or(lower) {
            (self.lowest, self.lowest_applied) = (Some(*temperature), held.applied);
        }
        if self.highest.as_ref().is_none_or(higher) {
            (self.highest, self.highest_applied) = (Some(*temperature), held.applied);
        }
    }

    /// Time-weighted mean to a hundredth of a degree, halves away from zero.
    pub fn mean(&self) -> Option<Quantity> {
        let unit = self.unit.filter(|_| self.covered_us > 0)?;
        let thousandths = Decimal::from(self.sum).checked_div(Decimal::from(self.covered_us))?;
        let value = (thousandths / Decimal::ONE_THOUSAND)
            .round_dp_with_strategy(2, rust_decimal::RoundingStrategy::MidpointAwayFromZero);
        Some(Quantity::new(value, unit))
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::{SECOND, test::at};

    fn held(text: &str, s: i64) -> Held {
        let temperature = Quantity::new(text.parse().unwrap(), Unit::Celsius);
        Held { temperature, moment: at(s * SECOND), applied: None }
    }

    fn limits() -> Range {
        Range { min: Some(19.into()), max: Some(25.into()), unit: Unit::Celsius }
    }

    #[test]
    fn each_reading_holds_until_it_is_stale_and_the_rest_is_time_without_a_reading() {
        let stale = 15 * SECOND;
        let mut tally = Tally::default();
        let (a, b, c) = (held("22.0", -5), held("26.0", 10), held("20.00", 20));
        tally.open(at(0), Some(&a), stale, &limits());
        tally.read(&b, Some(&a), stale, &limits()); // 0..10 s at 22
        tally.read(&c, Some(&b), stale, &limits()); // 10..20 s at 26: outside
        tally.close(&at(60 * SECOND), Some(&c), stale, &limits()); // 20..35 s at 20, then nothing
        assert_eq!(tally.covered_us, 35_000_000);
        assert_eq!(tally.above_us, 10_000_000);
        assert_eq!(tally.missing_us, 25_000_000);
        assert_eq!((tally.readings, tally.readings_outside), (3, 1));
        // (22 x 10 + 26 x 10 + 20 x 15) / 35 = 22.2857…
        assert_eq!(tally.mean().unwrap().value.to_string(), "22.29");
        assert_eq!(tally.lowest.unwrap().value.to_string(), "20.00");
    }

    #[test]
    fn no_reading_is_never_within() {
        let mut tally = Tally::default();
        tally.open(at(0), None, 15 * SECOND, &limits());
        tally.close(&at(10 * SECOND), None, 15 * SECOND, &limits());
        assert_eq!((tally.missing_us, tally.covered_us, tally.mean()), (10_000_000, 0, None));
    }

    #[test]
    fn a_reading_from_before_the_watch_counts_only_for_what_is_left_of_it() {
        let mut tally = Tally::default();
        let old = held("22.0", -10);
        tally.open(at(0), Some(&old), 15 * SECOND, &limits());
        tally.close(&at(10 * SECOND), Some(&old), 15 * SECOND, &limits());
        assert_eq!((tally.covered_us, tally.missing_us), (5_000_000, 5_000_000));
    }

    #[test]
    fn a_wall_clock_that_woke_up_where_it_stopped_keeps_no_old_reading_alive() {
        let stale = 15 * SECOND;
        // The mains were off for ten minutes, and the wall clock goes on where it stopped.
        let later =
            |s: i64| Moment { boot: uuid::Uuid::from_u128(2), boot_ns: (35 + s) * SECOND, ..at(s * SECOND) };
        let old = held("22.0", -1);
        let mut tally = Tally::default();
        tally.open(at(0), Some(&old), stale, &limits());
        tally.close(&later(5), Some(&old), stale, &limits());
        assert_eq!((tally.covered_us, tally.missing_us), (0, 5_000_000));
        // Nor does it hold for a watch that opens after the start.
        let mut tally = Tally::default();
        tally.open(later(5), Some(&old), stale, &limits());
        assert_eq!(tally.readings, 0);
        tally.close(&later(8), Some(&old), stale, &limits());
        assert_eq!((tally.covered_us, tally.missing_us), (0, 3_000_000));
        // With a clock that went on, what it held before the mains failed counts.
        let right = Moment { boot_ns: 40 * SECOND, ..later(600) };
        let mut tally = Tally::default();
        tally.open(at(0), Some(&old), stale, &limits());
        tally.close(&right, Some(&old), stale, &limits());
        assert_eq!((tally.covered_us, tally.missing_us), (14_000_000, 586_000_000));
    }
}
