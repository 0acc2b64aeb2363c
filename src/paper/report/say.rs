//! Parts of documents in words: figures with their units, instants in the laboratory's zone.

use crate::domain::quantity::Unit;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::Value;

/// What stands where a document has nothing.
pub(super) const MISSING: &str = "not known";

/// A text of a document.
pub(super) fn text<'a>(value: &'a Value, path: &str) -> Option<&'a str> {
    value.pointer(path).and_then(Value::as_str).filter(|text| !text.is_empty())
}

/// The same, or that it is not known.
pub(super) fn text_or(value: &Value, path: &str) -> String {
    text(value, path).unwrap_or(MISSING).to_owned()
}

/// A list of a document; nothing where there is none.
pub(super) fn list<'a>(value: &'a Value, path: &str) -> &'a [Value] {
    value.pointer(path).and_then(Value::as_array).map_or(&[], Vec::as_slice)
}

/// What people write for a UCUM code.
pub(super) fn unit(code: &str) -> &str {
    // A code that this program does not know stands as it is.
    match Unit::from_code(code) {
        Some(known) => known.symbol(),
        None => code,
    }
}

/// Digits and unit as people write them.
pub(super) fn with_unit(digits: &str, code: &str) -> String {
    match unit(code) {
        "" => digits.to_owned(),
        symbol => format!("{digits} {symbol}"),
    }
}

/// A figure with its unit, digits as published.
pub(super) fn amount(value: &Value) -> Option<String> {
    let digits = value.get("text")?.as_str()?;
    if let Some(shown) = value.get("shown").and_then(amount) {
        let code = value.get("unit").and_then(Value::as_str).unwrap_or("1");
        return Some(format!("{shown} ({})", with_unit(digits, code)));
    }
    Some(with_unit(digits, value.get("unit").and_then(Value::as_str).unwrap_or("1")))
}

/// The same, or that it is not known.
pub(super) fn amount_at(value: &Value, path: &str) -> String {
    value.pointer(path).and_then(amount).unwrap_or_else(|| MISSING.to_owned())
}

/// Limits: `540 to 660 s`; `None`: there are none.
pub(super) fn limits(value: &Value) -> Option<String> {
    let end = |name: &str| value.get(name).and_then(Value::as_str);
    let code = value.get("unit").and_then(Value::as_str).unwrap_or("1");
    let words = match (end("min"), end("max")) {
        (Some(min), Some(max)) => format!("{min} to {max}"),
        (Some(min), None) => format!("at least {min}"),
        (None, Some(max)) => format!("at most {max}"),
        (None, None) => return None,
    };
    Some(with_unit(&words, code))
}

/// An instant of a document: its time, or the text itself.
pub(super) fn instant(value: &Value, zone: &TimeZone) -> String {
    let stamp = value.as_str().or_else(|| value.get("time").and_then(Value::as_str));
    match stamp.map(str::parse::<Timestamp>) {
        Some(Ok(at)) => civil(at, zone),
        _ => MISSING.to_owned(),
    }
}

/// An instant as date and time of day.
pub(super) fn time(wall_ns: i64, zone: &TimeZone) -> String {
    match Timestamp::from_nanosecond(i128::from(wall_ns)) {
        Ok(at) => civil(at, zone),
        Err(_) => MISSING.to_owned(),
    }
}

/// The same without the day.
pub(super) fn clock(wall_ns: i64, zone: &TimeZone) -> String {
    time(wall_ns, zone).split_once(' ').map_or_else(String::new, |(_, clock)| clock.to_owned())
}

fn civil(at: Timestamp, zone: &TimeZone) -> String {
    zone.to_datetime(at).strftime("%Y-%m-%d %H:%M:%S").to_string()
}

/// Who: the person, or what the bench was told by.
pub(super) fn by(value: &Value) -> String {
    match text(value, "/person") {
        Some(person) => person.to_owned(),
        None => text(value, "/via").map_or_else(|| MISSING.to_owned(), |via| format!("the bench ({via})")),
    }
}

/// A name of a document in words: `maxDifference` is `max difference`, `own-rule` is `own rule`.
pub(super) fn words(name: &str) -> String {
    let mut words = String::with_capacity(name.len() + 4);
    let mut before = ' ';
    for letter in name.chars() {
        match letter {
            '-' | '_' => words.push(' '),
            letter if letter.is_ascii_uppercase() && before.is_ascii_lowercase() => {
                words.push(' ');
                words.push(letter.to_ascii_lowercase());
            }
            letter if letter.is_ascii_digit() && before.is_ascii_lowercase() => {
                words.push(' ');
                words.push(letter);
            }
            letter => words.push(letter),
        }
        before = letter;
    }
    words
}

/// The first letter as a capital.
pub(in crate::paper) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        let mut all: String = first.to_uppercase().collect();
        all.push_str(letters.as_str());
        all
    })
}

/// `1 specimen`, `2 specimens`.
pub(super) fn count(number: usize, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}

#[cfg(test)]
mod test {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_figure_keeps_the_digits_that_were_published() {
        let zone = TimeZone::UTC;
        assert_eq!(amount(&json!({ "value": 8, "text": "8.0", "unit": "[in_i]" })).unwrap(), "8.0 in");
        assert_eq!(amount(&json!({ "value": 43, "text": "43", "unit": "1" })).unwrap(), "43");
        assert_eq!(amount(&json!({ "value": 1 })), None);
        assert_eq!(limits(&json!({ "min": "540", "max": "660", "unit": "s" })).unwrap(), "540 to 660 s");
        assert_eq!(limits(&json!({ "min": null, "max": null, "unit": "s" })), None);
        assert_eq!(instant(&json!({ "time": "2026-09-21T14:13:20.500Z" }), &zone), "2026-09-21 14:13:20");
        assert_eq!(instant(&Value::Null, &zone), MISSING);
    }

    #[test]
    fn names_of_documents_become_words() {
        assert_eq!(words("sandEquivalent10"), "sand equivalent 10");
        assert_eq!(words("raise-mean-of-reported"), "raise mean of reported");
        assert_eq!(words("notCounted"), "not counted");
    }
}
