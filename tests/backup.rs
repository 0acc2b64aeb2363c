//! A backup of a running station, and the way back from it.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::running::at_place;
use common::site::Site;
use common::{Ended, program};
use std::path::Path;
use stillstand::journal::Reader;

async fn backup(journal: &Path, to: &Path) -> Ended {
    program(&["backup".as_ref(), journal.as_os_str(), to.as_os_str()]).await
}

async fn verified(journal: &Path) -> String {
    let ended = program(&["verify".as_ref(), journal.as_os_str()]).await;
    assert_eq!(ended.code, 0, "{}", ended.err);
    ended.out.split_once("journal ").unwrap().1.to_owned()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_station_goes_on_from_a_backup_that_was_taken_while_it_worked() {
    let site = Site::new("backup", None);
    let bench = site.start().await;
    let sample = bench.sample("Kept", 2).await;
    let specimen = bench.specimen(sample, 3).await;
    bench.soaking(specimen).await;
    let (journal, copy) = (site.journal(), site.folder.file("copy.sqlite"));
    let ended = tokio::select! {
        ended = backup(&journal, &copy) => ended,
        // The station is acted on without a pause while it is copied.
        () = async { loop { bench.done(serde_json::json!({ "act": "stop-awaiting" })).await; } } => unreachable!(),
    };
    assert_eq!(ended.code, 0, "{}", ended.err);
    assert!(ended.out.contains("a sound copy"), "{}", ended.out);
    assert_eq!(
        ended.out.split_once("journal ").unwrap().1,
        verified(&copy).await,
        "both say the same of the copy"
    );
    assert!(!site.folder.file("copy.sqlite.part").exists(), "nothing is left beside it");

    // A copy is never written over.
    let before = std::fs::read(&copy).unwrap();
    let again = backup(&site.journal(), &copy).await;
    assert_eq!(again.code, 73, "{}", again.err);
    assert!(again.err.contains("never replaces a file"), "{}", again.err);
    assert_eq!(std::fs::read(&copy).unwrap(), before);

    // The disk is lost with what came after the copy; the copy takes the journal's place.
    bench.sample("Lost with the disk", 1).await;
    let id_before = Reader::open(&site.journal()).unwrap().journal_id().unwrap().unwrap();
    site.kill(bench).await;
    for ending in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(site.folder.file(&format!("journal.sqlite{ending}")));
    }
    std::fs::rename(&copy, site.journal()).unwrap();
    let bench = site.start().await;
    let view = bench.view().await;
    let labels: Vec<&str> =
        view["samples"].as_array().unwrap().iter().map(|s| s["label"].as_str().unwrap()).collect();
    assert_eq!(labels, ["Kept"]);
    assert_eq!(at_place(&view, 3)["running"]["step"], "soak", "what ran goes on");
    bench.mark(specimen, "loosen", "begin").await;
    assert_eq!(bench.stop().await, 0);
    let id = Reader::open(&site.journal()).unwrap().journal_id().unwrap().unwrap();
    assert_ne!(id, id_before, "the network has seen numbers of the old one that the copy does not know");
    assert!(verified(&site.journal()).await.starts_with(&id.to_string()));
    // Of a stopped station, too.
    assert_eq!(backup(&site.journal(), &site.folder.file("second.sqlite")).await.code, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_journal_or_has_no_room_gives_no_backup() {
    let site = Site::new("no-backup", None);
    let to = site.folder.file("copy.sqlite");
    let missing = backup(&site.journal(), &to).await;
    assert_eq!(missing.code, 74, "{}", missing.err);
    let other = site.folder.write("other.sqlite", &"a diary, but of paper ".repeat(100));
    let foreign = backup(&other, &to).await;
    assert_eq!(foreign.code, 65, "{}", foreign.err);
    assert!(foreign.err.contains("not a journal"), "{}", foreign.err);
    let bench = site.start().await;
    let nowhere = backup(&site.journal(), &site.folder.file("nowhere/copy.sqlite")).await;
    assert_eq!(nowhere.code, 74, "{}", nowhere.err);
    assert!(nowhere.err.contains("nowhere/copy.sqlite"), "{}", nowhere.err);
    assert!(!to.exists());
    assert_eq!(bench.stop().await, 0);
}
