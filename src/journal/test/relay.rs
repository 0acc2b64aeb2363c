//! The outbox as the relay and the pages use it, and copies of a running journal.

use super::*;
use std::time::Duration;

async fn filled(folder: &Folder, documents: u32) -> (Journal, Chain) {
    let (journal, fresh) = open(folder);
    let mut chain = fresh.chain;
    for number in 1..=documents {
        journal.commit(issue(&mut chain, number.into(), &format!("r{number}"))).await.unwrap();
    }
    (journal, chain)
}

fn numbers(rows: &[OutboxRow]) -> Vec<u64> {
    rows.iter().map(|row| row.number).collect()
}

#[tokio::test]
async fn documents_come_in_pages() {
    let folder = Folder::new();
    let (journal, mut chain) = filled(&folder, 5).await;
    let other = chain.document(document("w1", "weighing"));
    journal.commit(Batch { outbox: vec![other], ..press(&mut chain, 6) }).await.unwrap();

    assert_eq!(numbers(&journal.outbox_from(0, 2).await.unwrap()), [1, 2]);
    assert_eq!(numbers(&journal.outbox_from(3, 9).await.unwrap()), [3, 4, 5, 6]);
    assert_eq!(numbers(&journal.outbox_from(4, 2).await.unwrap()), [4, 5]);
    assert_eq!(numbers(&journal.documents("record", None, 3).await.unwrap()), [5, 4, 3]);
    assert_eq!(numbers(&journal.documents("record", Some(3), 3).await.unwrap()), [2, 1]);
    assert_eq!(numbers(&journal.documents("weighing", None, 3).await.unwrap()), [6]);
    assert_eq!(journal.document("r9").await.unwrap(), None);
}

#[tokio::test]
async fn an_acknowledgement_stands_for_all_before_it_even_before_its_mark_is_stored() {
    let folder = Folder::new();
    let (journal, mut chain) = filled(&folder, 4).await;
    journal.note_acked(1, 100);
    assert_eq!(journal.unacked_count().await.unwrap(), 3);

    // It rides on the next commit; what is older than it changes nothing.
    journal.commit(press(&mut chain, 5)).await.unwrap();
    journal.note_acked(1, 999);
    let mut batch = press(&mut chain, 6);
    batch.acked = Some((3, 300));
    journal.commit(batch).await.unwrap();
    let acked: Vec<_> = journal.outbox_from(0, 9).await.unwrap().iter().map(|r| r.acked_at_ns).collect();
    assert_eq!(acked, [Some(100), Some(300), Some(300), None]);
    assert_eq!(journal.unacked_count().await.unwrap(), 1);
    journal.close().await.unwrap();
    assert_eq!(open(&folder).0.unacked_count().await.unwrap(), 1);
}

#[tokio::test]
async fn an_acknowledgement_of_what_is_not_there_holds_for_nothing_that_comes_later() {
    let folder = Folder::new();
    let (journal, mut chain) = filled(&folder, 2).await;
    journal.note_acked(99, 1);
    journal.commit(press(&mut chain, 3)).await.unwrap();
    journal.commit(issue(&mut chain, 4, "r3")).await.unwrap();
    assert_eq!(journal.unacked_count().await.unwrap(), 1);
    let acked: Vec<_> = journal.outbox_from(0, 9).await.unwrap().iter().map(|r| r.acked_at_ns).collect();
    assert_eq!(acked, [Some(1), Some(1), None]);
}

#[tokio::test]
async fn waiting_acknowledgements_are_stored_at_the_close() {
    let folder = Folder::new();
    let (journal, _) = filled(&folder, 2).await;
    journal.note_acked(1, 100);
    journal.close().await.unwrap();
    let (journal, _) = open(&folder);
    assert_eq!(journal.unacked_count().await.unwrap(), 1);
    journal.note_acked(2, 200);
    drop(journal);
    assert_eq!(open(&folder).0.unacked_count().await.unwrap(), 0);
}

/// Seen by a connection of its own: the marks reached the file without any commit to ride on.
async fn marks_arrive(folder: &Folder, expected: usize) {
    let reader = Reader::open(&folder.journal()).unwrap();
    let mut ticks = tokio::time::interval(std::time::Duration::from_millis(20));
    let arrived = async {
        while reader.documents(0, 999).unwrap().iter().filter(|r| r.acked_at_ns.is_some()).count() < expected
        {
            ticks.tick().await;
        }
    };
    tokio::time::timeout(std::time::Duration::from_secs(30), arrived).await.unwrap();
}

