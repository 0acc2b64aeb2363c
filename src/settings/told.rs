//! The settings in force, for a person to read: what is set, what it means, and what is as shipped.

use super::SHIPPED;
use super::model::Settings;
use serde_json::{Map, Value, json};

/// Sections with their keys, each with its value and the explanation of the shipped file. Nothing secret
/// stands in settings: passwords and keys are files, and only their paths are told.
pub fn told(settings: &Settings) -> Value {
    let explained = explained(SHIPPED);
    let Ok(Value::Object(sections)) = serde_json::to_value(settings) else { return Value::Null };
    let mut rows = Vec::new();
    for (section, values) in sections {
        flatten(&section, &values, &mut rows);
    }
    let about = |key: &str| about(&explained, key);
    let rows = rows.into_iter().map(|(key, value)| {
        let shipped = about(&key).and_then(|(_, _, shipped)| shipped.as_deref());
        json!({
            "key": key,
            "value": value,
            "about": about(&key).map(|(_, words, _)| words),
            "asShipped": shipped.map(|shipped| shipped == value),
        })
    });
    rows.collect()
}

/// The line of the shipped file that explains a key: its own, that of the same key of another name
/// (`triggers.ANY.does`), or that of the table which it stands in.
fn about<'a>(explained: &'a [Explained], key: &str) -> Option<&'a Explained> {
    if let Some(own) = explained.iter().find(|(known, _, _)| known == key) {
        return Some(own);
    }
    let named = nameless(key);
    let mut wanted = named.as_str();
    loop {
        let same = explained.iter().find(|(known, words, _)| !words.is_empty() && nameless(known) == wanted);
        if same.is_some() {
            return same;
        }
        wanted = wanted.rsplit_once('.')?.0;
    }
}

/// A key without the name that somebody gave to an instrument, a trigger, an output or a consumer.
fn nameless(key: &str) -> String {
    let mut parts: Vec<&str> = key.split('.').collect();
    match parts.as_mut_slice() {
        ["instruments" | "triggers" | "outputs", name, ..] | ["network", "consumers", name] => *name = "*",
        _ => {}
    }
    parts.join(".")
}

/// Keys as they stand in the file, `section.key`, and their values as a person writes them.
fn flatten(key: &str, value: &Value, rows: &mut Vec<(String, String)>) {
    match value {
        Value::Object(values) => values.iter().for_each(|(k, v)| flatten(&format!("{key}.{k}"), v, rows)),
        Value::Array(values) if values.iter().any(Value::is_object) => {
            for (n, value) in values.iter().enumerate() {
                flatten(&format!("{key}.{}", n + 1), value, rows);
            }
        }
        Value::Null => {}
        Value::String(text) => rows.push((key.to_owned(), text.clone())),
        other => rows.push((key.to_owned(), other.to_string())),
    }
}

/// Key, explanation and value of a line of the shipped file.
type Explained = (String, String, Option<String>);

/// Key, explanation and value of each line of the shipped file; keys that stand there as a comment too.
fn explained(shipped: &str) -> Vec<Explained> {
    let values = toml::from_str::<Value>(shipped).unwrap_or(Value::Object(Map::new()));
    let (mut section, mut words) = (String::new(), Vec::new());
    let (mut found, mut follows) = (Vec::<Explained>::new(), false);
    for line in shipped.lines() {
        let bare = line.trim_start_matches("# ").trim();
        if let Some(name) = bare.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            name.clone_into(&mut section);
            words.clear();
        } else if let Some((key, _)) = bare.split_once(" = ").filter(|(key, _)| is_key(key)) {
            let value = values.get(&section).and_then(|values| values.get(key));
            let mut rows = Vec::new();
            if let Some(value) = value {
                flatten("", value, &mut rows);
            }
            let value = rows.into_iter().next().map(|(_, value)| value);
            // A key right under another one shares its explanation.
            let about = match found.last() {
                Some((_, about, _)) if words.is_empty() && follows => String::clone(about),
                _ => words.join(" "),
            };
            found.push((format!("{section}.{key}"), about, value));
            words.clear();
            follows = true;
            continue;
        } else if line.starts_with('#') {
            words.push(line.trim_start_matches(['#', ' ']).trim().to_owned());
        } else {
            words.clear();
        }
        follows = false;
    }
    found
}

fn is_key(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

#[cfg(test)]
mod test {
    use super::told;
    use crate::settings::read;

    fn rows(text: &str) -> Vec<(String, String, Option<bool>, String)> {
        let settings = read("bench.toml", text, None, std::iter::empty()).unwrap();
        let text = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
        let rows = told(&settings);
        let row = |row: &serde_json::Value| {
            (text(&row["key"]), text(&row["value"]), row["asShipped"].as_bool(), text(&row["about"]))
        };
        rows.as_array().unwrap().iter().map(row).collect()
    }

    #[test]
    fn every_key_is_told_with_its_value_its_meaning_and_whether_it_is_as_shipped() {
        let rows = rows("[bench]\nplaces = 5\n");
        let row = |key: &str| rows.iter().find(|(known, ..)| known == key).unwrap_or_else(|| panic!("{key}"));
        let places = row("bench.places");
        assert_eq!((places.1.as_str(), places.2), ("5", Some(false)));
        assert!(places.3.contains("Places for cylinders"), "{}", places.3);
        assert_eq!(row("station.id").2, Some(true));
        let silent: Vec<_> = rows.iter().filter(|(_, _, _, about)| about.is_empty()).map(|r| &r.0).collect();
        assert!(silent.is_empty(), "without an explanation: {silent:?}");
    }

    #[test]
    fn what_has_a_name_of_its_own_is_explained_under_any_name() {
        let text = r#"
[instruments.scale]
kind = "balance"
port = "/dev/ttyS0"
shape = "x"
readability = "0.1 g"
[instruments.scale.correction]
certificate = "K-1"
date = "2026-01-02"
unit = "g"
points = [{ reading = "1", correction = "0" }, { reading = "2", correction = "0" }]
[triggers.pedal]
does = "next"
place = 2
gpio = { chip = "panel", line = "PEDAL" }
[outputs.bell]
shows = "horn"
gpio = { chip = "panel", line = "HORN" }
[outputs.motor]
shows = "shaker-relay"
gpio = { chip = "panel", line = "MOTOR" }
relay = { longest-s = 60, stroke = "cycles" }
[outputs.lamp-2]
shows = "place"
place = 2
gpio = { chip = "panel", line = "LAMP" }
"#;
        let rows = rows(text);
        let of = |key: &str| rows.iter().find(|(known, ..)| known == key).map(|row| row.3.as_str());
        assert!(of("triggers.pedal.does").is_some_and(|about| about.contains("`next` marks")));
        assert!(of("outputs.bell.shows").is_some_and(|about| about.contains("`horn`")));
        assert!(of("outputs.motor.relay.longest-s").is_some_and(|about| about.contains("at most")));
        let silent: Vec<_> = rows.iter().filter(|row| row.3.is_empty()).map(|row| &row.0).collect();
        assert!(silent.is_empty(), "without an explanation: {silent:?}");
    }

    #[test]
    fn of_a_password_only_the_file_is_told() {
        let text =
            "[network]\nhost = \"127.0.0.1\"\nuser = \"bench\"\npassword-file = \"/run/secret/broker\"\n";
        let rows = rows(text);
        assert!(
            rows.iter().any(|(key, value, ..)| key == "network.password-file" && value.ends_with("/broker"))
        );
    }
}
