//! The list of documents that people look for, in the file and in a reader's own tables.

use super::*;

fn row(number: u64, subject: &str, made_ns: i64, words: &str) -> ListedRow {
    ListedRow {
        number,
        kind: if subject.starts_with('s') { "result" } else { "record" }.to_owned(),
        subject: subject.to_owned(),
        label: words.split('-').next().unwrap().to_owned(),
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
    assert_eq!(numbers(reader, &any), [4, 3, 2, 1]);
    assert_eq!(numbers(reader, &ListedWanted { below: Some(3), ..any.clone() }), [2, 1]);
    assert_eq!(numbers(reader, &ListedWanted { above: Some(2), ascending: true, ..any.clone() }), [3, 4]);
    assert_eq!(numbers(reader, &ListedWanted { newest: true, ..any.clone() }), [4, 3, 2]);
    assert_eq!(numbers(reader, &ListedWanted { kind: Some("result".to_owned()), ..any.clone() }), [4]);
    assert_eq!(numbers(reader, &ListedWanted { label: Some("q".to_owned()), ..any.clone() }), [4, 3, 2, 1]);
    assert_eq!(numbers(reader, &ListedWanted { label: Some("q-17".to_owned()), ..any.clone() }), [0; 0]);
    // The second version belongs to the day of the first.
    let day = ListedWanted { from_ns: Some(100), before_ns: Some(200), ..any.clone() };
    assert_eq!(numbers(reader, &day), [3, 1]);
    let found = reader.listed(&any, 9).unwrap();
    assert_eq!(found.iter().map(|f| f.replaced_by).collect::<Vec<_>>(), [None, None, None, Some(3)]);
    assert_eq!(reader.listed_reach().unwrap().0, 4);
}

/// What is found by words in the file's list.
fn words_are_found(reader: &Reader) {
    let any = ListedWanted::default();
    let search = |words: &[&str], wanted: &ListedWanted| -> Vec<u64> {
        let words: Vec<String> = words.iter().map(|word| (*word).to_owned()).collect();
        reader.searched(&words, wanted, 9).unwrap().iter().map(|found| found.number).collect()
    };
    assert_eq!(search(&["17-1", "void"], &any), [3]);
    assert_eq!(search(&["iver"], &any), [4, 3, 2, 1], "inside of a word");
    assert_eq!(search(&["17-1", "lake"], &any), [0; 0]);
    for sign in [
        "%%%",
        "\"\"\"",
        "***",
        "q-1*",
        "river OR lake",
        "NOT",
        "river\"",
        "words:river",
        "{river}",
        "^riv",
        "ri\0ver",
    ] {
        let found = search(&[sign], &any);
        assert_eq!(
            found,
            if sign == "ri\0ver" { vec![4, 3, 2, 1] } else { vec![] },
            "{sign}: no sign has a meaning"
        );
    }
    assert_eq!(search(&["q-"], &any), [0; 0], "too short for the index");
    // Each further question, and all of them together.
    assert_eq!(search(&["river"], &ListedWanted { below: Some(3), ..any.clone() }), [2, 1]);
    assert_eq!(search(&["river"], &ListedWanted { above: Some(2), ascending: true, ..any.clone() }), [3, 4]);
    assert_eq!(search(&["river"], &ListedWanted { newest: true, ..any.clone() }), [4, 3, 2]);
    assert_eq!(search(&["river"], &ListedWanted { kind: Some("result".to_owned()), ..any.clone() }), [4]);
    assert_eq!(search(&["river"], &ListedWanted { label: Some("z".to_owned()), ..any.clone() }), [0; 0]);
    let day = ListedWanted { from_ns: Some(100), before_ns: Some(200), ..any.clone() };
    assert_eq!(search(&["river"], &day), [3, 1]);
    assert_eq!(search(&["void"], &ListedWanted { newest: true, ..day }), [3]);
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
    words_are_found(&reader);
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
    assert_eq!((again.format, again.chain.link()), (5, chain.link()));
    journal.list(rows(), 4).await.unwrap();
    let reader = Reader::open(&folder.journal()).unwrap();
    all_that_is_asked(&reader);
    words_are_found(&reader);
}

#[tokio::test]
async fn a_list_of_format_4_goes_and_is_made_anew() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    journal.commit(issue(&mut chain, 1, "r1")).await.unwrap();
    journal.list(rows(), 4).await.unwrap();
    journal.close().await.unwrap();
    let conn = rusqlite::Connection::open(folder.journal()).unwrap();
    conn.execute_batch(
        "DROP TABLE found; DROP TABLE listed; \
         CREATE TABLE listed (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, subject TEXT NOT NULL, \
             day_ns INTEGER NOT NULL, replaced_by INTEGER, words TEXT NOT NULL) STRICT; \
         INSERT INTO listed (number, kind, subject, day_ns, words) VALUES (1, 'record', 'a', 100, 'q-17'); \
         PRAGMA user_version = 4;",
    )
    .unwrap();
    drop(conn);
    let old = Reader::open(&folder.journal()).unwrap();
    assert_eq!(
        (old.listed_reach().unwrap(), old.listed(&ListedWanted::default(), 9).unwrap()),
        ((0, 0), vec![])
    );
    assert_eq!(old.searched(&["q-17".to_owned()], &ListedWanted::default(), 9).unwrap(), []);
    drop(old);
    let (journal, _) = open(&folder);
    assert_eq!(
        Reader::open(&folder.journal()).unwrap().listed_reach().unwrap(),
        (0, 1),
        "nothing is listed yet"
    );
    journal.list(rows(), 4).await.unwrap();
    words_are_found(&Reader::open(&folder.journal()).unwrap());
    verify(&folder.journal()).unwrap();
}
