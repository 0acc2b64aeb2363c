//! Payloads are removed, their hashes stay, and an event says up to where.

use super::*;
use rusqlite::Connection;

/// Events 1 pressed, 2 sampled, 3 pressed with document 1, 4 pressed with document 2; the network has
/// document 1. Then 5 tells of a removal.
async fn told(folder: &Folder, through: Through) -> (Journal, Chain) {
    let (journal, fresh) = open(folder);
    let mut chain = fresh.chain;
    for batch in [
        press(&mut chain, 1),
        sample(&mut chain, 2),
        issue(&mut chain, 3, "r1"),
        Batch { acked: Some((1, 9)), ..issue(&mut chain, 4, "r2") },
    ] {
        journal.commit(batch).await.unwrap();
    }
    let payload = serde_json::json!({ "event": "keeping", "through": through }).to_string();
    let event = chain.append(event("payloads-removed", true, 5, &payload));
    let removal = Batch {
        removal: Some(event.seq),
        inputs: vec![input(5)],
        events: vec![event],
        snapshot: Some((5, "{}".to_owned())),
        ..Batch::default()
    };
    journal.commit(removal).await.unwrap();
    (journal, chain)
}

const THROUGH: Through = Through { samples: 3, events: 3, documents: 1, inputs: 3 };

fn step() -> Blank {
    Blank { events: vec![1, 2, 3], documents: vec![1], inputs: vec![1, 2, 3], closed: Vec::new() }
}

#[tokio::test]
async fn what_a_removal_names_may_go_and_the_chain_stays_whole() {
    let folder = Folder::new();
    let (journal, chain) = told(&folder, THROUGH).await;
    // Before anything has gone, as after a crash.
    assert_eq!(verify(&folder.journal()).unwrap().removed, 0);
    assert!(!journal.removals().await.unwrap()[0].done);
    journal.blank(step()).await.unwrap();
    journal.blank(step()).await.unwrap();
    journal.removal_done(5).await.unwrap();
    let verified = verify(&folder.journal()).unwrap();
    assert_eq!((verified.removed, verified.removed_documents), (3, 1));
    assert_eq!((verified.head_link, verified.removals.len()), (chain.link(), 1));
    assert_eq!((verified.removals[0].through, verified.removals[0].done), (THROUGH, true));
    let reader = Reader::open(&folder.journal()).unwrap();
    assert!(reader.events(0, 3).unwrap().iter().all(|event| event.payload.is_none()));
    assert!(reader.inputs(0, 3).unwrap().iter().all(|input| input.payload.is_empty()));
    assert_eq!(reader.document("r1").unwrap().unwrap().payload, "");
    journal.close().await.unwrap();
    // A start, a backup, and the room that came free.
    let (journal, again) = open(&folder);
    assert_eq!(again.chain.link(), chain.link());
    journal.shrink().await.unwrap();
    let copy = journal.backup(&folder.path().join("copy")).await.unwrap();
    assert_eq!((copy.removed, copy.head_link), (3, chain.link()));
}

#[tokio::test]
async fn of_a_removed_document_no_word_is_left_in_the_index() {
    let folder = Folder::new();
    let (journal, _) = told(&folder, THROUGH).await;
    let row = |number: u64, words: &str| ListedRow {
        number,
        kind: "record".to_owned(),
        subject: number.to_string(),
        label: words.to_owned(),
        made_ns: 1,
        words: words.to_owned(),
    };
    journal.list(vec![row(1, "ada brook"), row(2, "ben hall")], 2).await.unwrap();
    journal.blank(step()).await.unwrap();
    let reader = Reader::open(&folder.journal()).unwrap();
    let any = ListedWanted::default();
    let search = |word: &str| reader.searched(&[word.to_owned()], &any, 9).unwrap().len();
    assert_eq!((search("brook"), search("hall")), (0, 1));
    let named = ListedWanted { label: Some("ada brook".to_owned()), ..any.clone() };
    assert_eq!(reader.listed(&named, 9).unwrap(), []);
    journal.removal_done(5).await.unwrap();
    // Every term of the index, as the database itself lists them.
    let conn = Connection::open(folder.journal()).unwrap();
    conn.execute_batch("CREATE VIRTUAL TABLE temp.terms USING fts5vocab (main, found, row)").unwrap();
    let mut terms = conn.prepare("SELECT term FROM temp.terms").unwrap();
    let terms: Vec<String> =
        terms.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap();
    assert!(terms.contains(&"hal".to_owned()), "{terms:?}");
    assert!(terms.iter().all(|term| !"ada brook".contains(term.as_str())), "{terms:?}");
}

#[tokio::test]
async fn what_no_removal_names_is_missed_when_it_is_gone() {
    for (through, at) in [
        (Through { samples: 1, ..THROUGH }, 2),
        (Through { events: 2, ..THROUGH }, 3),
        (Through { documents: 0, ..THROUGH }, 3),
    ] {
        let folder = Folder::new();
        let (journal, _) = told(&folder, through).await;
        journal.blank(step()).await.unwrap();
        match verify(&folder.journal()) {
            Err(VerifyFault::Altered {
                seq,
                what: Altered::Blanked | Altered::DocumentBlanked { .. },
                ..
            }) => {
                assert_eq!(seq, at);
            }
            other => panic!("{through:?}: {other:?}"),
        }
    }
}

#[tokio::test]
async fn what_the_network_has_not_acknowledged_cannot_be_blanked() {
    let folder = Folder::new();
    let (journal, _) = told(&folder, Through { documents: 2, ..THROUGH }).await;
    let both = Blank { documents: vec![1, 2], ..step() };
    let error = journal.blank(both).await.unwrap_err();
    assert!(error.to_string().contains("that the network has"), "{error}");
    let reader = Reader::open(&folder.journal()).unwrap();
    assert!(reader.events(0, 3).unwrap().iter().all(|event| event.payload.is_some()), "nothing of it");
    journal.close().await.unwrap();
    let conn = Connection::open(folder.journal()).unwrap();
    for slip in [
        "UPDATE outbox SET payload = '{}', payload_hash = zeroblob(32) WHERE number = 1",
        "UPDATE outbox SET payload = '' WHERE number = 1",
        "UPDATE outbox SET payload_hash = zeroblob(32) WHERE number = 1",
    ] {
        assert!(conn.execute(slip, []).unwrap_err().to_string().contains("never changed"), "{slip}");
    }
}

#[tokio::test]
async fn the_size_is_noted_once_a_day_and_tells_what_is_free() {
    let folder = Folder::new();
    let (journal, _) = told(&folder, THROUGH).await;
    for day in [20_000, 20_001, 20_001] {
        journal.note_size(day).await.unwrap();
    }
    let size = Reader::open(&folder.journal()).unwrap().size().unwrap();
    assert_eq!(size.grown.iter().map(|g| g.day).collect::<Vec<_>>(), [20_000, 20_001]);
    assert!(size.grown.iter().all(|g| g.bytes > 0 && g.bytes <= size.bytes), "{size:?}");
    assert_eq!(size.since_ns, Some(with().now_wall_ns));
    journal.note_size(20_500).await.unwrap();
    let size = Reader::open(&folder.journal()).unwrap().size().unwrap();
    assert_eq!(size.grown.iter().map(|g| g.day).collect::<Vec<_>>(), [20_500], "old figures go");
}
