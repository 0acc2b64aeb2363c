//! A replay against brokers that drop, delay, reorder and refuse.

use super::test::{Bench, Rows, broker, fast, reader, records, soon};
use super::*;
use crate::network::ConditionName::NoSubscriber;
use crate::rehearsal::broker::{Acknowledging, Behaviour};
use rumqttc::v5::mqttbytes::v5::PubAckReason;

/// What a consumer that takes only the next number has, of messages in the order of arrival.
fn taken(messages: &[String], from: u64) -> u64 {
    messages.iter().fold(from, |next, text| {
        let document: serde_json::Value = serde_json::from_str(text).unwrap();
        next + u64::from(document["n"] == next)
    }) - 1
}

/// All `count` documents are with the broker; then somebody wants them from `from` on, while `more`
/// new ones come.
async fn replays(behaviour: Behaviour, count: u64, from: u64, more: u64) {
    let broker = broker(behaviour).await;
    let _subscribed = reader(&broker).await;
    let rows = Rows::new(count + more, 10);
    rows.show(count);
    let bench = Bench::start(&broker, rows, fast());
    soon(bench.rows.reaches(count)).await;
    let before = records(&broker).len();
    bench.replay.send_replace(ReplayWish { count: 1, number: from });
    for number in count + 1..=count + more {
        bench.rows.show(number);
        tokio::task::yield_now().await;
    }
    soon(async {
        while taken(&records(&broker)[before..], from) < count + more {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await;
    soon(bench.rows.reaches(count + more)).await;
    assert_eq!(
        bench.rows.acked(),
        (1..=count + more).collect::<Vec<_>>(),
        "a replay acknowledges nothing anew"
    );
    soon(bench.stop()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_asked_for_comes_again_in_order_among_new_ones() {
    replays(Behaviour::default(), 300, 17, 200).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_replay_survives_a_broker_that_drops_and_reorders() {
    for seed in 0..6 {
        let acknowledging = if seed % 2 == 0 { Acknowledging::OutOfOrder } else { Acknowledging::Late };
        let drop_after = Some(60);
        let behaviour =
            Behaviour { seed, drop_after, acknowledging, receive_max: Some(7), ..Behaviour::default() };
        replays(behaviour, 200, 3, 100).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_replay_survives_a_broker_that_refuses_some() {
    for seed in 0..4 {
        let refuse = Some((PubAckReason::QuotaExceeded, 50));
        replays(Behaviour { seed, refuse, ..Behaviour::default() }, 120, 40, 60).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_wish_that_begins_earlier_is_met_too() {
    let broker = broker(Behaviour::default()).await;
    let _subscribed = reader(&broker).await;
    let bench = Bench::start(&broker, Rows::new(400, 10), fast());
    soon(bench.rows.reaches(400)).await;
    let before = records(&broker).len();
    for (count, number) in [(1, 350), (2, 5), (3, 390)] {
        bench.replay.send_replace(ReplayWish { count, number });
        tokio::task::yield_now().await;
    }
    soon(async {
        while taken(&records(&broker)[before..], 390) < 400 {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await;
    soon(bench.stop()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wish_of_an_earlier_run_is_over() {
    let broker = broker(Behaviour::default()).await;
    let _subscribed = reader(&broker).await;
    let rows = Rows::new(50, 10);
    let bench = Bench::start_with(&broker, rows, fast(), ReplayWish { count: 9, number: 1 });
    soon(bench.rows.reaches(50)).await;
    soon(bench.stop()).await;
    assert_eq!(records(&broker).len(), 50);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_broker_acknowledged_and_threw_away_comes_when_it_is_asked_for() {
    const ROWS: u64 = 400;
    for seed in 0..4 {
        let broker = broker(Behaviour { seed, forgets: 40, ..Behaviour::default() }).await;
        let _subscribed = reader(&broker).await;
        let bench = Bench::start(&broker, Rows::new(ROWS, 10), fast());
        soon(bench.rows.reaches(ROWS)).await;
        let (mut count, mut last) = (0, taken(&records(&broker), 1));
        assert!(last < ROWS, "seed {seed}: it did lose some");
        soon(async {
            while last < ROWS {
                count += 1;
                bench.replay.send_replace(ReplayWish { count, number: last + 1 });
                // A consumer asks again when nothing has come for a while.
                let more = async {
                    while taken(&records(&broker), 1) < ROWS {
                        tokio::time::sleep(Duration::from_millis(5)).await;
                    }
                };
                let _ = tokio::time::timeout(Duration::from_millis(200), more).await;
                last = taken(&records(&broker), 1);
            }
        })
        .await;
        assert_eq!(bench.rows.acked(), (1..=ROWS).collect::<Vec<_>>());
        soon(bench.stop()).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_hold_that_ends_while_the_outbox_is_read_is_not_missed() {
    let broker = broker(Behaviour::default()).await;
    let mut rows = Rows::new(3, 10);
    rows.gone = 2;
    let mut bench = Bench::start(&broker, rows, fast());
    let held =
        |report: &NetworkReport| matches!(report, NetworkReport::Condition(c) if c.name == NoSubscriber);
    bench.report(held).await;
    // Document 3 is offered between the looks again and again: one hold forgotten, and there are no more.
    // The wishes vary in which order both are done.
    for count in 1..=6 {
        bench.replay.send_replace(ReplayWish { count, number: 1 });
        soon(bench.rows.looked_in_vain(4 * count)).await;
    }
    let _subscribed = reader(&broker).await;
    soon(bench.rows.reaches(3)).await;
    soon(bench.stop()).await;
}
