//! Lengths, characters and dates of particulars: what fits on a label, a page and a report.

use super::{Limit, Particulars};
use crate::domain::moment::Moment;
use rust_decimal::Decimal;

/// Longest identifier: what a Code 128 of a usual reader's width holds.
pub const IDENTIFIER_MAX: usize = 48;
/// Longest other particular, in characters.
pub const WORDS_MAX: usize = 80;
/// No clock on earth is further ahead of coordinated universal time than 14 hours (time zone
/// database: Kiribati, UTC+14); what lies beyond that is in the future everywhere.
const AHEAD_NS: i64 = 14 * 3600 * 1_000_000_000;

/// What is wrong with which particular.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Its name in the act.
    pub field: &'static str,
    /// What is wrong, and what to give.
    pub why: String,
}

fn fault<T>(field: &'static str, why: impl Into<String>) -> Result<T, Fault> {
    Err(Fault { field, why: why.into() })
}

/// The particulars with blanks taken off their ends and empty ones taken away, or the first that
/// cannot stand.
pub fn checked(given: &Particulars, now: &Moment) -> Result<Particulars, Fault> {
    Ok(Particulars {
        identifier: identifier(given.identifier.as_deref())?,
        project: words("project", given.project.as_deref())?,
        lot: words("lot", given.lot.as_deref())?,
        quantity: words("quantity", given.quantity.as_deref())?,
        material: words("material", given.material.as_deref())?,
        source: words("source", given.source.as_deref())?,
        sampled_by: words("sampled-by", given.sampled_by.as_deref())?,
        sampled_where: words("sampled-where", given.sampled_where.as_deref())?,
        sampled_at: when("sampled-at", given.sampled_at.as_deref(), now)?,
        intended_use: words("intended-use", given.intended_use.as_deref())?,
        limit: given.limit.as_ref().map(limit).transpose()?,
        brought_by: words("brought-by", given.brought_by.as_deref())?,
        brought_at: when("brought-at", given.brought_at.as_deref(), now)?,
    })
}

fn words(field: &'static str, given: Option<&str>) -> Result<Option<String>, Fault> {
    let Some(text) = given.map(str::trim).filter(|t| !t.is_empty()) else { return Ok(None) };
    if text.chars().count() > WORDS_MAX {
        return fault(field, format!("give at most {WORDS_MAX} characters"));
    }
    if text.chars().any(char::is_control) {
        return fault(field, "holds a character that cannot be printed; type it on one line");
    }
    Ok(Some(text.to_owned()))
}

/// An identifier is also a code on a label: printable ASCII (Code 128, set B), and none that a
/// scan could take for the station's own.
fn identifier(given: Option<&str>) -> Result<Option<String>, Fault> {
    let field = "identifier";
    let Some(text) = given.map(str::trim).filter(|t| !t.is_empty()) else { return Ok(None) };
    if text.chars().count() > IDENTIFIER_MAX {
        return fault(field, format!("give at most {IDENTIFIER_MAX} characters"));
    }
    if let Some(odd) = text.chars().find(|c| !matches!(c, ' '..='~')) {
        let odd = odd.escape_debug();
        return fault(
            field,
            format!("holds `{odd}`; use letters without accents, digits and signs, as a bar code does"),
        );
    }
    if super::code::id_of(text).is_some() {
        return fault(field, "is a code of this station's own labels; scan it to open that sample");
    }
    Ok(Some(text.to_owned()))
}

/// A date, or a date and a time of day, as ISO 8601 writes them; seconds are dropped.
fn when(field: &'static str, given: Option<&str>, now: &Moment) -> Result<Option<String>, Fault> {
    let Some(text) = given.map(str::trim).filter(|t| !t.is_empty()) else { return Ok(None) };
    let spaced = text.replacen(' ', "T", 1);
    let (date, time) = match spaced.split_once('T') {
        Some((date, time)) => (date, Some(time)),
        None => (spaced.as_str(), None),
    };
    let date = date.parse::<jiff::civil::Date>();
    let time = time.map(str::parse::<jiff::civil::Time>).transpose();
    let (Ok(date), Ok(time)) = (date, time) else {
        return fault(field, format!("`{text}` is no date; write it like 2026-11-24 or 2026-11-24T07:30"));
    };
    let begins = date.to_datetime(time.unwrap_or(jiff::civil::Time::midnight()));
    let latest = jiff::Timestamp::from_nanosecond(i128::from(now.wall_ns.saturating_add(AHEAD_NS)))
        .map(|latest| jiff::tz::TimeZone::UTC.to_datetime(latest));
    if latest.is_ok_and(|latest| begins > latest) {
        return fault(field, format!("`{text}` lies in the future; see the date and the station's clock"));
    }
    if date.year() < 1990 {
        return fault(field, format!("`{text}` lies too long ago; see the year"));
    }
    Ok(Some(match time {
        Some(time) => format!("{date}T{:02}:{:02}", time.hour(), time.minute()),
        None => date.to_string(),
    }))
}

