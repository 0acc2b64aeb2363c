//! The list of documents that people look for, in the file and in a reader's own tables.

use super::*;

fn row(number: u64, subject: &str, made_ns: i64, words: &str) -> ListedRow {
    ListedRow {
        number,
        kind: if subject.starts_with('s') { "result" } else { "record" }.to_owned(),
        subject: subject.to_owned(),
        made_ns,
        words: words.to_owned(),
    }
}

/// Documents 1 to 4: two specimens, the first one's second version, and the result of their sample.
fn rows() -> Vec<ListedRow> {
    vec![
        row(1, "a", 100, "q-17-1 river status=preliminary"),
        row(2, "b", 200, "q-17-2 river status=preliminary"),
        row(3, "a", 900, "q-17-1 river status=void"),
        row(4, "s", 950, "q-17 river status=preliminary"),
    ]
}

fn numbers(reader: &Reader, wanted: &ListedWanted) -> Vec<u64> {
    reader.listed(wanted, 9).unwrap().iter().map(|found| found.number).collect()
}

fn all_that_is_asked(reader: &Reader) {
    let any = ListedWanted::default();
    let with = |words: &[&str]| ListedWanted {
        words: words.iter().map(|word| (*word).to_owned()).collect(),
        ..any.clone()
    };
    assert_eq!(numbers(reader, &any), [4, 3, 2, 1]);
    assert_eq!(numbers(reader, &ListedWanted { below: Some(3), ..any.clone() }), [2, 1]);
    assert_eq!(numbers(reader, &ListedWanted { above: Some(2), ascending: true, ..any.clone() }), [3, 4]);
    assert_eq!(numbers(reader, &ListedWanted { newest: true, ..any.clone() }), [4, 3, 2]);
    assert_eq!(numbers(reader, &ListedWanted { kind: Some("result".to_owned()), ..any.clone() }), [4]);
    assert_eq!(numbers(reader, &with(&["17-1", "void"])), [3]);
    assert_eq!(numbers(reader, &with(&["17-1", "lake"])), [0; 0]);
    assert_eq!(numbers(reader, &with(&["%"])), [0; 0], "no sign has a meaning of its own");
    // The second version belongs to the day of the first.
    let day = ListedWanted { from_ns: Some(100), before_ns: Some(200), ..any.clone() };
    assert_eq!(numbers(reader, &day), [3, 1]);
    let found = reader.listed(&any, 9).unwrap();
    assert_eq!(found.iter().map(|f| f.replaced_by).collect::<Vec<_>>(), [None, None, None, Some(3)]);
    assert_eq!(reader.listed_reach().unwrap().0, 4);
}

#[tokio::test]
async fn documents_are_found_by_words_day_kind_and_number() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    journal.commit(issue(&mut chain, 1, "r1")).await.unwrap();
    let mut all = rows();
    let later = all.split_off(2);
    journal.list(all, 2).await.unwrap();
    journal.list(later, 4).await.unwrap();
    let mut reader = Reader::open(&folder.journal()).unwrap();
    assert_eq!(reader.listed_reach().unwrap(), (4, 1));
    all_that_is_asked(&reader);
    // A list of the reader's own begins as the file's, and does not change it.
    reader.hold_still().unwrap();
    reader.own_list().unwrap();
    all_that_is_asked(&reader);
    reader.list(&[row(5, "b", 990, "q-17-2 again")], 5).unwrap();
    assert_eq!(reader.listed_reach().unwrap().0, 5);
    assert_eq!(numbers(&reader, &ListedWanted { newest: true, ..ListedWanted::default() }), [5, 4, 3]);
    assert_eq!(Reader::open(&folder.journal()).unwrap().listed_reach().unwrap().0, 4);
    verify(&folder.journal()).unwrap();
}

#[tokio::test]
async fn an_older_file_has_no_list_until_it_is_opened_for_writing() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    journal.commit(issue(&mut chain, 1, "r1")).await.unwrap();
    journal.close().await.unwrap();
    let conn = rusqlite::Connection::open(folder.journal()).unwrap();
    relay::older(&conn, 2);
    drop(conn);
    assert_eq!(verify(&folder.journal()).unwrap().documents, 1, "an older file verifies as it is");
    let mut reader = Reader::open(&folder.journal()).unwrap();
    assert_eq!(reader.listed_reach().unwrap(), (0, 0));
    assert_eq!(reader.listed(&ListedWanted::default(), 9).unwrap(), []);
    assert_eq!(reader.size().unwrap().grown, []);
    reader.own_list().unwrap();
    reader.list(&rows(), 4).unwrap();
    all_that_is_asked(&reader);
    drop(reader);
    let (journal, again) = open(&folder);
    assert_eq!((again.format, again.chain.link()), (4, chain.link()));
    journal.list(rows(), 4).await.unwrap();
    all_that_is_asked(&Reader::open(&folder.journal()).unwrap());
}
