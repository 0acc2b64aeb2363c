//! Days as people write them, in the laboratory's zone, as instants. PURE.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use std::ops::Range;

/// Days that are no range.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DaysFault {
    /// No date.
    #[error("`{key}` is `{text}`; write a day like 2026-11-25")]
    Date {
        /// Which of the two.
        key: &'static str,
        /// What was given.
        text: String,
    },
    /// The last day comes before the first.
    #[error("the last day {to} comes before the first day {from}: change them over")]
    Reversed {
        /// The first day.
        from: Date,
        /// The last day.
        to: Date,
    },
    /// A day that no clock knows.
    #[error("{0} is no day that a clock knows")]
    Beyond(Date),
}

/// First and last day; either may be open.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Days {
    /// The first day.
    pub from: Option<Date>,
    /// The last day.
    pub to: Option<Date>,
}

impl Days {
    /// Reads both; an empty text is an open end.
    pub fn read(from: Option<&str>, to: Option<&str>) -> Result<Self, DaysFault> {
        let read = |key, text: Option<&str>| match text.map(str::trim).filter(|t| !t.is_empty()) {
            None => Ok(None),
            Some(text) => text.parse().map(Some).map_err(|_| DaysFault::Date { key, text: text.to_owned() }),
        };
        let days = Self { from: read("from", from)?, to: read("to", to)? };
        match (days.from, days.to) {
            (Some(from), Some(to)) if to < from => Err(DaysFault::Reversed { from, to }),
            _ => Ok(days),
        }
    }

    /// From the first instant of the first day to the first one after the last, nanoseconds of wall
    /// time; where a change of the clocks skips midnight, the day begins later.
    pub fn span(&self, zone: &TimeZone) -> Result<Range<Option<i64>>, DaysFault> {
        let begin = |date: Date| {
            let at = date.to_zoned_datetime(zone.clone()).ok()?;
            i64::try_from(at.timestamp().as_nanosecond()).ok()
        };
        let start = self.from.map(|day| begin(day).ok_or(DaysFault::Beyond(day))).transpose()?;
        let after = |day: Date| day.tomorrow().ok().and_then(begin).ok_or(DaysFault::Beyond(day));
        Ok(start..self.to.map(after).transpose()?)
    }

    /// In words, for messages and names of files.
    pub fn words(&self) -> String {
        match (self.from, self.to) {
            (None, None) => "all".to_owned(),
            (Some(from), None) => format!("{from}-on"),
            (None, Some(to)) => format!("to-{to}"),
            (Some(from), Some(to)) if from == to => from.to_string(),
            (Some(from), Some(to)) => format!("{from}-to-{to}"),
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn a_range_holds_its_last_day_whole_also_when_the_clocks_change() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let hours = |from, to| {
            let span = Days::read(Some(from), Some(to)).unwrap().span(&zone).unwrap();
            (span.end.unwrap() - span.start.unwrap()) / 3_600_000_000_000
        };
        // Summer time ended there on 25 October 2026 (time zone database).
        assert_eq!(hours("2026-10-25", "2026-10-25"), 25);
        assert_eq!(hours("2026-10-24", "2026-10-26"), 24 + 25 + 24);
        let open = Days::read(None, Some(" ")).unwrap();
        assert_eq!((open.span(&zone).unwrap(), open.words().as_str()), (None..None, "all"));
    }

    #[test]
    fn what_is_no_range_is_said() {
        let fault = |from, to| Days::read(Some(from), Some(to)).unwrap_err().to_string();
        assert_eq!(
            fault("2026-11-25", "2026-11-02"),
            "the last day 2026-11-02 comes before the first day 2026-11-25: change them over"
        );
        assert_eq!(fault("25.11.2026", "2026-11-02"), "`from` is `25.11.2026`; write a day like 2026-11-25");
        assert_eq!(fault("2026-11-02", "2026-02-30"), "`to` is `2026-02-30`; write a day like 2026-11-25");
        let far = Days::read(Some("9999-12-31"), None).unwrap();
        assert!(far.span(&TimeZone::UTC).is_err(), "no 64-bit count of nanoseconds goes there");
    }
}
