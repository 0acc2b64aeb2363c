//! Days without a network, and a real broker that loses what it had acknowledged.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lines::print_key;
use common::outage::{RealBroker, journal_with, most_memory_kib};
use common::running::is_active;
use common::site::{STATION, Site, settings};
use common::soon;
use serde_json::json;
use stillstand::journal::{Journal, OpenWith};

/// Stores at its own interval of half an hour (the program's default), and lets queues be long.
const KEEPS: &str = "listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\n\
    persistence_location {folder}/\nautosave_interval 1800\nmax_queued_messages 0";

const DOCUMENTS: u64 = 800;

fn resending(site: &Site, port: u16, minutes: u16) {
    let text = settings(&site.folder, Some(port), &format!("resend-minutes = {minutes}\n"));
    site.folder.write("stillstand.toml", &text);
}

/// A broker that acknowledged documents for an absent archive and was killed before it stored them.
async fn loses_all(broker: &mut RealBroker, site: &Site, minutes: u16) -> common::running::Running {
    broker.start().await;
    broker.registers_archive().await;
    broker.save().await;
    resending(site, broker.port, minutes);
    let bench = site.start().await;
    bench.until("all are acknowledged", |v| v["waiting"] == 0).await;
    broker.kill().await;
    bench.until("the broker is away", |v| is_active(v, "network-away")).await;
    broker.start().await;
    bench
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_killed_broker_lost_goes_out_again_by_itself() {
    let mut broker = RealBroker::prepared(KEEPS);
    let site = Site::new("tail", None);
    journal_with(&site.journal(), DOCUMENTS).await;
    let bench = loses_all(&mut broker, &site, 30).await;
    let mut archive = broker.archive();
    archive.catches_up(DOCUMENTS).await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_broker_lost_goes_out_again_also_when_both_were_without_power_for_weeks() {
    let mut broker = RealBroker::prepared(KEEPS);
    let site = Site::new("both", None);
    journal_with(&site.journal(), DOCUMENTS).await;
    // A broker acknowledged all of them on 22 September 2026, and has none of them now.
    let with = OpenWith { fresh_id: uuid::Uuid::now_v7(), now_wall_ns: 0 };
    let (journal, _) = Journal::open(&site.journal(), &with).unwrap();
    journal.note_acked(DOCUMENTS, 1_790_000_000_000_000_000);
    journal.close().await.unwrap();
    broker.start().await;
    broker.registers_archive().await;
    resending(&site, broker.port, 30);
    let bench = site.start().await;
    bench
        .until("the broker is there, and nothing waits", |v| {
            v["waiting"] == 0 && !is_active(v, "network-away")
        })
        .await;
    broker.archive().catches_up(DOCUMENTS).await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_archive_that_finds_a_gap_asks_and_gets_it_and_confirms() {
    let mut broker = RealBroker::prepared(KEEPS);
    let site = Site::new("gap", None);
    let journal = journal_with(&site.journal(), DOCUMENTS).await;
    // As after an outage that was longer than the resending: nothing goes out again by itself.
    let bench = loses_all(&mut broker, &site, 0).await;
    bench.until("the broker is back", |v| !is_active(v, "network-away")).await;
    let mut archive = broker.archive();
    site.balance.say(print_key("52.30")).await;
    archive.reads_through(DOCUMENTS + 1).await;
    assert_eq!((archive.next, archive.ahead), (1, Some(DOCUMENTS + 1)), "all that was acknowledged is lost");

    let ask = json!({ "consumer": "archive", "journal": journal, "number": archive.next }).to_string();
    let reply = broker.ask("replay-from", ask.as_bytes(), "gap-1").await;
    assert_eq!(reply["outcome"], "done", "{reply}");
    archive.catches_up(DOCUMENTS + 1).await;

    let receipt = json!({ "consumer": "archive", "journal": journal, "through": DOCUMENTS + 1 }).to_string();
    let reply = broker.ask("confirm-receipt", receipt.as_bytes(), "receipt-1").await;
    assert_eq!(reply["outcome"], "done", "{reply}");
    broker.shows("consumers", |c| c["consumers"][0]["behind"] == 0 && c["newest"] == DOCUMENTS + 1).await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_days_without_a_network_all_goes_out_in_order_and_in_little_memory() {
    const HELD: u64 = 12_000;
    let mut broker = RealBroker::prepared(KEEPS);
    let site = Site::new("days", None);
    journal_with(&site.journal(), HELD).await;
    resending(&site, broker.port, 30);
    let bench = site.start().await;
    bench.until("the broker is away", |v| is_active(v, "network-away") && v["waiting"] == HELD).await;
    let before = most_memory_kib(bench.child.id().unwrap());
    broker.start().await;
    let mut archive = broker.archive();
    let begun = tokio::time::Instant::now();
    archive.catches_up(HELD).await;
    let after = most_memory_kib(bench.child.id().unwrap());
    eprintln!("{HELD} documents in {:?}; memory {before} KiB, at most {after} KiB", begun.elapsed());
    // All of them together are 24 MB: they are never in memory at once.
    assert!(after < before + 8_000, "{before} KiB before, {after} KiB after");
    bench.until("nothing waits", |v| v["waiting"] == 0).await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_an_earlier_run_left_at_the_broker_is_cleared() {
    let mut broker = RealBroker::prepared(KEEPS);
    broker.start().await;
    let left = ["place/12", "alarm/network-away", "alarm/no-answer-balance"];
    let topic = |below: &str| format!("stillstand/1/{STATION}/{below}");
    for below in left {
        let more = ["-V", "5", "-r", "-t", &topic(below), "-m", "{\"old\":true}"];
        assert!(soon("published", broker.client("mosquitto_pub", &more).status()).await.unwrap().success());
    }
    let site = Site::new("left", Some(broker.port));
    let bench = site.start().await;
    for below in left {
        let more = ["-V", "5", "-t", &topic(below), "--retained-only", "-C", "1", "-W", "1"];
        soon(&format!("{below} is cleared"), async {
            while !broker.client("mosquitto_sub", &more).output().await.unwrap().stdout.is_empty() {}
        })
        .await;
    }
    broker.shows("place/8", |place| place["place"] == 8).await;
    assert_eq!(bench.stop().await, 0);
}
