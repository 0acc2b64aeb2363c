//! What goes in comes back, and what fails leaves nothing.

use super::super::error::Trouble;
use super::super::faults::{FaultPoint, NoFaults};
use super::super::store::Store;
use super::*;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

#[tokio::test]
async fn what_was_committed_comes_back_after_a_restart() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    assert_eq!((fresh.journal_id, fresh.outbox_next), (ID, 1));
    let mut chain = fresh.chain;
    let batches =
        [press(&mut chain, 1), sample(&mut chain, 2), issue(&mut chain, 3, "r1"), sample(&mut chain, 4)];
    for batch in &batches {
        journal.commit(batch.clone()).await.unwrap();
    }
    journal.close().await.unwrap();

    let (journal, back) = open(&folder);
    let events: Vec<EventRow> = batches.iter().flat_map(|b| b.events.clone()).collect();
    assert_eq!(back.events_after, events);
    assert_eq!((back.chain.seq(), back.chain.link()), (chain.seq(), chain.link()));
    assert_eq!((back.outbox_next, back.journal_id), (2, ID));
    assert_eq!(journal.unacked_count().await.unwrap(), 1);
    assert_eq!(journal.input(Uuid::from_u128(3)).await.unwrap(), Some(input(3)));
    assert_eq!(journal.document("r1").await.unwrap().unwrap(), batches[2].outbox[0]);
    // The restored head continues as the living one does: the waiting sample is in both.
    let (mut restored, mut living) = (back.chain, chain);
    assert_eq!(press(&mut restored, 5), press(&mut living, 5));
}

#[tokio::test]
async fn a_batch_that_says_where_it_stands_is_taken_there_and_nowhere_else() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    let said = |from: &Chain, to: &Chain| Some(Box::new(Continued { from: from.clone(), to: to.clone() }));
    let from = chain.clone();
    let first = Batch { continued: None, ..issue(&mut chain, 1, "r1") };
    let whole = Batch { continued: said(&from, &chain), ..first.clone() };
    let short = Batch { outbox: Vec::new(), ..whole.clone() };
    let elsewhere = Batch { continued: said(&chain, &chain), ..whole.clone() };
    for wrong in [short, elsewhere] {
        let refused = journal.commit(wrong).await;
        assert!(matches!(refused, Err(JournalError::Refused { .. })), "{refused:?}");
    }
    journal.commit(whole.clone()).await.unwrap();
    // A head that never came to be: a sample that was not stored stands before it.
    let mut other = chain.clone();
    sample(&mut other, 2);
    let from = other.clone();
    let lost = Batch { continued: said(&from, &other), ..press(&mut other, 3) };
    for wrong in [whole, lost] {
        assert!(matches!(journal.commit(wrong).await, Err(JournalError::Refused { .. })));
    }
    journal.commit(press(&mut chain, 4)).await.unwrap();
    journal.close().await.unwrap();
    let verified = verify(&folder.journal()).unwrap();
    assert_eq!((verified.head_seq, verified.head_link), (2, chain.link()));
    assert_eq!(open(&folder).1.chain, chain);
}

