//! Documents of other stations: what is taken, what is not, and what each is worth.

use super::read::MOST_CHARS;
use super::*;
use crate::domain::bench::Bench;
use crate::domain::moment::test::at;
use serde_json::{Value, json};

fn told(at: &str) -> Value {
    json!({
        "at": at, "title": "Bench 2", "rehearsal": false, "clockRuns": true, "waiting": 0, "temperature": null,
        "places": [], "alarms": [], "moreAlarms": 0, "results": [], "moreResults": 0,
    })
}

const NOON: &str = "2030-01-01T12:00:00.000Z";

fn hear(following: &mut Following, value: &Value, kept: bool, ns: i64) -> bool {
    following.hear("b2", Said::Overview(value.to_string().as_bytes()), kept, at(ns))
}

fn refused(following: &Following) -> &str {
    following.stations["b2"].refused.as_deref().unwrap_or_default()
}

fn stand(following: &Following, ns: i64) -> Stand {
    following.stations["b2"].stand(&at(ns))
}

#[test]
fn a_station_reads_what_another_one_says_of_its_bench() {
    let bench = Bench { station: "b2".to_owned(), title: "Bench 2".to_owned(), ..Bench::default() };
    let said = overview(&bench, &at(0), 4, true);
    let value = serde_json::to_value(&said).unwrap();
    let mut following = Following::default();
    assert!(hear(&mut following, &value, false, 0));
    assert_eq!(following.stations["b2"].last.as_ref().unwrap().overview, said);
}

#[test]
fn what_is_no_overview_is_refused_and_what_was_known_stays() {
    let mut following = Following::default();
    hear(&mut following, &told(NOON), false, 0);
    let mut urgent = told(NOON);
    urgent["alarms"] =
        json!([{ "alarm": "a", "priority": "at once", "state": "unacknowledged", "text": "t" }]);
    let mut timeless = told("yesterday");
    timeless["title"] = json!("Other");
    let mut far = told(NOON);
    far["places"] = json!([{
        "place": 1, "label": "x", "complete": false, "voided": false, "next": null, "deviations": 0, "result": null,
        "running": { "step": "soak", "since": "1970-01-01T00:00:00Z", "opens": null, "closes": "9999-01-01T00:00:00Z" },
    }]);
    let huge = json!({ "title": "x".repeat(MOST_BYTES) });
    let deep = "[".repeat(50_000);
    let bad = [
        json!([]).to_string(),
        urgent.to_string(),
        timeless.to_string(),
        far.to_string(),
        huge.to_string(),
        deep,
    ];
    for (n, payload) in bad.iter().enumerate() {
        let ns = i64::try_from(n + 1).unwrap() * SECOND;
        assert!(following.hear("b2", Said::Overview(payload.as_bytes()), false, at(ns)), "{n}");
        assert!(!refused(&following).is_empty() && refused(&following).chars().count() < 200, "{n}");
        assert_eq!(following.stations["b2"].last.as_ref().unwrap().overview.title, "Bench 2", "{n}");
    }
    assert!(refused(&following).contains("cannot be read"));
    assert!(hear(&mut following, &told(NOON), false, 20 * SECOND), "it can be read again");
    assert_eq!(refused(&following), "");
}

#[test]
fn texts_and_lists_are_bounded_and_nothing_turns_the_line_round() {
    let mut value = told(NOON);
    value["title"] = json!(format!("\u{202e}{}\u{7}\n", "b".repeat(5000)));
    let line = json!({ "alarm": "a", "priority": "low", "state": "acknowledged", "text": "t" });
    value["alarms"] = Value::Array(vec![line; 100]);
    value["moreAlarms"] = json!(u64::MAX);
    let place = json!({
        "place": 1, "label": "x", "complete": false, "voided": false, "next": null, "deviations": 0,
        "running": null, "result": null,
    });
    value["places"] = Value::Array(vec![place; 200]);
    let mut following = Following::default();
    assert!(hear(&mut following, &value, false, 0));
    let kept = &following.stations["b2"].last.as_ref().unwrap().overview;
    assert_eq!(kept.title.chars().count(), MOST_CHARS);
    assert!(kept.title.starts_with('b') && kept.title.ends_with('…'));
    assert_eq!((kept.alarms.len(), kept.places.len(), kept.more_alarms), (16, 64, u64::MAX));
}

