//! The samples of a day: what was registered or left the bench on it, and today what is at work.

use super::{AppState, Problem, Whole, bad, unread, unreadable};
use crate::domain::bench::Bench;
use crate::domain::moment::Moment;
use crate::domain::shared::Shared;
use crate::domain::specimen::sample::Sample;
use crate::journal::{ClosedFound, ClosedWanted, Reader};
use crate::web::access::Access;
use crate::web::aside::aside;
use crate::web::view::samples as view;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::{Extension, Json};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Deserialize;
use serde_json::{Value, json};
use std::ops::Range;
use std::sync::Arc;
use uuid::Uuid;

/// Days of one answer, at most.
const DAYS_MOST: u8 = 31;
/// Samples of one answer, at most.
const MOST: u32 = 500;
/// Longest text that is looked for, in characters.
const FIND_MAX: usize = 80;
/// An identity's own time may differ this much from the time at which the sample was registered: a
/// stated time, a clock that was set.
const SLACK_MS: i64 = 86_400_000;

/// Which samples.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wanted {
    /// The last day; today if absent.
    day: Option<String>,
    /// Days up to it: 1 to 31.
    days: Option<u8>,
    /// Only those in which this text stands, small or capital.
    find: Option<String>,
}

/// A list, the last registered first.
pub(super) async fn list(
    State(state): State<AppState>,
    Extension(access): Extension<Access>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Result<Json<Value>, Problem> {
    let Query(mut wanted) = wanted.map_err(|e| bad(e.body_text()))?;
    // Without an account: today, as the room page shows it.
    let stranger = matches!(access, Access::Stranger);
    if stranger {
        wanted = Wanted { day: None, days: None, find: None };
    }
    let zone = TimeZone::get(&state.zone).unwrap_or(TimeZone::UTC);
    let today = today(&state, &zone);
    let day = match wanted.day.as_deref().map(str::trim).filter(|d| !d.is_empty()) {
        None => today,
        Some(text) => {
            text.parse().map_err(|_| bad(format!("`day` is `{text}`; write it like 2026-11-25")))?
        }
    };
    let days = wanted.days.unwrap_or(1);
    if !(1..=DAYS_MOST).contains(&days) {
        return Err(bad(format!("`days` is {days}; give 1 to {DAYS_MOST}")));
    }
    let find = wanted.find.unwrap_or_default().trim().to_lowercase();
    if find.chars().count() > FIND_MAX {
        return Err(bad(format!("`find` is too long; give at most {FIND_MAX} characters")));
    }
    let span =
        span(day, days, &zone).ok_or_else(|| bad(format!("`day` is `{day}`, which no clock knows")))?;
    let asked = Asked { day, today, days, span, find, zone: state.zone.clone() };
    let committed = state.station.committed().borrow().clone();
    let path = state.journal.path().to_path_buf();
    // Read by a connection and on a thread of its own: nothing at the bench waits for a month of samples.
    let read = move || {
        let gone =
            Reader::open(&path).map_err(unreadable).and_then(|reader| of_days(&reader, &asked.span))?;
        let list = asked.list(&committed.shown(), gone);
        Ok(Json(if stranger { crate::web::view::room::results(&list) } else { list }))
    };
    aside(&state, &access, read).await?
}

/// What is listed.
struct Asked {
    /// The last day.
    day: Date,
    today: Date,
    days: u8,
    span: Range<i64>,
    /// In small letters.
    find: String,
    zone: Arc<str>,
}

impl Asked {
    /// Of what has left the bench, cut off or not, and of what is at work.
    fn list(&self, bench: &Bench, (mut samples, cut): (Vec<Short>, bool)) -> Value {
        let is_listed = |short: &Short| {
            self.day >= self.today || self.span.contains(&short.sample.registered.moment.wall_ns)
        };
        let here = bench.samples.values().map(|sample| Short::at_work(bench, sample));
        samples.extend(here.filter(is_listed));
        let mut rows: Vec<((i64, Uuid), Value)> =
            samples.iter().filter_map(|short| row(bench, short, &self.find)).collect();
        rows.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
        json!({
            "day": self.day.to_string(),
            "today": self.today.to_string(),
            "days": self.days,
            "zone": &*self.zone,
            "cut": cut,
            "all": samples.len(),
            "samples": rows.into_iter().map(|(_, row)| row).collect::<Vec<_>>(),
        })
    }
}

/// As much of a sample as its line needs: the specimens of a month, read whole, would take a tenth of a
/// second.
#[derive(Debug, Deserialize)]
struct Short {
    sample: Shared<Sample>,
    specimens: Vec<Named>,
    /// When it left the bench; `None`: it is at work.
    closed: Option<Moment>,
}

#[derive(Debug, Deserialize)]
struct Named {
    label: String,
}

impl Short {
    fn at_work(bench: &Bench, sample: &Shared<Sample>) -> Self {
        let Whole { sample, specimens, left } = Whole::at_work(bench, sample);
        let specimens = specimens.iter().map(|s| Named { label: s.label.clone() }).collect();
        Self { sample, specimens, closed: left }
    }

    fn read(row: &ClosedFound) -> Result<Self, Problem> {
        serde_json::from_str(&row.state).map_err(|e| unread(row, &e))
    }
}

fn row(bench: &Bench, short: &Short, find: &str) -> Option<((i64, Uuid), Value)> {
    let sample = &short.sample;
    let specimens = short.specimens.iter().map(|specimen| specimen.label.as_str()).collect();
    let line = view::Line { bench, sample, specimens, left: short.closed };
    let has = find.is_empty() || line.words().iter().any(|words| words.to_lowercase().contains(find));
    has.then(|| ((sample.registered.moment.wall_ns, sample.id), line.value()))
}

fn today(state: &AppState, zone: &TimeZone) -> Date {
    let now = jiff::Timestamp::from_nanosecond(i128::from(state.clock.now().wall_ns));
    zone.to_datetime(now.unwrap_or(jiff::Timestamp::UNIX_EPOCH)).date()
}

/// From the first midnight to the one after the last day, in nanoseconds of wall time.
fn span(day: Date, days: u8, zone: &TimeZone) -> Option<Range<i64>> {
    let first = day.checked_sub(jiff::Span::new().days(i64::from(days) - 1)).ok()?;
    let midnight = |date: Date| {
        // The first instant of the day, where a change of the clocks skips midnight too.
        let at = date.to_zoned_datetime(zone.clone()).ok()?;
        i64::try_from(at.timestamp().as_nanosecond()).ok()
    };
    Some(midnight(first)?..midnight(day.tomorrow().ok()?)?)
}

/// What has left the bench and belongs to the days: it left on them, or was registered on them; and
/// whether there was more of it.
fn of_days(reader: &Reader, span: &Range<i64>) -> Result<(Vec<Short>, bool), Problem> {
    let left =
        ClosedWanted { from_ns: Some(span.start), before_ns: Some(span.end), ..ClosedWanted::default() };
    // What is read takes the time: each row once.
    let made = ClosedWanted {
        ids: Some(identities(span)),
        not_left: Some((span.start, span.end)),
        ..ClosedWanted::default()
    };
    let left = reader.closed_page(&left, MOST).map_err(unreadable)?;
    let made = reader.closed_page(&made, MOST).map_err(unreadable)?;
    let full = |page: &[ClosedFound]| u32::try_from(page.len()).is_ok_and(|n| n >= MOST);
    let cut = full(&left) || full(&made);
    let mut found = left.iter().map(Short::read).collect::<Result<Vec<_>, _>>()?;
    // One that cannot be read is told on the day on which it left.
    let made = made.iter().filter_map(|row| Short::read(row).ok());
    found.extend(made.filter(|short| span.contains(&short.sample.registered.moment.wall_ns)));
    Ok((found, cut))
}

/// The identities that may have been made in a span: of version 7, which begin with their
/// millisecond (RFC 9562, section 5.7).
fn identities(span: &Range<i64>) -> (Uuid, Uuid) {
    let first_of = |ms: i64| Uuid::from_u128(u128::try_from(ms).unwrap_or(0) << 80);
    let ms = |ns: i64| ns.div_euclid(1_000_000);
    (first_of(ms(span.start) - SLACK_MS), first_of(ms(span.end) + SLACK_MS))
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn a_day_lasts_from_midnight_to_midnight_of_its_zone_also_when_the_clocks_change() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let hours = |day: &str| {
            let span = span(day.parse().unwrap(), 1, &zone).unwrap();
            (span.end - span.start) / 3_600_000_000_000
        };
        // Summer time began there on 29 March 2026 and ended on 25 October 2026 (time zone database).
        assert_eq!((hours("2026-11-25"), hours("2026-03-29"), hours("2026-10-25")), (24, 23, 25));
        let week = span("2026-11-25".parse().unwrap(), 7, &zone).unwrap();
        assert_eq!((week.end - week.start) / 3_600_000_000_000, 7 * 24);
    }
}