#[tokio::test]
async fn acknowledgements_without_company_are_stored_alone() {
    let folder = Folder::new();
    let (journal, _) = filled(&folder, 70).await;
    journal.note_acked(1, 1);
    marks_arrive(&folder, 1).await;
    (2..=65).for_each(|number| journal.note_acked(number, 1));
    marks_arrive(&folder, 65).await;
}

#[tokio::test]
async fn the_relay_is_woken_by_each_new_document() {
    let folder = Folder::new();
    let (journal, mut chain) = filled(&folder, 1).await;
    let mut newest = journal.newest_document();
    assert_eq!(*newest.borrow_and_update(), 1);
    journal.commit(press(&mut chain, 2)).await.unwrap();
    assert!(!newest.has_changed().unwrap());
    journal.commit(issue(&mut chain, 3, "r3")).await.unwrap();
    assert!(newest.has_changed().unwrap());
    assert_eq!(*newest.borrow_and_update(), 2);
}

#[tokio::test]
async fn a_backup_of_a_running_journal_verifies_and_goes_on_under_a_new_identity() {
    let folder = Folder::new();
    let (journal, mut chain) = filled(&folder, 3).await;
    journal.commit(sample(&mut chain, 4)).await.unwrap();
    let copy = folder.path().join("copy of %3F?#.journal");
    journal.backup(&copy).await.unwrap();
    assert!(journal.backup(&copy).await.unwrap_err().to_string().contains("copy of"));
    journal.commit(press(&mut chain, 5)).await.unwrap();

    let verified = verify(&copy).unwrap();
    assert_eq!((verified.head_seq, verified.documents, verified.journal_id), (4, 3, ID));
    let fresh = Uuid::from_u128(77);
    let (restored, mut back) = Journal::open(&copy, &OpenWith { fresh_id: fresh, now_wall_ns: 9 }).unwrap();
    assert_eq!((back.journal_id, back.restored_from), (fresh, Some(ID)));
    restored.commit(press(&mut back.chain, 5)).await.unwrap();
    assert_ne!(back.chain.link(), chain.link());
    restored.close().await.unwrap();
    let verified = verify(&copy).unwrap();
    assert_eq!((verified.head_seq, verified.journal_id), (5, fresh));
    // The second opening is an ordinary one, and so is that of the original.
    let again = OpenWith { fresh_id: Uuid::from_u128(78), now_wall_ns: 10 };
    let (_restored, back) = Journal::open(&copy, &again).unwrap();
    assert_eq!((back.journal_id, back.restored_from), (fresh, None));
    journal.close().await.unwrap();
    assert_eq!(open(&folder).1.journal_id, ID);
}

#[tokio::test]
async fn an_adopted_identity_is_chained() {
    let folder = Folder::new();
    let (journal, mut chain) = filled(&folder, 1).await;
    journal.commit(sample(&mut chain, 2)).await.unwrap();
    let fresh = Uuid::from_u128(5);
    let mut adopted = journal.adopt_new_id(fresh, 9).await.unwrap();
    assert_eq!((adopted.journal_id, adopted.chain.seq(), adopted.outbox_next), (fresh, 2, 2));
    let error = journal.commit(press(&mut chain, 3)).await.unwrap_err();
    assert!(matches!(error, JournalError::Refused { .. }), "{error}");
    journal.commit(press(&mut adopted.chain, 3)).await.unwrap();
    journal.close().await.unwrap();
    assert_eq!(verify(&folder.journal()).unwrap().head_link, adopted.chain.link());
    assert_eq!(open(&folder).1.chain.link(), adopted.chain.link());
}

#[tokio::test]
async fn the_count_of_what_waits_is_kept_right_without_counting_again() {
    let folder = Folder::new();
    let (journal, mut chain) = filled(&folder, 3).await;
    assert_eq!(journal.unacked_count().await.unwrap(), 3);
    journal.commit(issue(&mut chain, 4, "r4")).await.unwrap();
    let mut batch = issue(&mut chain, 5, "r5");
    batch.acked = Some((1, 10));
    journal.note_acked(2, 13);
    journal.commit(batch).await.unwrap();
    assert_eq!(journal.unacked_count().await.unwrap(), 3, "3, 4 and 5");
    journal.commit(issue(&mut chain.clone(), 6, "r1")).await.unwrap_err();
    assert_eq!(journal.unacked_count().await.unwrap(), 3, "the refused batch counts nothing");
    journal.reload().await.unwrap();
    assert_eq!(journal.unacked_count().await.unwrap(), 3);
}

