//! What `verify` finds when somebody changed the file behind the journal's back.

use super::*;
use rusqlite::Connection;

/// Events 1 pressed, 2 3 sampled, 4 pressed (anchors document 1), 5 pressed, 6 sampled,
/// 7 pressed, 8 sampled; document 2 after the last chained event.
async fn written(folder: &Folder) -> Chain {
    let (journal, fresh) = open(folder);
    let mut chain = fresh.chain;
    let batches = [
        press(&mut chain, 1),
        sample(&mut chain, 2),
        sample(&mut chain, 3),
        issue(&mut chain, 4, "r1"),
        press(&mut chain, 5),
        sample(&mut chain, 6),
        press(&mut chain, 7),
        sample(&mut chain, 8),
        Batch { outbox: vec![chain.document(document("r2", "record"))], ..Batch::default() },
    ];
    for batch in batches {
        journal.commit(batch).await.unwrap();
    }
    journal.close().await.unwrap();
    chain
}

/// Changes the file as somebody would who knows SQL: guards taken off first.
fn tamper(folder: &Folder, sql: &str) {
    let conn = Connection::open(folder.journal()).unwrap();
    let guards: Vec<String> = conn
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'trigger'")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    for guard in guards {
        conn.execute_batch(&format!("DROP TRIGGER {guard}")).unwrap();
    }
    conn.execute_batch("PRAGMA ignore_check_constraints = 1; PRAGMA foreign_keys = 0").unwrap();
    conn.execute_batch(sql).unwrap();
}

async fn after(sql: &str) -> Result<Verified, VerifyFault> {
    let folder = Folder::new();
    written(&folder).await;
    verify(&folder.journal()).unwrap();
    tamper(&folder, sql);
    verify(&folder.journal())
}

#[track_caller]
fn first(found: Result<Verified, VerifyFault>, at: u64, expected: Altered) {
    match found {
        Err(VerifyFault::Altered { seq, what, .. }) => assert_eq!((seq, what), (at, expected)),
        other => panic!("expected {expected:?} at {at}, found {other:?}"),
    }
}

const HASH: &str = "x'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855'"; // SHA-256 of nothing

#[tokio::test]
async fn a_sound_journal_verifies_and_says_what_it_holds() {
    let folder = Folder::new();
    let chain = written(&folder).await;
    let verified = verify(&folder.journal()).unwrap();
    assert_eq!(
        verified,
        Verified {
            journal_id: ID,
            format: 5,
            events: 8,
            samples: 4,
            removed: 0,
            documents: 2,
            removed_documents: 0,
            removals: Vec::new(),
            loose_samples: 1,
            loose_documents: 1,
            head_seq: 8,
            head_link: chain.link(),
        }
    );
}

#[tokio::test]
async fn a_changed_payload_is_found() {
    first(after("UPDATE event SET payload = '{\"number\":40}' WHERE seq = 5").await, 5, Altered::Payload);
    // With its hash changed along, the link gives it away.
    let both = format!("UPDATE event SET payload = '', payload_hash = {HASH} WHERE seq = 5");
    first(after(&both).await, 5, Altered::Header);
}

#[tokio::test]
async fn a_changed_header_is_found_whichever_field() {
    for change in [
        "kind = 'released'",
        "version = 2",
        "moment = '{\"wall\":6}'",
        "input = (SELECT id FROM input WHERE number = 1)",
        "samples = 7",
        "samples_digest = zeroblob(32)",
        "documents = 900",
        "documents_digest = zeroblob(32)",
        "chained = 0",
        "chained = 0, link = NULL",
    ] {
        let sql = format!("UPDATE event SET {change} WHERE seq = 4");
        first(after(&sql).await, 4, Altered::Header);
    }
}

#[tokio::test]
async fn a_changed_link_is_told_from_a_changed_header() {
    first(after("UPDATE event SET link = zeroblob(32) WHERE seq = 4").await, 4, Altered::Link);
}

#[tokio::test]
async fn a_deleted_event_is_found() {
    for seq in [1, 3, 5] {
        let sql = format!("DELETE FROM event WHERE seq = {seq}");
        first(after(&sql).await, seq + 1, Altered::Missing { expected: seq });
    }
}

#[tokio::test]
async fn deletion_with_renumbering_is_found() {
    let sql = "DELETE FROM event WHERE seq = 5; UPDATE event SET seq = seq - 1 WHERE seq > 5";
    first(after(sql).await, 6, Altered::Header);
}

#[tokio::test]
async fn swapped_events_are_found() {
    let swap = |a: u32, b: u32| {
        format!(
            "UPDATE event SET seq = 99 WHERE seq = {a}; UPDATE event SET seq = {a} WHERE seq = {b}; \
             UPDATE event SET seq = {b} WHERE seq = 99"
        )
    };
    first(after(&swap(4, 5)).await, 4, Altered::Header);
    first(after(&swap(2, 3)).await, 4, Altered::Samples { from: 2, to: 3 });
}

