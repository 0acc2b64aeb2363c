//! The file and its log as a power cut leaves them: copied while the journal is open.

use super::*;

/// What is on the disk at this instant: the file and its write-ahead log, without the index in
/// shared memory, which a restart rebuilds.
fn crashed(from: &Folder) -> Folder {
    let copy = Folder::new();
    for ending in ["", "-wal"] {
        let name = format!("bench.journal{ending}");
        std::fs::copy(from.path().join(&name), copy.path().join(&name)).unwrap();
    }
    copy
}

#[tokio::test]
async fn everything_acknowledged_is_there_after_a_crash_at_any_time() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    let mut acknowledged = Vec::new();
    for number in 1..=60_u128 {
        let mut batch = match number % 3 {
            0 => issue(&mut chain, number, &format!("r{number}")),
            1 => press(&mut chain, number),
            _ => sample(&mut chain, number),
        };
        if number % 7 == 0 {
            batch.inputs[0].payload = "long ".repeat(20_000); // the log is folded now and then
        }
        acknowledged.extend(batch.events.clone());
        journal.commit(batch).await.unwrap();
        let copy = crashed(&folder);
        let (_journal, back) = open(&copy);
        assert_eq!(back.events_after, acknowledged);
        assert_eq!((back.chain.seq(), back.chain.link()), (chain.seq(), chain.link()));
        assert_eq!(back.outbox_next, chain.newest_document() + 1);
        assert_eq!(verify(&copy.journal()).unwrap().head_link, chain.link());
    }
}

#[tokio::test]
async fn a_log_that_was_torn_gives_a_whole_number_of_batches() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    for number in 1..=6 {
        let mut batch = issue(&mut chain, number, &format!("r{number}"));
        batch.events.push(chain.append(event("released", true, number, "{}")));
        journal.commit(batch).await.unwrap();
    }
    let log = std::fs::read(folder.path().join("bench.journal-wal")).unwrap();
    let mut seen = std::collections::BTreeSet::new();
    for part in 0..=24 {
        let copy = crashed(&folder);
        std::fs::write(copy.path().join("bench.journal-wal"), &log[..log.len() * part / 24]).unwrap();
        let (_journal, back) = open(&copy);
        // Each batch holds two events and one document: never one without the others.
        assert_eq!(back.chain.seq(), 2 * (back.outbox_next - 1));
        seen.insert(back.chain.seq());
    }
    assert!(seen.len() > 3 && seen.contains(&12), "the cuts hit different batches: {seen:?}");
}
