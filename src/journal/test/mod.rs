//! Tests of the journal as a whole, and what they share.

use super::*;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use uuid::Uuid;

mod closed;
mod crash;
mod listed;
mod random;
mod relay;
mod removal;
mod round;
mod tampered;

/// A folder of a test's own, gone when the test ends.
pub(super) struct Folder(PathBuf);

impl Folder {
    pub(super) fn new() -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("stillstand-journal-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    pub(super) fn path(&self) -> &Path {
        &self.0
    }

    pub(super) fn journal(&self) -> PathBuf {
        self.0.join("bench.journal")
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

pub(super) const ID: Uuid = Uuid::from_u128(0x0192_0000_0000_7000_8000_0000_0000_0001);

pub(super) fn with() -> OpenWith {
    OpenWith { fresh_id: ID, now_wall_ns: 1_790_000_000_000_000_000 }
}

pub(super) fn open(folder: &Folder) -> (Journal, Restored) {
    Journal::open(&folder.journal(), &with()).unwrap()
}

pub(super) fn input(number: u128) -> InputRow {
    InputRow {
        id: Uuid::from_u128(number),
        at: format!(r#"{{"wall":{number}}}"#),
        payload: format!(r#"{{"press":{number}}}"#),
        outcome: r#""accepted""#.to_owned(),
    }
}

pub(super) fn event(kind: &str, chained: bool, input: u128, payload: &str) -> NewEvent {
    NewEvent {
        input: Uuid::from_u128(input),
        kind: kind.to_owned(),
        version: 1,
        chained,
        moment: format!(r#"{{"wall":{input}}}"#),
        payload: payload.to_owned(),
    }
}

pub(super) fn document(id: &str, kind: &str) -> NewDocument {
    NewDocument {
        id: id.to_owned(),
        kind: kind.to_owned(),
        topic: format!("lab/bench/{kind}"),
        subject: "sample 1".to_owned(),
        payload: format!(r#"{{"document":"{id}"}}"#),
        made_at_ns: 7,
    }
}

/// One input with one chained event.
pub(super) fn press(chain: &mut Chain, number: u128) -> Batch {
    let payload = format!(r#"{{"number":{number}}}"#);
    Batch {
        inputs: vec![input(number)],
        events: vec![chain.append(event("pressed", true, number, &payload))],
        ..Batch::default()
    }
}

/// One input with one sample that is not chained.
pub(super) fn sample(chain: &mut Chain, number: u128) -> Batch {
    let payload = format!(r#"{{"temperature":"{number}.5"}}"#);
    Batch {
        inputs: vec![input(number)],
        events: vec![chain.append(event("sampled", false, number, &payload))],
        ..Batch::default()
    }
}

/// One input, one document, and the event that anchors it.
pub(super) fn issue(chain: &mut Chain, number: u128, id: &str) -> Batch {
    let row = chain.document(document(id, "record"));
    Batch { outbox: vec![row], ..press(chain, number) }
}
