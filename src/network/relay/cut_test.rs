//! A line that is cut at any byte, and a broker that says garbage: a proxy between the relay and a
//! broker. What the broker has comes in order, and nothing is acknowledged that it has not.

use super::test::{Rows, fast, link, reader, records, soon};
use super::*;
use crate::network::{Pace, ReplayWish};
use crate::rehearsal::broker::{self, Behaviour};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use std::net::SocketAddr;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// What happens to a connection after so many bytes in one direction.
#[derive(Debug, Clone, Copy)]
struct Fate {
    bytes: usize,
    towards_broker: bool,
    garbage: bool,
}

async fn pump(
    mut from: tokio::net::tcp::OwnedReadHalf,
    mut to: tokio::net::tcp::OwnedWriteHalf,
    fate: Option<Fate>,
) {
    let mut left = fate.map_or(usize::MAX, |fate| fate.bytes);
    let mut buffer = [0; 512];
    while left > 0 {
        let Ok(length) = from.read(&mut buffer).await else { return };
        let length = length.min(left);
        if length == 0 || to.write_all(&buffer[..length]).await.is_err() {
            return;
        }
        left -= length;
    }
    if fate.is_some_and(|fate| fate.garbage) {
        let mut chance = StdRng::seed_from_u64(u64::try_from(fate.map_or(0, |f| f.bytes)).unwrap());
        let noise: Vec<u8> = (0..64).map(|_| chance.random()).collect();
        let _ = to.write_all(&noise).await;
        // Whoever hears it must end it; else the line does.
        let _ = tokio::time::timeout(Duration::from_millis(200), from.read(&mut buffer)).await;
    }
}

/// A proxy that lets each of the first connections live as its fate says.
async fn proxy(to: SocketAddr, seed: u64, connections: usize) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let mut chance = StdRng::seed_from_u64(seed);
    let fates: Vec<Fate> = (0..connections)
        .map(|_| {
            let towards_broker = chance.random_bool(0.5);
            let most = if towards_broker { 3000 } else { 400 };
            Fate {
                bytes: chance.random_range(1..most),
                towards_broker,
                garbage: !towards_broker && chance.random_bool(0.6),
            }
        })
        .collect();
    tokio::spawn(async move {
        let mut fates = fates.into_iter();
        while let Ok((client, _)) = listener.accept().await {
            let Ok(broker) = TcpStream::connect(to).await else { return };
            let fate = fates.next();
            let (client_read, client_write) = client.into_split();
            let (broker_read, broker_write) = broker.into_split();
            tokio::spawn(async move {
                // Either end takes the other with it.
                tokio::select! {
                    () = pump(client_read, broker_write, fate.filter(|f| f.towards_broker)) => {}
                    () = pump(broker_read, client_write, fate.filter(|f| !f.towards_broker)) => {}
                }
            });
        }
    });
    address
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_line_cut_at_any_byte_or_a_broker_that_says_garbage_loses_nothing() {
    const ROWS: u64 = 150;
    for seed in 0..4 {
        let behaviour = Behaviour { observe: true, ..Behaviour::default() };
        let broker = broker::start("127.0.0.1:0".parse().unwrap(), behaviour).await.unwrap();
        let _subscribed = reader(&broker).await;
        let through = proxy(broker.addr, seed, 40).await;
        let rows = Rows::new(ROWS, 60);
        let (status, mut reports) = mpsc::channel(10_000);
        let (_state, retained) = watch::channel(Arc::new(RetainedState::default()));
        let (_wish, wishes) = watch::channel(ReplayWish::default());
        let cancel = CancellationToken::new();
        let relay = Relay {
            link: link(through.port(), Pace { ack_limit: Duration::from_millis(500), ..fast() }),
            outbox: rows.clone(),
            status,
            retained,
            replays: wishes,
            clock: Arc::new(super::test::Still),
            cancel: cancel.clone(),
        };
        let task = tokio::spawn(run(relay));
        tokio::spawn(async move { while reports.recv().await.is_some() {} });
        soon(rows.reaches(ROWS)).await;
        let mut next = 1;
        for text in records(&broker) {
            let document: serde_json::Value = serde_json::from_str(&text).unwrap();
            let number = document["n"].as_u64().unwrap();
            next += u64::from(number == next);
        }
        assert_eq!(next, ROWS + 1, "seed {seed}: whoever takes only the next number has all");
        assert_eq!(rows.acked(), (1..=ROWS).collect::<Vec<_>>(), "seed {seed}");
        cancel.cancel();
        soon(task).await.unwrap();
    }
}