#[tokio::test]
async fn a_changed_sample_is_found() {
    first(after("UPDATE event SET payload = '{}' WHERE seq = 2").await, 2, Altered::Payload);
    let both = format!("UPDATE event SET payload = '', payload_hash = {HASH} WHERE seq = 3");
    first(after(&both).await, 4, Altered::Samples { from: 2, to: 3 });
    let moment = "UPDATE event SET moment = '{\"wall\":0}' WHERE seq = 6";
    first(after(moment).await, 7, Altered::Samples { from: 6, to: 6 });
}

#[tokio::test]
async fn a_changed_or_deleted_document_is_found() {
    let changed = "UPDATE outbox SET payload = '{\"document\":\"r0\"}' WHERE number = 1";
    first(after(changed).await, 4, Altered::Documents { from: 1, to: 1 });
    first(after("DELETE FROM outbox WHERE number = 1").await, 4, Altered::DocumentMissing { number: 1 });
    first(after("DELETE FROM outbox").await, 4, Altered::DocumentMissing { number: 1 });
    let gap = after("UPDATE outbox SET number = 3 WHERE number = 2").await;
    assert!(matches!(gap, Err(VerifyFault::Outbox { what: Altered::DocumentMissing { number: 2 }, .. })));
}

#[tokio::test]
async fn another_identity_is_found() {
    first(after("UPDATE identity SET id = zeroblob(16)").await, 1, Altered::Header);
    assert!(matches!(after("DELETE FROM identity").await, Err(VerifyFault::Nameless)));
}

#[tokio::test]
async fn an_acknowledgement_alters_nothing() {
    assert!(after("UPDATE outbox SET acked_at_ns = 5").await.is_ok());
}

#[tokio::test]
async fn a_payload_that_is_gone_without_a_removal_is_found() {
    for (seq, at) in [(3, 3), (5, 5)] {
        let sql = format!("UPDATE event SET payload = NULL WHERE seq = {seq}");
        first(after(&sql).await, at, Altered::Blanked);
    }
    let hash = chain::sha256(br#"{"document":"r1"}"#);
    let blank =
        format!("UPDATE outbox SET payload = '', payload_hash = x'{}' WHERE number = 1", chain::hex(&hash));
    first(after(&blank).await, 4, Altered::DocumentBlanked { number: 1 });
    // An event that tells of something else covers nothing, whoever points at it.
    let pointed = format!("{blank}; INSERT INTO removal (seq, done) VALUES (7, 1)");
    first(after(&pointed).await, 4, Altered::DocumentBlanked { number: 1 });
}

#[tokio::test]
async fn the_database_itself_refuses_a_slip() {
    let folder = Folder::new();
    written(&folder).await;
    let conn = Connection::open(folder.journal()).unwrap();
    for slip in [
        "DELETE FROM event WHERE seq = 8",
        "UPDATE event SET payload = '{}' WHERE seq = 1",
        "UPDATE event SET kind = 'released' WHERE seq = 1",
        "DELETE FROM outbox",
        "UPDATE outbox SET payload = '{}'",
        "UPDATE identity SET id = zeroblob(16)",
    ] {
        let error = conn.execute(slip, []).unwrap_err();
        assert!(error.to_string().contains("never"), "{slip}: {error}");
    }
}

#[tokio::test]
async fn a_station_does_not_start_on_an_altered_end() {
    for sql in [
        "UPDATE event SET payload = '{}' WHERE seq = 8",
        "DELETE FROM event WHERE seq = 3",
        "UPDATE outbox SET number = 9 WHERE number = 2",
    ] {
        let folder = Folder::new();
        written(&folder).await;
        tamper(&folder, sql);
        let error = Journal::open(&folder.journal(), &with()).unwrap_err();
        assert!(matches!(error, JournalError::Damaged { .. }), "{sql}: {error}");
    }
}

/// Turns bytes over, as a disk does.
fn turn_over(folder: &Folder, page: i64, size: i64) {
    let mut bytes = std::fs::read(folder.journal()).unwrap();
    let at = usize::try_from((page - 1) * size).unwrap();
    bytes[at..at + 8].iter_mut().for_each(|byte| *byte = !*byte);
    std::fs::write(folder.journal(), bytes).unwrap();
}

#[tokio::test]
async fn damage_beside_the_chain_is_found_too() {
    for name in ["input", "sqlite_autoindex_input_1"] {
        let folder = Folder::new();
        written(&folder).await;
        let conn = Connection::open(folder.journal()).unwrap();
        let root = "SELECT rootpage FROM sqlite_schema WHERE name = ?1";
        let page: i64 = conn.query_row(root, [name], |row| row.get(0)).unwrap();
        let size: i64 = conn.pragma_query_value(None, "page_size", |row| row.get(0)).unwrap();
        conn.close().unwrap();
        verify(&folder.journal()).unwrap();
        turn_over(&folder, page, size);
        let found = verify(&folder.journal());
        assert!(matches!(found, Err(VerifyFault::Beside { seq: 8, .. })), "{name}: {found:?}");
    }
    // A text that is none: what it was is gone.
    let torn = after("UPDATE input SET payload = CAST(x'7bff7d' AS TEXT) WHERE number = 1").await;
    assert!(matches!(torn, Err(VerifyFault::Beside { seq: 8, .. })), "{torn:?}");
}
