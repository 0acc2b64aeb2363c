//! Consumers of the documents, and asks that have one effect for each correlation.

use super::*;
use crate::domain::alarm::{Name, key};

const JOURNAL: Uuid = Uuid::from_u128(0x019f_0000_0000_7000_8000_0000_0000_0aaa);

fn says(says: ConsumerAsk) -> What {
    What::Consumer(FromConsumer { says, journal: JOURNAL })
}

pub(super) fn confirm(consumer: &str, through: u64) -> What {
    says(ConsumerAsk::ConfirmReceipt { consumer: consumer.to_owned(), journal: JOURNAL, through })
}

pub(super) fn replay(number: u64) -> What {
    says(ConsumerAsk::ReplayFrom { consumer: "archive".to_owned(), journal: JOURNAL, number })
}

pub(super) fn asked(key: u128, what: What) -> What {
    What::Asked { key: Uuid::from_u128(key), what: Box::new(what) }
}

/// A bench with so many documents.
pub(super) fn with_documents(count: u64, limits: &[(&str, u64)]) -> Story {
    let mut story = Story::with(|started| {
        started.network.consumers = limits.iter().map(|(name, most)| ((*name).to_owned(), *most)).collect();
    });
    more_documents(&mut story, 1, count);
    story
}

fn more_documents(story: &mut Story, from: u64, through: u64) {
    for number in from..=through {
        let (kind, sha256) = ("weighing".to_owned(), String::new());
        let issued = Event::DocumentIssued { number, document: Uuid::from_u128(number.into()), kind, sha256 };
        story.bench.apply(&issued, &at(0));
    }
}

fn text(outcome: &Outcome) -> String {
    match outcome {
        Outcome::Done { note, .. } | Outcome::DoneBefore { note, .. } => note.clone(),
        Outcome::Refused { text, .. } => text.clone(),
        Outcome::AsBefore { reply } => reply.to_string(),
    }
}

fn is_refused(outcome: &Outcome) -> bool {
    matches!(outcome, Outcome::Refused { .. })
}

fn sample(story: &mut Story) -> What {
    let id = story.id();
    let what = Do::RegisterSample {
        label: "Q-17".into(),
        method: t176().id.clone(),
        specimens: Some(1),
        particulars: None,
    };
    What::Act(Act {
        id,
        who: None,
        via: "ask".into(),
        seen: None,
        stated_wall_ns: None,
        balance: None,
        take_over: false,
        what,
    })
}

#[test]
fn an_ask_with_a_correlation_happens_once_and_is_answered_word_for_word_again() {
    let mut story = Story::new();
    let act = sample(&mut story);
    let first = story.input(asked(7, act.clone()));
    let other = sample(&mut story); // another act under the same correlation
    for again in [act.clone(), other] {
        let Outcome::AsBefore { reply } = story.input(asked(7, again)) else { panic!("answered as before") };
        assert_eq!(&*reply, serde_json::to_string(&first).unwrap());
    }
    assert_eq!(story.bench.samples.len(), 1);
    // A restart goes on from the stored state.
    let stored = serde_json::to_string(&story.bench).unwrap();
    story.bench = serde_json::from_str(&stored).unwrap();
    assert!(matches!(story.input(asked(7, act)), Outcome::AsBefore { .. }));
}

#[test]
fn a_refused_ask_stays_refused_under_its_correlation() {
    let mut story = with_documents(3, &[]);
    let first = story.input(asked(1, replay(4)));
    assert!(is_refused(&first));
    more_documents(&mut story, 4, 5);
    assert_eq!(text(&story.input(asked(1, replay(4)))), serde_json::to_string(&first).unwrap());
    assert!(!is_refused(&story.input(asked(2, replay(4)))), "asked anew it is judged anew");
}

#[test]
fn the_memory_holds_its_stated_number_of_asks() {
    let mut story = with_documents(1, &[]);
    for key in 0..=512 {
        story.input(asked(key, replay(1)));
    }
    assert_eq!(story.bench.replay.as_ref().unwrap().count, 513);
    story.input(asked(1, replay(1)));
    assert_eq!(story.bench.replay.as_ref().unwrap().count, 513, "the 512 last are remembered");
    story.input(asked(0, replay(1)));
    assert_eq!(story.bench.replay.as_ref().unwrap().count, 514, "an older one is new again");
}

#[test]
fn a_receipt_never_goes_back_and_never_goes_ahead() {
    let mut story = with_documents(10, &[]);
    assert!(!is_refused(&story.input(confirm("archive", 6))));
    assert!(text(&story.input(confirm("archive", 4))).contains("through 6"));
    assert!(text(&story.input(confirm("archive", 11))).contains("the newest is 10"));
    let lags = story.bench.lags();
    assert_eq!((lags[0].consumer, lags[0].behind), ("archive", 4));
}

#[test]
fn what_a_consumer_says_of_another_journal_or_under_no_name_is_refused() {
    let mut story = with_documents(3, &[]);
    let other = ConsumerAsk::ConfirmReceipt { consumer: "a".into(), journal: Uuid::nil(), through: 1 };
    assert!(text(&story.input(says(other))).contains(&JOURNAL.to_string()));
    for name in ["", "Archive", "a/b", &"x".repeat(65)] {
        assert!(is_refused(&story.input(confirm(name, 1))), "{name}");
    }
    for n in 0..32 {
        assert!(!is_refused(&story.input(confirm(&format!("c-{n}"), 1))));
    }
    assert!(is_refused(&story.input(confirm("one-more", 1))), "the state cannot be filled with names");
    assert!(!is_refused(&story.input(confirm("c-31", 2))));
}

#[test]
fn a_watched_consumer_that_falls_behind_is_an_alarm_until_it_confirms() {
    let mut story = with_documents(10, &[("archive", 10)]);
    let key = key(Name::ConsumerBehind, "archive");
    story.input(What::Deadline);
    assert!(!story.bench.alarms.contains_key(&key), "ten are allowed");
    more_documents(&mut story, 11, 11);
    story.input(What::Deadline);
    assert!(story.bench.alarms[&key].text.contains("11 documents behind"));
    story.input(confirm("archive", 1));
    assert!(story.bench.alarms[&key].cleared.is_some());
    assert!(with_documents(5000, &[]).bench.alarms.is_empty(), "nobody is watched unless it is set");
}

#[test]
fn a_replay_is_asked_for_only_where_there_are_documents() {
    let mut story = with_documents(0, &[]);
    assert!(text(&story.input(replay(1))).contains("no document yet"));
    more_documents(&mut story, 1, 9);
    for number in [0, 10, u64::MAX] {
        assert!(is_refused(&story.input(replay(number))), "{number}");
    }
    assert!(text(&story.input(replay(9))).contains("9 to 9"));
}
