//! The relay against the hostile broker: nothing lost, nothing falsely acknowledged, in order.

use super::*;
use crate::domain::moment::{Moment, test::at};
use crate::network::{How, OutboxError, OutboxRow, Pace, RetainedMessage};
use crate::rehearsal::broker::{self, Acknowledging, Behaviour, Broker};
use rumqttc::v5::mqttbytes::v5::PubAckReason;
use std::collections::HashSet;
use std::sync::Mutex;
use uuid::Uuid;

/// A clock that stands: only presence documents ask it.
#[derive(Debug)]
pub(super) struct Still;

impl Clock for Still {
    fn now(&self) -> Moment {
        at(0)
    }
    fn reached(&self, _: i64) -> crate::clock::Reached {
        Box::pin(std::future::pending())
    }
    fn of_kernel(&self, _: u64) -> Moment {
        at(0)
    }
}

/// An outbox in memory.
#[derive(Clone)]
pub(super) struct Rows {
    all: Arc<Vec<OutboxRow>>,
    acked: Arc<Mutex<Vec<u64>>>,
    progress: Arc<watch::Sender<u64>>,
    newest: watch::Sender<u64>,
    /// Documents up to this one were acknowledged in an earlier run and are not there any more: a look for
    /// them takes longer than any hold, and finds nothing.
    pub(super) gone: u64,
    /// Such looks.
    looks: Arc<watch::Sender<u64>>,
}

const TOPIC: &str = "stillstand/1/b1/record";

impl Rows {
    pub(super) fn new(count: u64, bytes: usize) -> Self {
        let row = |number| OutboxRow {
            number,
            id: format!("row-{number}"),
            kind: "specimen-record".into(),
            topic: TOPIC.into(),
            subject: String::new(),
            payload: format!("{{\"n\":{number},\"fill\":\"{}\"}}", "x".repeat(bytes)),
            made_at_ns: 0,
            acked_at_ns: None,
        };
        Self {
            all: Arc::new((1..=count).map(row).collect()),
            acked: Arc::default(),
            progress: Arc::new(watch::Sender::new(0)),
            newest: watch::Sender::new(count),
            gone: 0,
            looks: Arc::new(watch::Sender::new(0)),
        }
    }

    pub(super) fn acked(&self) -> Vec<u64> {
        self.acked.lock().unwrap().clone()
    }

    /// Only documents up to this one are there yet.
    pub(super) fn show(&self, newest: u64) {
        self.newest.send_replace(newest);
    }

    pub(super) async fn reaches(&self, number: u64) {
        let reached = self.progress.subscribe().wait_for(|acked| *acked >= number).await.map(drop);
        reached.unwrap();
    }

    pub(super) async fn looked_in_vain(&self, times: u64) {
        self.looks.subscribe().wait_for(|looks| *looks >= times).await.map(drop).unwrap();
    }
}

impl Outbox for Rows {
    async fn resume(&self, _: Duration) -> Result<Resume, OutboxError> {
        Ok(Resume { acked: self.gone, send_after: self.gone })
    }
    async fn after(&self, number: u64, limit: usize) -> Result<Vec<OutboxRow>, OutboxError> {
        if number < self.gone {
            tokio::time::sleep(fast().hold_most * 2).await;
            self.looks.send_modify(|looks| *looks += 1);
            return Ok(Vec::new());
        }
        let newest = *self.newest.borrow();
        let rows = self.all.iter().filter(|row| row.number > number && row.number <= newest);
        Ok(rows.take(limit).cloned().collect())
    }
    fn acked(&self, number: u64) {
        self.acked.lock().unwrap().push(number);
        self.progress.send_replace(number);
    }
    fn changed(&self) -> watch::Receiver<u64> {
        self.newest.subscribe()
    }
}

pub(super) struct Bench {
    pub(super) rows: Rows,
    reports: mpsc::Receiver<NetworkReport>,
    state: watch::Sender<Arc<RetainedState>>,
    pub(super) replay: watch::Sender<ReplayWish>,
    cancel: CancellationToken,
    task: tokio::task::JoinHandle<()>,
}

