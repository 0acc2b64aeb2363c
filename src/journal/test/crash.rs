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
    let mut log = std::fs::read(folder.path().join("bench.journal-wal")).unwrap();
    // Behind what was written may be room that was laid out.
    log.truncate(log.iter().rposition(|byte| *byte != 0).unwrap() + 1);
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

#[tokio::test]
async fn a_log_that_a_disk_changed_is_told_and_no_part_of_it_is_gone_on_with() {
    let folder = Folder::new();
    let (journal, fresh) = open(&folder);
    let mut chain = fresh.chain;
    for number in 1..=6 {
        journal.commit(issue(&mut chain, number, &format!("r{number}"))).await.unwrap();
    }
    let mut log = std::fs::read(folder.path().join("bench.journal-wal")).unwrap();
    log.truncate(log.iter().rposition(|byte| *byte != 0).unwrap() + 1);
    let with_log = |log: &[u8]| {
        let copy = crashed(&folder);
        std::fs::write(copy.path().join("bench.journal-wal"), log).unwrap();
        copy
    };
    let pages = |copy: &Folder| std::fs::read(copy.journal()).unwrap();
    let frame = 24 + 4096;
    let frames = (log.len() - 32).div_ceil(frame);
    // What is wrong with the header, with a frame's head and with its page is all the same.
    for at in [3, 9, 20, 33, 40, 32 + frame + 700, 32 + frames / 3 * frame + 5] {
        let mut damaged = log.clone();
        damaged[at] ^= 0x10;
        let copy = with_log(&damaged);
        let before = pages(&copy);
        for error in [
            verify(&copy.journal()).unwrap_err().to_string(),
            Journal::open(&copy.journal(), &with()).unwrap_err().to_string(),
            backup(&copy.journal(), &copy.path().join("copy")).unwrap_err().to_string(),
        ] {
            assert!(error.contains("commits that were confirmed stand behind it"), "{at}: {error}");
            assert!(error.contains("bench.journal-wal"), "{at}: {error}");
        }
        assert_eq!(std::fs::read(copy.path().join("bench.journal-wal")).unwrap(), damaged, "{at}: untouched");
        assert_eq!(pages(&copy), before, "{at}: untouched");
    }
    // The last commit torn, as by a power cut: the journal ends in front of it.
    let mut torn = log.clone();
    let last = log.len() - frame / 2;
    torn[last] ^= 0x10;
    let copy = with_log(&torn);
    let (_journal, back) = open(&copy);
    assert_eq!(back.outbox_next, 6, "the sixth was not confirmed yet");
    let mut headless = log.clone();
    headless[..32].fill(0);
    verify(&with_log(&headless).journal()).unwrap_err();
    let with_room = [log, vec![0; 9000]].concat();
    assert_eq!(verify(&with_log(&with_room).journal()).unwrap().documents, 6, "room was laid out behind it");
}

#[test]
fn room_laid_out_for_the_log_changes_nothing_of_what_a_crash_leaves() {
    let folder = Folder::new();
    let (mut store, fresh) =
        store::Store::open(&folder.journal(), &with(), Box::new(faults::NoFaults)).unwrap();
    let mut chain = fresh.chain;
    let log = folder.path().join("bench.journal-wal");
    let whole = |chain: &Chain| {
        let copy = crashed(&folder);
        assert_eq!(verify(&copy.journal()).unwrap().head_link, chain.link());
        let (_journal, back) = open(&copy);
        assert_eq!((back.chain.seq(), back.chain.link()), (chain.seq(), chain.link()));
    };
    assert!(!store.log_wants_care(), "nobody waits for an empty log");
    store.commit(press(&mut chain, 1)).unwrap();
    assert!(store.log_wants_care());
    let mut laid_out = std::fs::metadata(&log).unwrap().len();
    while store.log_wants_care() {
        store.care_for_log();
        let now = std::fs::metadata(&log).unwrap().len();
        assert!((1..=1 << 20).contains(&(now - laid_out)), "a piece each time: {laid_out}, {now}");
        laid_out = now;
        whole(&chain);
    }
    assert_eq!(laid_out, 8 << 20, "and it comes to an end");
    whole(&chain);
    // Over the room, then folded in a quiet moment, then over the same room again.
    let mut rounds = 0;
    for number in 2..=350 {
        store.commit(press(&mut chain, number)).unwrap();
        if store.log_wants_care() {
            store.care_for_log();
            store.wait_for_folding();
            whole(&chain);
            rounds += 1;
        }
    }
    whole(&chain);
    assert_eq!(rounds, 2, "350 commits");
    assert_eq!(std::fs::metadata(&log).unwrap().len(), laid_out, "it did not grow");
    store.close().unwrap();
    assert_eq!(std::fs::metadata(&log).map_or(0, |log| log.len()), 0, "and nothing of it stays behind");
}

/// As in a flood: no quiet moment, and nobody waits for the thread that folds. While it copies pages
/// into the file, commits go on behind it, and at any of these instants the power may fail.
#[test]
fn the_log_is_folded_beside_a_writer_that_never_rests() {
    let folder = Folder::new();
    let (mut store, fresh) =
        store::Store::open(&folder.journal(), &with(), Box::new(faults::NoFaults)).unwrap();
    let mut chain = fresh.chain;
    let log = folder.path().join("bench.journal-wal");
    let (mut longest, mut ordered, mut since_order) = (0, 0, 0);
    for number in 1..=600_u128 {
        let mut batch = issue(&mut chain, number, &format!("r{number}"));
        batch.inputs[0].payload = "long ".repeat(3000); // 15 kB, so that all of them are some 30 MB of log
        store.commit(batch).unwrap();
        since_order += 1;
        if store.log_wants_care() {
            store.care_for_log();
            (ordered, since_order) = (ordered + 1, 0);
        }
        longest = longest.max(std::fs::metadata(&log).unwrap().len());
        // Right after the order, and now and then later: somewhere in the midst of it.
        if since_order < 3 || number % 16 == 0 {
            let copy = crashed(&folder);
            assert_eq!(verify(&copy.journal()).unwrap().head_link, chain.link(), "after {number}");
            let (_journal, back) = open(&copy);
            assert_eq!((back.chain.seq(), back.chain.link()), (chain.seq(), chain.link()), "after {number}");
            assert_eq!(back.outbox_next, chain.newest_document() + 1, "after {number}");
        }
    }
    assert!(ordered >= 4, "the log was folded {ordered} times only");
    // Its room is 8 MB; what comes while it is being folded may go beyond that, but not beyond what is
    // kept of its file.
    assert!(longest <= 16 << 20, "the log grew to {longest} bytes");
    store.close().unwrap();
    let (_journal, back) = open(&folder);
    assert_eq!((back.chain.seq(), back.chain.link()), (chain.seq(), chain.link()));
}