#[test]
fn the_fullest_bench_says_no_more_than_is_taken() {
    let place = |n: usize| {
        json!({
            "place": n + 1, "label": "\u{1F9EA}".repeat(90), "complete": false, "voided": false,
            "next": "\u{1F9EA}".repeat(90), "deviations": 9, "result": "\u{1F9EA}".repeat(90),
            "running": { "step": "\u{1F9EA}".repeat(90), "since": NOON, "opens": NOON, "closes": NOON },
        })
    };
    let mut value = told(NOON);
    value["places"] = (0..64).map(place).collect();
    let alarm = json!({ "alarm": "a".repeat(90), "priority": "low", "state": "acknowledged", "text": "\u{1F9EA}".repeat(200) });
    value["alarms"] = Value::Array(vec![alarm; 16]);
    let result = json!({ "label": "\u{1F9EA}".repeat(90), "reported": "42", "verdict": "pass", "limit": "\u{1F9EA}".repeat(200) });
    value["results"] = Value::Array(vec![result; 16]);
    let mut fullest: Overview = serde_json::from_value(value).unwrap();
    read::shorten(&mut fullest);
    let bytes = serde_json::to_vec(&fullest).unwrap();
    assert!(bytes.len() <= MOST_BYTES, "{}", bytes.len());
    assert_eq!(read::overview(&bytes), Ok(fullest));
}

#[test]
fn a_station_that_says_too_much_is_heard_five_times_a_second() {
    let mut following = Following::default();
    let taken = (0..1000).filter(|n| hear(&mut following, &told(NOON), false, n * SECOND / 1000)).count();
    assert_eq!(taken, 5);
}

#[test]
fn no_more_stations_are_kept_than_a_page_can_show_and_that_is_said() {
    let mut following = Following::default();
    for n in 0..100 {
        following.hear(&format!("b{n}"), Said::Status(br#"{"state":"online"}"#), true, at(0));
    }
    assert_eq!((following.stations.len(), following.cut), (MOST_STATIONS, true));
}

#[test]
fn silence_a_goodbye_and_a_broken_connection_are_told_apart_from_news() {
    let mut following = Following::of(["b2"].into_iter());
    assert_eq!(stand(&following, 0), Stand::Unheard, "one that is named is missed");
    hear(&mut following, &told(NOON), true, 0);
    assert_eq!(stand(&following, 0), Stand::Kept);
    hear(&mut following, &told("2030-01-01T12:00:02.000Z"), false, SECOND);
    assert_eq!(
        (stand(&following, SECOND), stand(&following, SECOND + SILENT_NS)),
        (Stand::Fresh, Stand::Fresh)
    );
    assert_eq!(stand(&following, SECOND + SILENT_NS + 1), Stand::Silent);
    for (status, stood) in [("lost", Stand::Gone), ("online", Stand::Fresh), ("offline", Stand::Gone)] {
        let payload = json!({ "state": status, "session": "x", "connected": NOON }).to_string();
        assert!(following.hear("b2", Said::Status(payload.as_bytes()), false, at(SECOND)));
        assert_eq!(stand(&following, SECOND), stood, "{status}");
    }
}

#[test]
fn an_old_word_that_the_broker_repeats_makes_nothing_younger_or_older() {
    let mut following = Following::default();
    hear(&mut following, &told(NOON), false, 0);
    assert!(!hear(&mut following, &told(NOON), true, 5 * SECOND), "the same word again");
    assert_eq!(stand(&following, 5 * SECOND), Stand::Fresh);
    assert_eq!(stand(&following, 7 * SECOND), Stand::Silent);
}