pub(super) fn fast() -> Pace {
    Pace {
        retry_first: Duration::from_millis(1),
        retry_most: Duration::from_millis(10),
        hold_first: Duration::from_millis(2),
        hold_most: Duration::from_millis(20),
        ack_limit: Duration::from_secs(2),
        taken_over: Duration::from_millis(10),
        settled: Duration::from_millis(50),
        ..Pace::default()
    }
}

pub(super) fn link(port: u16, pace: Pace) -> Link {
    Link {
        station: "b1".into(),
        session: Uuid::from_u128(7),
        host: "127.0.0.1".into(),
        port,
        user: None,
        password: None,
        how: How::default(),
        keep_alive_s: 5,
        window: 16,
        pace,
    }
}

impl Bench {
    pub(super) fn start(broker: &Broker, rows: Rows, pace: Pace) -> Self {
        Self::start_with(broker, rows, pace, ReplayWish::default())
    }

    pub(super) fn start_with(broker: &Broker, rows: Rows, pace: Pace, wish: ReplayWish) -> Self {
        let (status, reports) = mpsc::channel(10_000);
        let (state, retained) = watch::channel(Arc::new(RetainedState::default()));
        let (asking, wishes) = watch::channel(wish);
        let cancel = CancellationToken::new();
        let relay = Relay {
            link: link(broker.addr.port(), pace),
            outbox: rows.clone(),
            status,
            retained,
            replays: wishes,
            clock: Arc::new(Still),
            cancel: cancel.clone(),
        };
        Self { rows, reports, state, replay: asking, cancel, task: tokio::spawn(run(relay)) }
    }

    pub(super) async fn stop(self) {
        self.cancel.cancel();
        self.task.await.unwrap();
    }

    pub(super) async fn report(&mut self, wanted: impl Fn(&NetworkReport) -> bool) -> NetworkReport {
        soon(async {
            loop {
                let report = self.reports.recv().await.expect("the relay lives");
                if wanted(&report) {
                    return report;
                }
            }
        })
        .await
    }
}

pub(super) async fn soon<T>(wanted: impl Future<Output = T>) -> T {
    // A machine that builds at the same time takes more than one for a hundred broken connections.
    tokio::time::timeout(Duration::from_mins(5), wanted).await.expect("within five minutes")
}

pub(super) async fn broker(behaviour: Behaviour) -> Broker {
    broker::start("127.0.0.1:0".parse().unwrap(), Behaviour { observe: true, ..behaviour }).await.unwrap()
}

/// Somebody who reads records: a bare connection that subscribes.
pub(super) async fn reader(broker: &Broker) -> crate::network::session::Wire {
    let mut link = link(broker.addr.port(), fast());
    link.station = "reader".into();
    // Nobody takes what it hears: that it falls behind must not be taken for silence.
    link.keep_alive_s = 600;
    let mut wire = crate::network::session::open(&link, Identity::In, None, 10);
    let filter =
        rumqttc::v5::mqttbytes::v5::Filter::new("stillstand/#", rumqttc::v5::mqttbytes::QoS::AtMostOnce);
    wire.client.try_subscribe_many(vec![filter]).unwrap();
    soon(async {
        while let Some(signal) = wire.events.recv().await {
            let is_answer = |event: &rumqttc::v5::Event| {
                matches!(event, rumqttc::v5::Event::Incoming(rumqttc::v5::mqttbytes::v5::Packet::SubAck(_)))
            };
            if let crate::network::session::Signal::Events(events) = signal
                && events.iter().any(is_answer)
            {
                return;
            }
        }
        panic!("the reader lost its connection");
    })
    .await;
    wire
}

pub(super) fn records(broker: &Broker) -> Vec<String> {
    let seen = broker.observed().seen.into_iter().filter(|seen| seen.topic == TOPIC);
    seen.map(|seen| String::from_utf8(seen.payload).unwrap()).collect()
}

