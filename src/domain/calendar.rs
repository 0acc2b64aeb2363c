//! Days of the laboratory's own calendar as instants. The core reads no file of time zones: the offsets
//! from UTC that hold around a start come in with it, as data.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

const SECOND: i64 = super::moment::SECOND;
const YEAR: i64 = 366 * 86_400 * SECOND;
/// Years before and after a start whose changes of the clocks are known. Outside of them the first and
/// the last offset hold: of a day so far away the end may be wrong by an hour.
const BEFORE: i64 = 3;
const AFTER: i64 = 10;

/// Offsets from UTC, in seconds. As shipped: UTC.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Calendar {
    /// The offset before the first change.
    first: i32,
    /// Instants from which on another offset holds, nanoseconds since 1970-01-01T00:00:00Z, ascending.
    changes: Vec<(i64, i32)>,
}

impl Calendar {
    /// That of a time zone, around an instant.
    pub fn around(zone: &TimeZone, now_ns: i64) -> Self {
        let stamp = |ns: i64| Timestamp::from_nanosecond(i128::from(ns)).unwrap_or_default();
        let first = stamp(now_ns.saturating_sub(BEFORE * YEAR));
        let last = stamp(now_ns.saturating_add(AFTER * YEAR));
        let changes = zone.following(first).take_while(|change| change.timestamp() <= last);
        let changes = changes.filter_map(|change| {
            Some((i64::try_from(change.timestamp().as_nanosecond()).ok()?, change.offset().seconds()))
        });
        Self { first: zone.to_offset(first).seconds(), changes: changes.collect() }
    }

    /// Of UTC, as every start was told of before there was a calendar.
    pub fn is_utc(&self) -> bool {
        *self == Self::default()
    }

    /// The first instant of a day; where a change of the clocks skips midnight, that change.
    pub fn start_of_day(&self, date: Date) -> Option<i64> {
        let midnight = date.to_zoned_datetime(TimeZone::UTC).ok()?.timestamp();
        let midnight = i64::try_from(midnight.as_nanosecond()).ok()?;
        let (mut from, mut offset) = (i64::MIN, self.first);
        let ends = self.changes.iter().map(|(at, next)| (*at, *next)).chain([(i64::MAX, 0)]);
        for (until, next) in ends {
            let at = midnight.checked_sub(i64::from(offset).checked_mul(SECOND)?)?;
            if at < until {
                return Some(at.max(from));
            }
            (from, offset) = (until, next);
        }
        None
    }

    /// The day in which an instant lies.
    pub fn day_of(&self, wall_ns: i64) -> Option<Date> {
        let before = self.changes.iter().take_while(|(at, _)| *at <= wall_ns).last();
        let offset = before.map_or(self.first, |(_, offset)| *offset);
        let here = i128::from(wall_ns) + i128::from(offset) * i128::from(SECOND);
        Some(TimeZone::UTC.to_datetime(Timestamp::from_nanosecond(here).ok()?).date())
    }

    /// The last instant of a day.
    pub fn end_of_day(&self, date: Date) -> Option<i64> {
        self.start_of_day(date.tomorrow().ok()?)?.checked_sub(1)
    }
}

#[cfg(test)]
mod test {
    use super::*;

    fn ns(text: &str) -> i64 {
        i64::try_from(text.parse::<Timestamp>().unwrap().as_nanosecond()).unwrap()
    }

    fn of(zone: &str) -> Calendar {
        Calendar::around(&TimeZone::get(zone).unwrap(), ns("2026-11-28T12:00:00Z"))
    }

    #[test]
    fn a_day_ends_at_midnight_of_the_laboratory() {
        // Denver: seven hours behind UTC in winter, six in summer (time zone database).
        let denver = of("America/Denver");
        assert_eq!(denver.end_of_day("2026-12-31".parse().unwrap()), Some(ns("2027-01-01T07:00:00Z") - 1));
        assert_eq!(denver.end_of_day("2027-07-04".parse().unwrap()), Some(ns("2027-07-05T06:00:00Z") - 1));
        let utc = Calendar::default();
        assert_eq!(utc.end_of_day("2026-12-31".parse().unwrap()), Some(ns("2027-01-01T00:00:00Z") - 1));
        assert_eq!(of("UTC"), utc);
    }

    #[test]
    fn every_day_of_ten_years_begins_when_the_time_zone_database_says() {
        // Zones that change at midnight, by half an hour, with negative summer time, far from UTC.
        for name in [
            "America/Denver",
            "Europe/Berlin",
            "Europe/Dublin",
            "Australia/Lord_Howe",
            "Africa/Cairo",
            "America/Santiago",
            "America/Havana",
            "Asia/Kathmandu",
            "Pacific/Kiritimati",
            "Africa/Casablanca",
        ] {
            let (zone, calendar) = (TimeZone::get(name).unwrap(), of(name));
            let mut day: Date = "2024-01-01".parse().unwrap();
            while day < "2036-01-01".parse().unwrap() {
                let expected = day.to_zoned_datetime(zone.clone()).unwrap().timestamp().as_nanosecond();
                let start = calendar.start_of_day(day);
                assert_eq!(start.map(i128::from), Some(expected), "{name} {day}");
                let end = calendar.end_of_day(day).unwrap();
                assert_eq!(start.and_then(|at| calendar.day_of(at)), Some(day), "{name} {day}");
                assert_eq!(calendar.day_of(end), Some(day), "{name} {day}");
                day = day.tomorrow().unwrap();
            }
        }
    }

    #[test]
    fn beyond_the_calendar_there_is_no_day() {
        assert_eq!(of("Europe/Berlin").end_of_day(Date::MAX), None);
        assert!(of("Europe/Berlin").end_of_day("2099-12-31".parse().unwrap()).is_some());
    }
}
