//! The day on which a check is due again, by the calendar of UTC.

use super::rules::{Every, EveryUnit};
use crate::domain::moment::{MINUTE, SECOND};
use jiff::{Span, Timestamp, tz::TimeZone};

const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

/// The instant at which a check made at `wall_ns` must have been made again. Months end on the
/// same day of the month, or on its last where it has none.
pub(super) fn due(wall_ns: i64, every: &Every) -> i64 {
    let count = i64::from(every.value);
    match every.unit {
        EveryUnit::Hours => wall_ns.saturating_add(count.saturating_mul(HOUR)),
        EveryUnit::Days => wall_ns.saturating_add(count.saturating_mul(DAY)),
        EveryUnit::Months => {
            let made =
                Timestamp::from_nanosecond(i128::from(wall_ns)).map(|t| t.to_zoned_datetime(TimeZone::UTC));
            let then = made.and_then(|made| made.checked_add(Span::new().try_months(count)?));
            let ns = then.ok().and_then(|then| i64::try_from(then.timestamp().as_nanosecond()).ok());
            // Beyond the calendar nothing is due.
            ns.unwrap_or(i64::MAX)
        }
    }
}

/// How long before its end an interval counts as due soon: a twelfth of it, so a month for a year
/// (common practice, no source).
pub(super) fn soon(every: &Every) -> i64 {
    let count = i64::from(every.value);
    let whole = match every.unit {
        EveryUnit::Hours => count.saturating_mul(HOUR),
        EveryUnit::Days => count.saturating_mul(DAY),
        EveryUnit::Months => count.saturating_mul(30 * DAY),
    };
    (whole / 12).max(SECOND)
}

#[cfg(test)]
mod test {
    use super::*;

    fn ns(text: &str) -> i64 {
        i64::try_from(text.parse::<Timestamp>().unwrap().as_nanosecond()).unwrap()
    }

    fn every(value: u32, unit: EveryUnit) -> Every {
        let confidence = crate::domain::method::Confidence::Agency;
        Every { value, unit, source: String::new(), confidence }
    }

    #[test]
    fn a_year_later_is_the_same_day_and_the_last_day_stays_the_last() {
        for (made, months, is_due) in [
            ("2026-03-14T08:30:00Z", 12, "2027-03-14T08:30:00Z"),
            ("2026-08-31T08:30:00Z", 6, "2027-02-28T08:30:00Z"),
            ("2027-08-31T08:30:00Z", 6, "2028-02-29T08:30:00Z"),
            ("2028-02-29T23:59:59Z", 12, "2029-02-28T23:59:59Z"),
        ] {
            assert_eq!(due(ns(made), &every(months, EveryUnit::Months)), ns(is_due), "{made}");
        }
        let made = ns("2026-03-14T08:30:00Z");
        assert_eq!(due(made, &every(16, EveryUnit::Hours)), ns("2026-03-15T00:30:00Z"));
        assert_eq!(soon(&every(12, EveryUnit::Months)), 30 * DAY);
    }
}
