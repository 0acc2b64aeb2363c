//! What has left the state: written with its events, found again by every name it has.

use super::*;

fn row(number: u128, label: &str, closed_ns: i64, seq: u64, state: &str) -> ClosedRow {
    ClosedRow {
        id: Uuid::from_u128(number << 64),
        label: label.to_owned(),
        closed_ns,
        seq,
        state: state.to_owned(),
        parts: vec![Uuid::from_u128((number << 64) + 1), Uuid::from_u128((number << 64) + 2)],
    }
}

async fn written(folder: &Folder) -> (Journal, Chain) {
    let (journal, fresh) = open(folder);
    let mut chain = fresh.chain;
    for n in 1..=9_u64 {
        let label = if n % 3 == 0 { "quarry" } else { "river" };
        let closed = row(n.into(), label, i64::try_from(n).unwrap() * 100, n, &format!("{{\"n\":{n}}}"));
        let batch = Batch { closed: vec![closed], ..press(&mut chain, n.into()) };
        journal.commit(batch).await.unwrap();
    }
    (journal, chain)
}

fn numbers(found: &[ClosedFound]) -> Vec<u64> {
    found.iter().map(|row| row.number).collect()
}

#[tokio::test]
async fn it_is_found_by_its_identity_a_part_its_label_and_its_time_a_page_at_a_time() {
    let folder = Folder::new();
    let (journal, _) = written(&folder).await;
    let reader = Reader::open(&folder.journal()).unwrap();
    for id in [5_u128 << 64, (5_u128 << 64) + 2].map(Uuid::from_u128) {
        let (by_handle, by_reader) = (journal.closed(id).await.unwrap(), reader.closed(id).unwrap());
        assert_eq!(by_handle, by_reader);
        assert_eq!(by_handle.unwrap().state, "{\"n\":5}");
    }
    assert_eq!(journal.closed(Uuid::from_u128(77)).await.unwrap(), None);
    let page = |wanted: ClosedWanted, limit| reader.closed_page(&wanted, limit).unwrap();
    let first = page(ClosedWanted::default(), 4);
    assert_eq!(numbers(&first), [9, 8, 7, 6]);
    let before = first.last().map(|row| row.number);
    assert_eq!(numbers(&page(ClosedWanted { before, ..Default::default() }, 4)), [5, 4, 3, 2]);
    let label = Some("quarry".to_owned());
    assert_eq!(numbers(&page(ClosedWanted { label: label.clone(), ..Default::default() }, 9)), [9, 6, 3]);
    let ids = Some((Uuid::from_u128(4 << 64), Uuid::from_u128(7 << 64)));
    assert_eq!(numbers(&page(ClosedWanted { ids, ..Default::default() }, 9)), [6, 5, 4]);
    // Those of a span of time are known already: the rest of these identities.
    let rest = ClosedWanted { ids, not_left: Some((500, 600)), ..Default::default() };
    assert_eq!(numbers(&page(rest, 9)), [6, 4]);
    let some = ClosedWanted { label, from_ns: Some(300), before_ns: Some(900), ..Default::default() };
    assert_eq!(numbers(&page(some.clone(), 9)), [6, 3]);
    assert_eq!(journal.closed_page(some, 1).await.unwrap().len(), 1);
}

#[tokio::test]
async fn a_later_state_takes_the_place_of_the_earlier_and_keeps_its_number_and_time() {
    let folder = Folder::new();
    let (journal, mut chain) = written(&folder).await;
    let again = row(2, "another", 5000, 10, "{\"corrected\":true}");
    journal.commit(Batch { closed: vec![again], ..press(&mut chain, 50) }).await.unwrap();
    let found = journal.closed(Uuid::from_u128(2 << 64)).await.unwrap().unwrap();
    assert_eq!((found.number, found.closed_ns, found.seq), (2, 200, 10));
    assert_eq!((found.label.as_str(), found.state.as_str()), ("river", "{\"corrected\":true}"));
    assert_eq!(journal.closed_page(ClosedWanted::default(), 99).await.unwrap().len(), 9);
}

#[tokio::test]
async fn a_batch_that_is_refused_leaves_no_row_and_a_row_cannot_run_ahead_of_its_events() {
    let folder = Folder::new();
    let (journal, mut chain) = written(&folder).await;
    let ahead = row(20, "ahead", 1, 99, "{}");
    let refused = journal.commit(Batch { closed: vec![ahead], ..press(&mut chain.clone(), 60) }).await;
    assert!(matches!(refused, Err(JournalError::Refused { .. })), "{refused:?}");
    let twice = Batch { closed: vec![row(20, "twice", 1, 10, "{}")], ..press(&mut chain, 5) };
    journal.commit(twice).await.unwrap_err();
    assert_eq!(journal.closed(Uuid::from_u128(20 << 64)).await.unwrap(), None);
}

#[tokio::test]
async fn it_goes_along_into_a_backup_and_the_database_refuses_to_delete_it() {
    let folder = Folder::new();
    let (journal, _) = written(&folder).await;
    let copy = folder.path().join("copy.journal");
    journal.backup(&copy).await.unwrap();
    let found = Reader::open(&copy).unwrap().closed_page(&ClosedWanted::default(), 99).unwrap();
    assert_eq!(found.len(), 9);
    journal.close().await.unwrap();
    let conn = rusqlite::Connection::open(folder.journal()).unwrap();
    assert!(conn.execute("DELETE FROM closed WHERE number = 1", []).is_err());
    assert!(conn.execute("UPDATE closed SET label = 'x' WHERE number = 1", []).is_err());
}

#[tokio::test]
async fn an_older_journal_gets_the_tables_and_goes_on() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    journal.commit(press(&mut chain, 1)).await.unwrap();
    journal.close().await.unwrap();
    let conn = rusqlite::Connection::open(folder.journal()).unwrap();
    conn.execute_batch("DROP TABLE closed_part; DROP TABLE closed").unwrap();
    relay::older(&conn, 1);
    drop(conn);
    assert_eq!(verify(&folder.journal()).unwrap().format, 1);
    let old = Reader::open(&folder.journal()).unwrap();
    assert_eq!(old.closed_page(&ClosedWanted::default(), 9).unwrap(), []);
    assert_eq!(old.closed(ID).unwrap(), None);
    let (journal, again) = open(&folder);
    assert_eq!((again.format, again.chain.link()), (5, chain.link()));
    let batch = Batch { closed: vec![row(1, "river", 1, 2, "{}")], ..press(&mut chain, 2) };
    journal.commit(batch).await.unwrap();
    assert!(journal.closed(Uuid::from_u128(1 << 64)).await.unwrap().is_some());
}
