//! Documents of other stations, bounded.

use super::{MOST_BYTES, MOST_LINES, MOST_PLACES, Overview, Presence, wall_ns};
use crate::domain::moment::SECOND;
use rust_decimal::Decimal;
use serde::Deserialize;

/// Longest name and longest sentence that are kept, in characters: with all places taken and every letter
/// of four bytes, a document is still one that is taken.
pub(super) const MOST_CHARS: usize = 80;
const MOST_SENTENCE: usize = 160;
/// Digits that a temperature keeps behind its point: no thermometer has as many.
const MOST_DECIMALS: u32 = 9;
/// An instant of a document lies at most so far from the document's own: nothing at a bench lasts a week.
const FAR_NS: u64 = 7 * 86_400 * SECOND.unsigned_abs();
/// Largest presence that is looked at, in bytes.
const STATUS_MOST: usize = 4096;

/// What a station says of itself.
///
/// # Errors
/// Why it cannot be taken, in words.
pub(super) fn overview(payload: &[u8]) -> Result<Overview, String> {
    if payload.len() > MOST_BYTES {
        return Err(format!("its overview of {} bytes is over {MOST_BYTES}", payload.len()));
    }
    let mut told: Overview = serde_json::from_slice(payload)
        .map_err(|e| format!("its overview cannot be read: {}", bounded(&e.to_string(), MOST_SENTENCE)))?;
    let at = wall_ns(&told.at).ok_or("its overview says no time at which it was true")?;
    told.places.truncate(MOST_PLACES);
    told.more_alarms = told.more_alarms.saturating_add(cut(&mut told.alarms));
    told.more_results = told.more_results.saturating_add(cut(&mut told.results));
    for running in told.places.iter().filter_map(|p| p.running.as_ref()) {
        let times = [Some(&running.since), running.opens.as_ref(), running.closes.as_ref()];
        let near = |text: &String| wall_ns(text).is_some_and(|ns| ns.abs_diff(at) <= FAR_NS);
        if !times.into_iter().flatten().all(near) {
            return Err("its overview holds a time that is none, or lies days away".to_owned());
        }
    }
    shorten(&mut told);
    Ok(told)
}

/// Lines beyond those that are kept: they are only counted.
fn cut<T>(lines: &mut Vec<T>) -> u64 {
    let over = lines.len().saturating_sub(MOST_LINES);
    lines.truncate(MOST_LINES);
    u64::try_from(over).unwrap_or(u64::MAX)
}

/// Every text that is shown.
pub(super) fn shorten(told: &mut Overview) {
    let mut texts = vec![&mut told.title];
    if let Some(t) = &mut told.temperature {
        texts.extend([&mut t.text, &mut t.unit]);
        if let Some(limits) = &mut t.limits {
            texts.push(&mut limits.unit);
            texts.extend(limits.min.iter_mut().chain(&mut limits.max));
        }
    }
    for place in &mut told.places {
        texts.push(&mut place.label);
        texts.extend(place.next.iter_mut().chain(&mut place.result));
        texts.extend(place.running.as_mut().map(|running| &mut running.step));
    }
    for alarm in &mut told.alarms {
        texts.push(&mut alarm.alarm);
        alarm.text = bounded(&alarm.text, MOST_SENTENCE);
    }
    for result in &mut told.results {
        texts.extend([&mut result.label, &mut result.reported].into_iter().chain(&mut result.verdict));
        result.limit = result.limit.take().map(|limit| bounded(&limit, MOST_SENTENCE));
    }
    for text in texts {
        *text = bounded(text, MOST_CHARS);
    }
    if let Some(t) = &mut told.temperature {
        let limits = t.limits.iter_mut().flat_map(|limits| limits.min.iter_mut().chain(&mut limits.max));
        limits.chain([&mut t.text]).for_each(figure);
    }
}

/// A figure with no more digits than anybody reads; what is no number stays as it is.
fn figure(text: &mut String) {
    if let Some(value) = text.parse::<Decimal>().ok().filter(|value| value.scale() > MOST_DECIMALS) {
        *text = value.round_dp(MOST_DECIMALS).to_string();
    }
}

/// Without signs that change how the rest is shown, and not too long.
fn bounded(text: &str, most: usize) -> String {
    // Marks of direction could make one station's words look like another's.
    let turns =
        |c: char| matches!(c, '\u{200e}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let mut plain = text.chars().filter(|c| !c.is_control() && !turns(*c));
    let mut short: String = plain.by_ref().take(most).collect();
    if plain.next().is_some() {
        short.pop();
        short.push('…');
    }
    short
}

/// What the broker says of a station; `None`: nothing that can be read.
pub(super) fn presence(payload: &[u8]) -> Option<Presence> {
    #[derive(Deserialize)]
    struct Status {
        state: Presence,
    }
    let short = payload.len() <= STATUS_MOST;
    short.then(|| serde_json::from_slice::<Status>(payload).ok()).flatten().map(|status| status.state)
}