#[tokio::test]
async fn sending_goes_on_behind_the_recent_tail_and_never_from_the_first_document() {
    let folder = Folder::new();
    let (journal, mut chain) = filled(&folder, 5).await;
    let (ns, year) = (Duration::from_nanos, Duration::from_hours(24 * 365));
    assert_eq!(journal.resume_sending(year).await.unwrap(), (0, 0), "nothing is acknowledged");
    for (number, at_ns) in [(1, 100), (2, 200), (3, 300), (4, 400)] {
        let mut batch = press(&mut chain, 5 + u128::from(number));
        batch.acked = Some((number, at_ns));
        journal.commit(batch).await.unwrap();
    }
    assert_eq!(
        journal.resume_sending(ns(101)).await.unwrap(),
        (4, 2),
        "3 was acknowledged less than 101 ns before 4, which is the newest; 5 is not"
    );
    assert_eq!(journal.resume_sending(ns(100)).await.unwrap(), (4, 3));
    assert_eq!(journal.resume_sending(year).await.unwrap(), (4, 0));
    journal.note_acked(5, 500);
    journal.close().await.unwrap();
    let (journal, _) = open(&folder);
    assert_eq!(journal.resume_sending(ns(0)).await.unwrap(), (5, 5));
    assert_eq!(journal.resume_sending(ns(1)).await.unwrap(), (5, 4));
    assert_eq!(journal.resume_sending(ns(101)).await.unwrap(), (5, 3), "whatever the clock says at a start");

    // 1,200 documents in one mark.
    let mut chain = journal.reload().await.unwrap().chain;
    let mut batch = press(&mut chain.clone(), 17);
    batch.outbox = (6..=1205).map(|n| chain.document(document(&format!("r{n}"), "record"))).collect();
    batch.events = press(&mut chain, 17).events;
    batch.acked = Some((1205, 1_000_000));
    journal.commit(batch).await.unwrap();
    assert_eq!(journal.resume_sending(ns(1)).await.unwrap(), (1205, 205), "the newest thousand and no more");
    assert_eq!(journal.resume_sending(year).await.unwrap(), (1205, 205));
}

/// Makes a journal what it was before acknowledgements had a table of their own.
pub(super) fn older(conn: &rusqlite::Connection, format: u32) {
    conn.execute_batch(
        "DROP TABLE found; DROP TABLE listed; DROP TABLE removal; DROP TABLE grown; DROP TRIGGER outbox_payload; \
         ALTER TABLE outbox DROP COLUMN payload_hash; DROP TABLE taken; CREATE INDEX outbox_unacked ON outbox (number) WHERE acked_at_ns IS NULL;",
    )
    .unwrap();
    conn.pragma_update(None, "user_version", format).unwrap();
}

#[tokio::test]
async fn marks_of_an_older_journal_go_over_and_what_it_did_not_mark_goes_out() {
    let folder = Folder::new();
    let (journal, _) = filled(&folder, 6).await;
    journal.close().await.unwrap();
    let conn = rusqlite::Connection::open(folder.journal()).unwrap();
    older(&conn, 2);
    conn.execute_batch("UPDATE outbox SET acked_at_ns = number * 100 WHERE number <> 5").unwrap();
    drop(conn);
    let seen = |rows: Vec<OutboxRow>| rows.iter().map(|row| row.acked_at_ns).collect::<Vec<_>>();
    let old = Reader::open(&folder.journal()).unwrap();
    let marks = [Some(100), Some(200), Some(300), Some(400), None, Some(600)];
    assert_eq!(seen(old.documents(0, 9).unwrap()), marks, "an older file is read as it is");
    drop(old);
    let (journal, _) = open(&folder);
    // 6 was acknowledged behind 5, which was not: both go out, in order.
    let marks = [Some(100), Some(200), Some(300), Some(400), None, None];
    assert_eq!(seen(journal.outbox_from(0, 9).await.unwrap()), marks);
    assert_eq!(journal.unacked_count().await.unwrap(), 2);
    assert_eq!(journal.resume_sending(Duration::from_nanos(101)).await.unwrap(), (4, 2));
    journal.note_acked(6, 700);
    journal.close().await.unwrap();
    assert_eq!(open(&folder).0.unacked_count().await.unwrap(), 0);
}
