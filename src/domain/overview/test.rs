//! Documents of other stations: what is taken, what is not, and what each is worth.

use super::read::MOST_CHARS;
use super::*;
use crate::domain::alarm::OutOfService;
use crate::domain::bench::Bench;
use crate::domain::moment::test::at;
use crate::domain::specimen::By;
use serde_json::{Value, json};

fn told(at: &str) -> Value {
    json!({
        "at": at, "title": "Bench 2", "rehearsal": false, "clockRuns": true, "waiting": 0, "temperature": null,
        "places": [], "alarms": [], "moreAlarms": 0, "alarmsAside": 0, "results": [], "moreResults": 0,
        "earlierMissing": false,
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
    for (waiting, word) in [(Some(4), json!(4)), (None, Value::Null)] {
        let said = overview(&bench, &at(0), waiting, true);
        let value = serde_json::to_value(&said).unwrap();
        assert_eq!(value["waiting"], word, "nobody has counted is not none");
        let mut following = Following::default();
        assert!(hear(&mut following, &value, false, 0));
        assert_eq!(following.stations["b2"].last.as_ref().unwrap().overview, said);
    }
}

#[test]
fn alarms_that_are_put_aside_are_counted_whether_they_stand_or_not() {
    let by = By { person: Some("Ada Field".to_owned()), via: "page".to_owned() };
    let out = OutOfService { by, reason: "being mended".to_owned(), since: at(0) };
    let out = [("probe-silent".to_owned(), out.clone()), ("disk-slow".to_owned(), out)];
    let bench = Bench { out_of_service: BTreeMap::from(out).into(), ..Bench::default() };
    let said = overview(&bench, &at(0), None, true);
    assert_eq!((said.alarms, said.alarms_aside), (vec![], 2));
}

#[test]
fn a_temperature_keeps_no_more_digits_than_a_thermometer_has() {
    let mut value = told(NOON);
    value["temperature"] = json!({
        "text": "21.1234567891234567890123456", "unit": "Cel", "side": "within", "inSolution": true,
        "limits": { "min": "0.0000000000000000000000000001", "max": "25", "unit": "Cel" },
    });
    let mut following = Following::default();
    assert!(hear(&mut following, &value, false, 0));
    let kept = following.stations["b2"].last.as_ref().unwrap().overview.temperature.clone().unwrap();
    assert_eq!(kept.text, "21.123456789");
    assert_eq!(kept.limits.unwrap().min.unwrap().parse(), Ok(rust_decimal::Decimal::ZERO));
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
    // Further away than nanoseconds can count.
    let mut ancient = far.clone();
    ancient["places"][0]["running"]["since"] = json!("1700-01-01T00:00:00Z");
    ancient["places"][0]["running"]["closes"] = Value::Null;
    let huge = json!({ "title": "x".repeat(MOST_BYTES) });
    let deep = "[".repeat(50_000);
    let bad = [
        json!([]).to_string(),
        ancient.to_string(),
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
    // What cannot be read is looked at no more often: each says something else of itself.
    let mut following = Following::default();
    let bad = |n: i64| json!({ format!("unknown {n}"): n, "at": n });
    let looked = (0..1000).filter(|n| {
        let before = following.clone();
        hear(&mut following, &bad(*n), false, n * SECOND / 1000);
        following != before
    });
    assert_eq!(looked.count(), 5);
}

#[test]
fn no_more_stations_are_kept_than_a_page_can_show_and_that_is_said() {
    let mut following = Following::default();
    for n in 0..100 {
        following.hear(&format!("b{n}"), Said::Status(ONLINE), true, at(0));
    }
    assert_eq!((following.stations.len(), following.cut(&at(0))), (MOST_STATIONS, true));
    assert!(!following.cut(&at(SILENT_NS + 1)), "nobody else speaks any more");
}

const ONLINE: &[u8] = br#"{"state":"online"}"#;
const LOST: &[u8] = br#"{"state":"lost"}"#;

#[test]
fn a_station_that_speaks_gets_the_place_of_one_that_does_not() {
    let overview = told(NOON).to_string();
    let speaks = |following: &mut Following, name: &str, ns: i64| {
        following.hear(name, Said::Overview(overview.as_bytes()), false, at(ns))
    };
    let mut following = Following::of(["named"].into_iter());
    for n in 1..MOST_STATIONS {
        following.hear(&format!("old{n:02}"), Said::Status(LOST), true, at(0));
    }
    assert!(speaks(&mut following, "new", 0));
    assert!(following.stations.contains_key("new") && following.stations.len() == MOST_STATIONS);
    assert!(following.stations.contains_key("named"), "one that is named is missed");
    assert!(!following.cut(&at(0)));
    for n in 2..MOST_STATIONS {
        assert!(speaks(&mut following, &format!("new{n:02}"), 0), "{n}");
    }
    assert!(!following.stations.keys().any(|name| name.starts_with("old")));
    assert!(speaks(&mut following, "one more", 0), "that some are left out is news");
    assert!(!following.stations.contains_key("one more") && following.cut(&at(0)), "all others speak");
    // One of those that speak goes: its place is free for whoever speaks next.
    following.hear("new07", Said::Status(LOST), false, at(SECOND));
    assert!(speaks(&mut following, "one more", 2 * SECOND) && following.stations.contains_key("one more"));
}

#[test]
fn what_the_broker_has_forgotten_is_forgotten_here() {
    let mut following = Following::of(["b2"].into_iter());
    for name in ["b2", "b3"] {
        following.hear(name, Said::Status(LOST), true, at(0));
        following.hear(name, Said::Overview(told(NOON).to_string().as_bytes()), true, at(0));
        assert!(following.hear(name, Said::Overview(b""), false, at(SECOND)), "{name}");
    }
    assert_eq!(following.stations["b3"].presence, Some(Presence::Lost));
    for name in ["b2", "b3"] {
        assert!(following.hear(name, Said::Status(b""), false, at(SECOND)), "{name}");
    }
    assert_eq!(following.stations.keys().collect::<Vec<_>>(), ["b2"], "one that is named stays");
    assert!(!following.hear("b9", Said::Status(b""), false, at(SECOND)));
    assert!(!following.stations.contains_key("b9"), "nothing was never there");
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