/// A ratio of 0 to 100, with at most two decimals, of a named specification.
fn limit(given: &Limit) -> Result<Limit, Fault> {
    // Its digits stand as they were written: a value is compared at their last place (ASTM E29).
    let at_least = given.at_least;
    if at_least < Decimal::ZERO || at_least > Decimal::ONE_HUNDRED || at_least.scale() > 2 {
        return fault("limit", "give 0 to 100, with at most two decimals");
    }
    let Some(specification) = words("limit", Some(&given.specification))? else {
        return fault("limit", "name the specification that sets it");
    };
    Ok(Limit { at_least, specification })
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::domain::moment::test::at;

    fn one(field: &str, value: &str) -> Result<Particulars, Fault> {
        let given = serde_json::from_value(serde_json::json!({ field: value })).unwrap();
        // 2026-11-25T04:00:00Z, by `date -d`.
        let now = Moment { wall_ns: 1_795_579_200_000_000_000, ..at(0) };
        checked(&given, &now)
    }

    #[test]
    fn blanks_go_and_empty_fields_are_absent() {
        let kept = one("material", "  crushed sand \t").unwrap();
        assert_eq!(kept.material.as_deref(), Some("crushed sand"));
        assert!(one("project", "   ").unwrap().is_empty());
    }

    #[test]
    fn what_does_not_fit_or_cannot_be_printed_is_refused_by_its_name() {
        for (field, value) in [
            ("lot", "x".repeat(81)),
            ("source", "two\nlines".to_owned()),
            ("sampled-by", "bell\u{7}".to_owned()),
            ("identifier", "x".repeat(49)),
            ("identifier", "S\u{fc}d-7".to_owned()),
            ("identifier", "tab\there".to_owned()),
        ] {
            assert_eq!(one(field, &value).unwrap_err().field, field, "{value:?}");
        }
        assert_eq!(one("lot", &"ü".repeat(80)).unwrap().lot.unwrap().chars().count(), 80);
    }

    #[test]
    fn an_identifier_is_no_code_of_our_own() {
        let id = uuid::Uuid::from_u128(0x019f_0000_0000_7000_8000_0000_0000_0001);
        for text in [super::super::code::digits(id), id.to_string(), id.simple().to_string()] {
            let fault = one("identifier", &text).unwrap_err();
            assert!(fault.why.contains("scan it"), "{text}: {}", fault.why);
        }
    }

    #[test]
    fn dates_are_dates_and_not_of_the_future() {
        let taken = |text| one("sampled-at", text).map(|p| p.sampled_at.unwrap());
        assert_eq!(taken("2026-11-24").unwrap(), "2026-11-24");
        assert_eq!(taken("2026-11-24 07:30").unwrap(), "2026-11-24T07:30");
        assert_eq!(taken("2026-11-24T07:30:59").unwrap(), "2026-11-24T07:30");
        // In the furthest time zone it is 18:00 of the 25th now.
        assert!(taken("2026-11-25T17:59").is_ok());
        for bad in ["2026-11-25T18:01", "2026-11-26", "24.11.2026", "2026-02-30", "yesterday", "0026-11-24"] {
            assert!(taken(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_limit_is_a_ratio_of_a_named_specification() {
        let limit = |at_least: &str, specification: &str| {
            let given = serde_json::json!({"limit": {"at-least": at_least, "specification": specification}});
            checked(&serde_json::from_value(given).unwrap(), &at(0)).map(|p| p.limit.unwrap())
        };
        assert_eq!(limit("45.00", " Base course ").unwrap().specification, "Base course");
        assert_eq!(limit("45.00", "B").unwrap().at_least.to_string(), "45.00", "as it is written");
        for (at_least, specification) in [("-1", "B"), ("100.01", "B"), ("45.125", "B"), ("45", " ")] {
            assert_eq!(limit(at_least, specification).unwrap_err().field, "limit", "{at_least}");
        }
    }
}
