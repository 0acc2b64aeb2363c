//! Holds on samples, the account of a removal, and what it means for a consumer.

use super::*;
use crate::domain::keeping::{Act as On, Counts, Removal, Through};
use crate::domain::specimen::{By, Marked};

fn hold(sample: Uuid, reason: &str) -> Do {
    Do::Keeping(Box::new(On::Hold { sample, reason: reason.to_owned() }))
}

fn release(sample: Uuid, reason: &str) -> Do {
    Do::Keeping(Box::new(On::Release { sample, reason: reason.to_owned() }))
}

fn removal(story: &Story, documents: u64) -> What {
    What::Removed(Box::new(Removal {
        through: Through { samples: 900, events: 400, documents, inputs: 950 },
        removed: Counts { samples: 800, events: 120, documents, inputs: 930, bytes: 1_234_567 },
        rules: "records after 10 years, temperatures after 400 days".to_owned(),
        file: "removed-2026-11-28.jsonl".to_owned(),
        sha256: "0f".repeat(32),
        reason: "the yearly removal".to_owned(),
        marked: Marked {
            moment: at(story.now_ns),
            by: By { person: Some("Ada Brook".to_owned()), via: "command".to_owned() },
        },
    }))
}

/// Everything that can happen here.
pub(super) fn story() -> Story {
    let (mut story, sample, _) = super::amended::complete(1);
    story.ok(hold(sample, "a claim about lot 4"));
    story.ok(release(sample, "settled"));
    let removal = removal(&story, 1);
    story.input(removal);
    story
}

#[test]
fn a_held_sample_is_named_with_its_specimens_and_its_time_until_it_is_released() {
    let (mut story, sample, specimens) = super::amended::complete(2);
    story.ok(hold(sample, " a claim about lot 4 "));
    let held = story.bench.keeping.holds[&sample].clone();
    assert_eq!((held.specimens, held.reason.as_str()), (specimens, "a claim about lot 4"));
    assert_eq!(held.from, story.bench.find_sample(sample).unwrap().registered.moment);
    assert!(story.refused(hold(sample, "again")).contains("is held already"));
    assert!(story.refused(release(Uuid::from_u128(5), "x")).contains("there is no held sample"));
    story.ok(release(sample, "settled"));
    assert!(story.bench.keeping.holds.is_empty());
}

#[test]
fn a_hold_needs_a_sample_and_a_reason() {
    let (mut story, sample, _) = super::amended::complete(1);
    assert!(story.refused(hold(sample, "  ")).contains("reason"));
    assert!(story.refused(hold(Uuid::from_u128(5), "x")).contains("there is no sample"));
    assert!(story.bench.keeping.holds.is_empty());
}

#[test]
fn documents_that_were_removed_cannot_be_asked_for_again() {
    use super::consumers::{replay, with_documents};
    let mut story = with_documents(5, &[]);
    let removal = removal(&story, 3);
    story.input(removal);
    assert_eq!(story.bench.keeping.documents_removed, 3);
    let said = match story.input(replay(3)) {
        Outcome::Refused { text, .. } => text,
        other => panic!("{other:?}"),
    };
    assert!(said.contains("ask from 4 on"), "{said}");
    assert!(matches!(story.input(replay(4)), Outcome::Done { .. }));
}
