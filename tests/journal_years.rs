//! A journal after years: a start reads no more of it than of one that is a day old.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;
#[path = "common/years.rs"]
mod years;

use common::site::Site;
use common::{Folder, program};
use std::time::Duration;
use years::Template;

/// Records of the long journal; the variable `RECORDS` makes it longer.
const RECORDS: u64 = 1200;

/// What a start took.
#[derive(Debug)]
struct Start {
    /// Bytes that the program asked the system for, from its begin until it was ready.
    read: u64,
    ready_in: Duration,
    file: u64,
}

/// Starts a station on a journal, and counts what it read until it was ready.
async fn start(template: &Template, records: u64, acked: bool) -> Start {
    let site = Site::new("years", None);
    let written = template.write(&site.journal(), records, acked).await;
    assert!(
        written.records >= records
            && written.documents > written.records
            && written.events > written.documents
    );
    let begun = tokio::time::Instant::now();
    let bench = site.start().await;
    let ready_in = begun.elapsed();
    let pid = bench.child.id().unwrap();
    let io = std::fs::read_to_string(format!("/proc/{pid}/io")).unwrap();
    let read = io.lines().find_map(|line| line.strip_prefix("rchar: ")).unwrap().parse().unwrap();
    let file = std::fs::metadata(site.journal()).unwrap().len();
    // It works: the next sample and its record go on from where the years ended.
    let sample = bench.sample("After all these years", 1).await;
    bench.specimen(sample, 1).await;
    assert_eq!(bench.stop().await, 0);
    if records <= RECORDS {
        let verified = program(&["verify", site.journal().to_str().unwrap()]).await;
        assert_eq!(verified.code, 0, "{}", verified.err);
    }
    Start { read, ready_in, file }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_start_reads_no_more_of_a_long_journal_than_of_a_short_one() {
    let folder = Folder::new("years-template");
    let out = folder.path().to_str().unwrap();
    let played =
        program(&["rehearse", "--once", "--pace", "600", "--listen", "127.0.0.1:0", "--out", out]).await;
    assert_eq!(played.code, 0, "{}", played.err);
    let template = Template::read(&folder.file("journal.sqlite"));
    let many = std::env::var("RECORDS").ok().and_then(|n| n.parse().ok()).unwrap_or(RECORDS);
    for acked in [true, false] {
        let short = start(&template, 10, acked).await;
        let long = start(&template, many, acked).await;
        for (records, start) in [(10, &short), (many, &long)] {
            let Start { read, ready_in, file } = start;
            eprintln!(
                "{records} records, acknowledged: {acked}: a file of {file} bytes, {read} read, ready in {ready_in:?}"
            );
        }
        assert!(long.file > 50 * short.file, "the long journal is long");
        // A deeper tree is a few pages more for each thing that is looked up; a scan would be all.
        let more = long.read.saturating_sub(short.read);
        assert!(more < 256 * 1024, "{more} bytes more were read of a journal of {} bytes", long.file);
    }
}