#[tokio::test]
async fn only_events_after_the_newest_snapshot_are_read_again() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    for number in 1..=4 {
        let mut batch = press(&mut chain, number);
        batch.snapshot = Some((chain.seq(), format!(r#"{{"upto":{number}}}"#)));
        journal.commit(batch).await.unwrap();
    }
    journal.commit(press(&mut chain, 5)).await.unwrap();
    let newest = journal.reload().await.unwrap();
    assert_eq!(newest.snapshot, Some((4, r#"{"upto":4}"#.to_owned())));
    assert_eq!(newest.events_after.iter().map(|e| e.seq).collect::<Vec<_>>(), [5]);
    let older = journal.reload_before(4).await.unwrap();
    assert_eq!(older.snapshot, Some((3, r#"{"upto":3}"#.to_owned())));
    assert_eq!(older.events_after.iter().map(|e| e.seq).collect::<Vec<_>>(), [4, 5]);
    // Only two are kept: before those, the fold starts at the first event.
    let none = journal.reload_before(3).await.unwrap();
    assert_eq!((none.snapshot, none.events_after.len()), (None, 5));
}

#[test]
fn a_second_station_on_the_same_journal_is_refused_and_told_who_has_it() {
    let folder = Folder::new();
    let (first, _) = open(&folder);
    let link = folder.path().join("other-name.journal");
    std::os::unix::fs::symlink(folder.journal(), &link).unwrap();
    for name in [folder.journal(), link] {
        let error = Journal::open(&name, &with()).unwrap_err();
        assert!(matches!(error, JournalError::Held { .. }), "{error}");
        assert!(error.to_string().contains(&format!("process {}", std::process::id())), "{error}");
    }
    drop(first);
    open(&folder);
}

fn failing(folder: &Folder, point: FaultPoint) -> (Journal, Restored, Arc<AtomicBool>) {
    let on = Arc::new(AtomicBool::new(false));
    let switch = on.clone();
    let faults = move |at: FaultPoint| at == point && switch.load(Ordering::Relaxed);
    let (journal, restored) =
        Journal::open_with_faults(&folder.journal(), &with(), Box::new(faults)).unwrap();
    (journal, restored, on)
}

#[tokio::test]
async fn a_failed_commit_leaves_nothing_and_the_journal_goes_on() {
    let folder = Folder::new();
    let (journal, fresh, failing) = failing(&folder, FaultPoint::BeforeCommit);
    let mut chain = fresh.chain;
    journal.commit(press(&mut chain, 1)).await.unwrap();
    failing.store(true, Ordering::Relaxed);
    let error = journal.commit(issue(&mut chain, 2, "lost")).await.unwrap_err();
    assert!(matches!(error, JournalError::Disk { .. }), "{error}");
    failing.store(false, Ordering::Relaxed);

    // The next batch stands on a head that never came to be.
    let error = journal.commit(press(&mut chain, 3)).await.unwrap_err();
    assert!(matches!(error, JournalError::Refused { .. }), "{error}");
    let mut back = journal.reload().await.unwrap();
    assert_eq!((back.chain.seq(), back.events_after.len(), back.outbox_next), (1, 1, 1));
    assert_eq!(journal.document("lost").await.unwrap(), None);
    assert_eq!(journal.input(Uuid::from_u128(2)).await.unwrap(), None);
    journal.commit(press(&mut back.chain, 2)).await.unwrap();
    journal.close().await.unwrap();
    assert_eq!(verify(&folder.journal()).unwrap().events, 2);
}

#[tokio::test]
async fn a_commit_that_only_looked_failed_is_found_by_reloading() {
    let folder = Folder::new();
    let (journal, fresh, failing) = failing(&folder, FaultPoint::AfterCommit);
    let mut chain = fresh.chain;
    failing.store(true, Ordering::Relaxed);
    journal.commit(press(&mut chain, 1)).await.unwrap_err();
    failing.store(false, Ordering::Relaxed);
    let mut back = journal.reload().await.unwrap();
    assert_eq!((back.chain.seq(), back.chain.link()), (1, chain.link()));
    journal.commit(press(&mut back.chain, 2)).await.unwrap();
}

#[tokio::test]
async fn one_bad_row_refuses_the_whole_batch() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let head = fresh.chain;
    journal.commit(press(&mut head.clone(), 1)).await.unwrap();
    let chain = journal.reload().await.unwrap().chain;

    let mut twice = press(&mut chain.clone(), 2);
    twice.inputs.push(input(1));
    let mut orphan = press(&mut chain.clone(), 2);
    orphan.inputs.clear();
    let mut changed = press(&mut chain.clone(), 2);
    changed.events[0].kind = "released".to_owned();
    let mut gap = chain.clone();
    press(&mut gap, 2);
    let mut ahead = press(&mut chain.clone(), 2);
    ahead.snapshot = Some((9, "{}".to_owned()));
    let mut forgotten = issue(&mut chain.clone(), 2, "r");
    forgotten.events = press(&mut chain.clone(), 2).events;
    let mut later = chain.clone();
    later.document(document("r", "record"));
    let missing = press(&mut later, 2);
    for bad in [twice, orphan, changed, press(&mut gap, 3), ahead, missing] {
        let error = journal.commit(bad).await.unwrap_err();
        assert!(matches!(error, JournalError::Refused { .. }), "{error}");
    }
    // A document that no event of its batch anchors is taken: the next event has to.
    journal.commit(forgotten).await.unwrap();
    let back = journal.reload().await.unwrap();
    assert_eq!((back.chain.seq(), back.chain.loose_documents()), (2, 1));
}

#[test]
fn a_full_disk_fails_the_batch_and_room_heals_it() {
    let folder = Folder::new();
    let (mut store, fresh) = Store::open(&folder.journal(), &with(), Box::new(NoFaults)).unwrap();
    let mut chain = fresh.chain;
    store.commit(press(&mut chain, 1)).unwrap();
    let pages: i64 = store.connection().pragma_query_value(None, "page_count", |r| r.get(0)).unwrap();
    let room = |store: &Store, pages: i64| {
        store.connection().query_row(&format!("PRAGMA max_page_count = {pages}"), [], |_| Ok(())).unwrap();
    };
    room(&store, pages);
    let mut big = press(&mut chain.clone(), 2);
    big.inputs[0].payload = "x".repeat(100_000);
    let error = store.commit(big.clone()).unwrap_err();
    assert!(matches!(error, JournalError::Disk { trouble: Trouble::Full, .. }), "{error}");
    assert!(error.to_string().contains("full"), "{error}");
    assert_eq!(store.reload(None).unwrap().chain.seq(), 1);
    room(&store, 1_000_000);
    store.commit(big.clone()).unwrap();
}

#[test]
fn a_disk_that_turned_read_only_fails_the_batch_and_heals() {
    let folder = Folder::new();
    let (mut store, fresh) = Store::open(&folder.journal(), &with(), Box::new(NoFaults)).unwrap();
    let mut chain = fresh.chain;
    store.connection().pragma_update(None, "query_only", true).unwrap();
    let batch = press(&mut chain, 1);
    let error = store.commit(batch.clone()).unwrap_err();
    assert!(matches!(error, JournalError::Disk { trouble: Trouble::ReadOnly, .. }), "{error}");
    store.connection().pragma_update(None, "query_only", false).unwrap();
    store.commit(batch.clone()).unwrap();
}

#[test]
fn files_that_are_something_else_are_left_alone() {
    let folder = Folder::new();
    let path = folder.journal();
    std::fs::write(&path, "a diary, but of paper ".repeat(100)).unwrap();
    let before = std::fs::read(&path).unwrap();
    let error = Journal::open(&path, &with()).unwrap_err();
    assert!(matches!(error, JournalError::Foreign { .. }), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), before);

    std::fs::remove_file(&path).unwrap();
    rusqlite::Connection::open(&path).unwrap().execute_batch("CREATE TABLE contact (name TEXT)").unwrap();
    let before = std::fs::read(&path).unwrap();
    let error = Journal::open(&path, &with()).unwrap_err();
    assert!(matches!(error, JournalError::Foreign { .. }), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), before);

    let nowhere = folder.path().join("gone").join("bench.journal");
    let error = Journal::open(&nowhere, &with()).unwrap_err();
    assert!(error.to_string().contains(&nowhere.display().to_string()), "{error}");
    assert!(verify(&nowhere).is_err());
}

#[tokio::test]
async fn a_journal_of_a_newer_format_is_verified_but_never_written() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    journal.commit(press(&mut chain, 1)).await.unwrap();
    journal.close().await.unwrap();
    rusqlite::Connection::open(folder.journal()).unwrap().pragma_update(None, "user_version", 77).unwrap();
    let before = std::fs::read(folder.journal()).unwrap();
    let error = Journal::open(&folder.journal(), &with()).unwrap_err();
    assert!(matches!(error, JournalError::Newer { found: 77, .. }), "{error}");
    assert_eq!(std::fs::read(folder.journal()).unwrap(), before);
    let verified = verify(&folder.journal()).unwrap();
    assert_eq!((verified.format, verified.head_link), (77, chain.link()));
}

#[tokio::test]
async fn every_clone_of_a_closed_journal_says_so() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let clone = journal.clone();
    journal.close().await.unwrap();
    let mut chain = fresh.chain;
    assert!(matches!(clone.commit(press(&mut chain, 1)).await, Err(JournalError::Closed)));
    clone.note_acked(1, 1);
}