/// Sends 1000 documents to a broker that misbehaves, and checks what each side knows.
async fn survives(behaviour: Behaviour) {
    let name = format!("{behaviour:?}");
    let count = 1000;
    let broker = broker(behaviour).await;
    let _reader = reader(&broker).await;
    let bench = Bench::start(&broker, Rows::new(count, 0), fast());
    soon(bench.rows.reaches(count)).await;
    let observed = broker.observed();
    let taken = records(&broker);
    let have: HashSet<&str> = taken.iter().map(String::as_str).collect();
    let false_acks: Vec<u64> = bench
        .rows
        .acked()
        .into_iter()
        .filter(|number| !have.contains(format!("{{\"n\":{number},\"fill\":\"\"}}").as_str()))
        .collect();
    assert_eq!(false_acks, [0; 0], "{name}");
    assert_eq!(bench.rows.acked(), (1..=count).collect::<Vec<_>>(), "told once each, in order: {name}");
    let mut next = 1;
    for payload in &taken {
        if *payload == format!("{{\"n\":{next},\"fill\":\"\"}}") {
            next += 1;
        }
    }
    assert_eq!(next, count + 1, "a consumer of the next number gets all: {name}");
    assert_eq!(observed.over_receive_max, 0, "{name}");
    eprintln!("{} sends over {} connections: {name}", taken.len(), observed.connections);
    soon(bench.stop()).await;
    broker.shutdown().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_hostile_broker_loses_nothing_and_gets_nothing_falsely_acknowledged() {
    for seed in 0..4 {
        let breaks = Behaviour {
            seed,
            drop_after: Some(60),
            acknowledging: Acknowledging::Late,
            ..Behaviour::default()
        };
        survives(breaks.clone()).await;
        survives(Behaviour { lies_of_session: true, receive_max: Some(10), ..breaks.clone() }).await;
        survives(Behaviour {
            refuse: Some((PubAckReason::QuotaExceeded, 50)),
            receive_max: Some(5),
            ..breaks.clone()
        })
        .await;
        survives(Behaviour { acknowledging: Acknowledging::OutOfOrder, ..breaks }).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_polite_broker_gets_each_document_once() {
    let broker = broker(Behaviour::default()).await;
    let _reader = reader(&broker).await;
    let bench = Bench::start(&broker, Rows::new(300, 0), fast());
    soon(bench.rows.reaches(300)).await;
    assert_eq!(records(&broker).len(), 300);
    soon(bench.stop()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_says_nothing_is_left_and_tried_again() {
    let broker = broker(Behaviour { acknowledging: Acknowledging::Never, ..Behaviour::default() }).await;
    let _reader = reader(&broker).await;
    let pace = Pace { ack_limit: Duration::from_millis(100), ..fast() };
    let mut bench = Bench::start(&broker, Rows::new(5, 0), pace);
    let given_up = |report: &NetworkReport| matches!(report, NetworkReport::Disconnected { why, .. } if why.contains("no acknowledgement"));
    bench.report(given_up).await;
    bench.report(|report| matches!(report, NetworkReport::Connected { .. })).await;
    assert_eq!(bench.rows.acked(), [0; 0]);
    soon(bench.stop()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_subscriber_documents_are_held_until_one_comes() {
    let broker = broker(Behaviour::default()).await;
    let mut bench = Bench::start(&broker, Rows::new(20, 0), fast());
    let no_subscriber = |active| move |report: &NetworkReport| matches!(report, NetworkReport::Condition(c) if c.name == ConditionName::NoSubscriber && c.active == active);
    bench.report(no_subscriber(true)).await;
    assert_eq!(bench.rows.acked(), [0; 0]);
    let _reader = reader(&broker).await;
    bench.report(no_subscriber(false)).await;
    soon(bench.rows.reaches(20)).await;
    assert_eq!(broker.observed().connections, 2, "the connection stayed open all the while");
    soon(bench.stop()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_document_over_the_limit_is_told_by_a_notice_and_order_holds() {
    let broker = broker(Behaviour { packet_max: Some(1000), ..Behaviour::default() }).await;
    let _reader = reader(&broker).await;
    let mut bench = Bench::start(&broker, Rows::new(3, 2000), fast());
    let replaced = bench.report(|report| matches!(report, NetworkReport::Replaced { .. })).await;
    assert!(matches!(replaced, NetworkReport::Replaced { number: 1, limit: 1000, bytes } if bytes > 2000));
    soon(bench.rows.reaches(3)).await;
    let notices: Vec<serde_json::Value> =
        records(&broker).iter().map(|text| serde_json::from_str(text).unwrap()).collect();
    let told: Vec<_> = notices.iter().map(|notice| (&notice["type"], &notice["sequence"])).collect();
    assert_eq!(told.len(), 3);
    assert_eq!(told[2].0, "example.stillstand.document.toolarge.v1");
    assert_eq!(told[2].1, "0000000003");
    soon(bench.stop()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_station_with_our_id_is_not_fought() {
    let broker = broker(Behaviour::default()).await;
    let pace = Pace { taken_over: Duration::from_millis(300), ..fast() };
    let mut bench = Bench::start(&broker, Rows::new(0, 0), pace);
    bench.report(|report| matches!(report, NetworkReport::Connected { .. })).await;
    let begun = Instant::now();
    let will = Some(("x", String::new()));
    let other = crate::network::session::open(&link(broker.addr.port(), fast()), Identity::Out, will, 4);
    let taken_over = |active| move |report: &NetworkReport| matches!(report, NetworkReport::Condition(c) if c.name == ConditionName::TakenOver && c.active == active);
    bench.report(taken_over(true)).await;
    assert_eq!(broker.observed().connections, 2);
    drop(other);
    bench.report(taken_over(false)).await;
    assert!(begun.elapsed() >= Duration::from_millis(350), "it waited, and then a connection lasted");
    soon(bench.stop()).await;
}

fn state(generation: u64, topics: &[(&str, &str)]) -> Arc<RetainedState> {
    let message =
        |payload: &str| RetainedMessage { payload: payload.to_owned().into(), expiry_s: None, qos: 1 };
    let topics = topics.iter().map(|(topic, payload)| ((*topic).into(), message(payload))).collect();
    Arc::new(RetainedState { generation, topics, ..RetainedState::default() })
}

async fn shows(broker: &Broker, topic: &str, payload: Option<&str>) {
    soon(async {
        while broker.retained(topic).as_deref() != payload.map(str::as_bytes) {
            tokio::task::yield_now().await;
        }
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn retained_state_is_shown_as_it_is_changed_coalesced_and_cleared() {
    let broker = broker(Behaviour::default()).await;
    let bench = Bench::start(&broker, Rows::new(0, 0), fast());
    bench.state.send_replace(state(1, &[("s/a", "1"), ("s/b", "1")]));
    shows(&broker, "s/b", Some("1")).await;
    for generation in 2..500 {
        bench.state.send_replace(state(generation, &[("s/a", &generation.to_string()), ("s/c", "new")]));
    }
    shows(&broker, "s/a", Some("499")).await;
    shows(&broker, "s/b", None).await;
    shows(&broker, "s/c", Some("new")).await;
    let of_c = broker.observed().seen.iter().filter(|seen| seen.topic == "s/c").count();
    assert_eq!(of_c, 1, "what did not change is not sent again");
    soon(bench.stop()).await;
    let status = broker.retained("stillstand/1/b1/status").unwrap();
    let status: serde_json::Value = serde_json::from_slice(&status).unwrap();
    assert_eq!(status["state"], "offline", "a clean stop says so");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_forgot_everything_is_shown_the_state_again() {
    let first = broker(Behaviour::default()).await;
    let addr = first.addr;
    let mut bench = Bench::start(&first, Rows::new(0, 0), fast());
    bench.state.send_replace(state(1, &[("s/a", "1")]));
    shows(&first, "s/a", Some("1")).await;
    first.shutdown().await;
    bench.report(|report| matches!(report, NetworkReport::Disconnected { .. })).await;
    let second = soon(async {
        loop {
            if let Ok(broker) = broker::start(addr, Behaviour::default()).await {
                return broker;
            }
            tokio::task::yield_now().await;
        }
    })
    .await;
    shows(&second, "s/a", Some("1")).await;
    soon(bench.stop()).await;
}
