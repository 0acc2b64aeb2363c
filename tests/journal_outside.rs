//! The chain, recomputed by a program that shares nothing with this one: `outside/verify_chain.py`,
//! Python's own sqlite3 and hashlib.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a test's helpers fail loudly, as the test itself does"
)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use stillstand::journal::chain::hex;
use stillstand::journal::{Batch, InputRow, Journal, NewDocument, NewEvent, OpenWith, verify};
use uuid::Uuid;

const ID: Uuid = Uuid::from_u128(0x0192_0000_0000_7000_8000_0000_0000_0042);

/// Head of the journal that [`write`] makes: computed from the text of docs/journal.md with
/// hashlib alone, before this program was run. It freezes the format: journals that are out in
/// laboratories must verify for ever.
const FROZEN_HEAD: &str = "4266f132314c72b866587f7c06f2a1bdff5e42e1f60860a9bc075ac02330587e";

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("stillstand-outside-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn python(journal: &Path) -> Output {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/verify_chain.py");
    Command::new("python3").arg(script).arg(journal).output().expect(
        "python3 is needed for this test: it recomputes the journal's chain outside of the program. Install it",
    )
}

fn says(output: &Output) -> String {
    let text = if output.status.success() { &output.stdout } else { &output.stderr };
    String::from_utf8_lossy(text).trim().to_owned()
}

/// A small journal of fixed content: chained events, a sample, texts beyond ASCII, two documents.
async fn write(path: &Path) -> Journal {
    let with = OpenWith { fresh_id: ID, now_wall_ns: 1_790_000_000_000_000_000 };
    let (journal, restored) = Journal::open(path, &with).unwrap();
    let mut chain = restored.chain;
    for (number, chained) in [(1, true), (2, false), (3, false), (4, true), (5, true), (6, false)] {
        let id = Uuid::from_u128(number);
        let mut batch = Batch::default();
        batch.inputs.push(InputRow {
            id,
            at: "{}".to_owned(),
            payload: "{}".to_owned(),
            outcome: r#""accepted""#.to_owned(),
        });
        if number == 4 || number == 6 {
            batch.outbox.push(chain.document(NewDocument {
                id: format!("document-{number}"),
                kind: "record".to_owned(),
                topic: "lab/bench/records".to_owned(),
                subject: "Sable lavé n° 3".to_owned(),
                payload: format!(r#"{{"reported":{number}}}"#),
                made_at_ns: -1 + i64::try_from(number).unwrap() * 1_000,
            }));
        }
        batch.events.push(chain.append(NewEvent {
            input: id,
            kind: if chained { "interval-ended" } else { "temperature-sampled" }.to_owned(),
            version: 1,
            chained,
            moment: format!(r#"{{"wall_ns":{number}}}"#),
            payload: format!(r#"{{"temperature":"22.{number}","unit":"°C"}}"#),
        }));
        journal.commit(batch).await.unwrap();
    }
    journal
}

#[tokio::test]
async fn another_program_computes_the_same_head() {
    let folder = Folder::new("same");
    let path = folder.0.join("frozen.journal");
    let journal = write(&path).await;
    let expected = format!("head 6 {FROZEN_HEAD} documents 2");
    assert_eq!(says(&python(&path)), expected, "while the journal is open");
    journal.close().await.unwrap();
    assert_eq!(says(&python(&path)), expected);
    let verified = verify(&path).unwrap();
    assert_eq!((verified.head_seq, hex(&verified.head_link).as_str()), (6, FROZEN_HEAD));
}

#[tokio::test]
async fn another_program_follows_a_restored_backup_and_new_events_in_it() {
    let folder = Folder::new("backup");
    let journal = write(&folder.0.join("original.journal")).await;
    let copy = folder.0.join("copy.journal");
    journal.backup(&copy).await.unwrap();
    let with = OpenWith { fresh_id: Uuid::from_u128(0x99), now_wall_ns: 0 };
    let (restored, state) = Journal::open(&copy, &with).unwrap();
    let mut chain = state.chain;
    let event = NewEvent {
        input: Uuid::from_u128(1),
        kind: "cleaned".to_owned(),
        version: 1,
        chained: true,
        moment: "{}".to_owned(),
        payload: "{}".to_owned(),
    };
    restored.commit(Batch { events: vec![chain.append(event)], ..Batch::default() }).await.unwrap();
    restored.close().await.unwrap();
    assert_eq!(says(&python(&copy)), format!("head 7 {} documents 2", hex(&chain.link())));
}

#[tokio::test]
async fn both_find_the_same_altered_event() {
    for (sql, event) in [
        ("UPDATE event SET payload = '{}' WHERE seq = 3", "event 3"),
        ("UPDATE event SET moment = '{}' WHERE seq = 4", "event 4"),
        ("UPDATE event SET moment = '{}' WHERE seq = 2", "event 4"),
        ("UPDATE outbox SET topic = 'elsewhere' WHERE number = 1", "event 4"),
    ] {
        let folder = Folder::new("altered");
        let path = folder.0.join("altered.journal");
        write(&path).await.close().await.unwrap();
        let conn = rusqlite::Connection::open(&path).unwrap();
        conn.execute_batch("DROP TRIGGER event_fixed; DROP TRIGGER event_payload; DROP TRIGGER outbox_fixed")
            .unwrap();
        conn.execute_batch(sql).unwrap();
        let (ours, theirs) = (verify(&path).unwrap_err().to_string(), python(&path));
        assert!(ours.starts_with(event), "{sql}: {ours}");
        assert!(!theirs.status.success() && says(&theirs).starts_with(event), "{sql}: {}", says(&theirs));
    }
}
