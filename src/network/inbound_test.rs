//! The inbound session against the loopback broker.

use super::*;
use crate::clock::Reached;
use crate::domain::moment::test::at;
use crate::network::{How, Pace};
use crate::rehearsal::broker::{self, Acknowledging, Behaviour, Broker, Observed};
use std::time::Duration;
use uuid::Uuid;

#[derive(Debug)]
struct Still;

impl Clock for Still {
    fn now(&self) -> Moment {
        at(77)
    }
    fn reached(&self, _: i64) -> Reached {
        Box::pin(std::future::pending())
    }
    fn of_kernel(&self, _: u64) -> Moment {
        at(77)
    }
}

struct Bench {
    broker: Broker,
    station: mpsc::Receiver<Inbound>,
    reports: mpsc::Receiver<NetworkReport>,
    cancel: CancellationToken,
    task: tokio::task::JoinHandle<()>,
    /// A button, and somebody who asks.
    outside: Outside,
}

fn link(station: &str, port: u16) -> Link {
    Link {
        station: station.into(),
        session: Uuid::from_u128(7),
        host: "127.0.0.1".into(),
        port,
        user: None,
        password: None,
        how: How::default(),
        keep_alive_s: 5,
        window: 16,
        pace: Pace::default(),
    }
}

async fn soon<T>(wanted: impl Future<Output = T>) -> T {
    timeout(Duration::from_secs(30), wanted).await.expect("within half a minute")
}

/// Somebody else at the broker.
struct Outside {
    wire: Wire,
    came: VecDeque<Packet>,
}

/// The next packet of the outside client that `wanted` accepts.
async fn next_packet(outside: &mut Outside, wanted: impl Fn(&Packet) -> bool) -> Packet {
    soon(async {
        loop {
            while let Some(packet) = outside.came.pop_front() {
                if wanted(&packet) {
                    return packet;
                }
            }
            match outside.wire.events.recv().await {
                Some(Signal::Events(events)) => {
                    outside.came.extend(events.into_iter().filter_map(|event| match event {
                        Event::Incoming(packet) => Some(packet),
                        Event::Outgoing(_) => None,
                    }));
                }
                other => panic!("the outside client lost its connection: {other:?}"),
            }
        }
    })
    .await
}

impl Bench {
    async fn start() -> Self {
        Self::start_with(Behaviour::default()).await
    }

    async fn start_with(behaviour: Behaviour) -> Self {
        let behaviour = Behaviour { observe: true, ..behaviour };
        let broker = broker::start("127.0.0.1:0".parse().unwrap(), behaviour).await.unwrap();
        let port = broker.addr.port();
        let wire = session::open(&link("outside", port), Identity::In, None, 400);
        let mut outside = Outside { wire, came: VecDeque::new() };
        outside.wire.client.try_subscribe_many(vec![Filter::new("reply/#", QoS::AtLeastOnce)]).unwrap();
        next_packet(&mut outside, |packet| matches!(packet, Packet::SubAck(_))).await;
        let (tell, station) = mpsc::channel(4);
        let (status, reports) = mpsc::channel(100);
        let cancel = CancellationToken::new();
        let door = Door {
            link: link("b1", port),
            clock: Arc::new(Still),
            station: tell,
            status,
            cancel: cancel.clone(),
        };
        let task = tokio::spawn(run(door));
        let mut bench = Self { broker, station, reports, cancel, task, outside };
        bench.is_listening().await;
        bench
    }

    /// Presses until a press arrives: the subscription stands from then on.
    async fn is_listening(&mut self) {
        soon(async {
            loop {
                self.send("trigger/probe", b"press", |_| {});
                let ack = next_packet(&mut self.outside, |packet| matches!(packet, Packet::PubAck(_))).await;
                if matches!(ack, Packet::PubAck(ack) if ack.reason == PubAckReason::Success) {
                    return;
                }
            }
        })
        .await;
        self.next().await.done.send(None).unwrap();
    }

    fn send(&self, below: &str, payload: &[u8], change: impl Fn(&mut Publish)) {
        let topic = format!("stillstand/1/b1/{below}");
        let payload = payload.to_vec();
        let mut publish = Publish::new(topic, QoS::AtLeastOnce, payload, Some(PublishProperties::default()));
        change(&mut publish);
        self.outside.wire.client.try_publish(publish).unwrap();
    }

    async fn next(&mut self) -> Inbound {
        soon(self.station.recv()).await.expect("the session lives")
    }

    async fn dropped(&mut self) -> String {
        soon(async {
            loop {
                if let NetworkReport::Dropped { why, .. } =
                    self.reports.recv().await.expect("the session lives")
                {
                    return why;
                }
            }
        })
        .await
    }

    /// Presses so many times, each with its number and with a reply wanted, until all of them are on their
    /// way to the session.
    async fn burst(&mut self, count: usize) {
        for number in 0..count {
            self.send("trigger/foot", number.to_string().as_bytes(), |publish| ask(publish, "reply/desk"));
            // Not more at a time than the outside client holds.
            if number % 100 == 99 || number + 1 == count {
                for _ in 0..=number % 100 {
                    next_packet(&mut self.outside, |packet| matches!(packet, Packet::PubAck(_))).await;
                }
            }
        }
        self.until(|seen| seen.most_in_flight >= count).await;
    }

    async fn until(&self, wanted: impl Fn(&Observed) -> bool) {
        soon(async {
            while !wanted(&self.broker.observed()) {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        })
        .await;
    }

    async fn stop(self) {
        self.cancel.cancel();
        soon(self.task).await.unwrap();
        soon(self.broker.shutdown()).await;
    }
}

fn ask(publish: &mut Publish, response: &str) {
    if let Some(told) = &mut publish.properties {
        told.response_topic = Some(response.into());
        told.correlation_data = Some(Bytes::from_static(b"\x00\xffabc"));
        told.message_expiry_interval = Some(30);
    }
}

#[tokio::test]
async fn a_press_arrives_stamped_and_an_ask_gets_its_reply() {
    let mut bench = Bench::start().await;
    bench.send("trigger/foot-2", b"press", |_| {});
    let press = bench.next().await;
    assert_eq!(press.topic, TopicKind::Trigger("foot-2".into()));
    assert_eq!(&press.payload[..], b"press");
    assert_eq!(press.arrived, at(77));
    assert!(!press.retain && !press.dup);
    press.done.send(None).unwrap();

    bench.send("ask/read", b"{}", |publish| ask(publish, "reply/desk"));
    let asked = bench.next().await;
    assert_eq!(asked.topic, TopicKind::Ask("read".into()));
    assert_eq!(asked.expiry, Some(30));
    asked.done.send(Some("{\"ok\":true}".into())).unwrap();
    let Packet::Publish(reply) =
        next_packet(&mut bench.outside, |packet| matches!(packet, Packet::Publish(_))).await
    else {
        unreachable!()
    };
    assert_eq!(&reply.topic[..], b"reply/desk");
    assert_eq!(&reply.payload[..], b"{\"ok\":true}");
    let told = reply.properties.unwrap();
    assert_eq!(told.correlation_data.unwrap(), Bytes::from_static(b"\x00\xffabc"), "echoed unchanged");
    bench.stop().await;
}

#[tokio::test]
async fn a_retained_press_is_marked_even_when_it_arrives_live() {
    let mut bench = Bench::start().await;
    bench.send("trigger/foot", b"press", |publish| publish.retain = true);
    assert!(bench.next().await.retain);
    bench.stop().await;
}

#[tokio::test]
async fn what_cannot_be_judged_is_dropped_with_a_reason() {
    let mut bench = Bench::start().await;
    bench.send("ask/read", b"{}", |publish| {
        publish.retain = true;
        ask(publish, "reply/desk");
    });
    assert!(bench.dropped().await.contains("retain"));
    let is_reply = |packet: &Packet| matches!(packet, Packet::Publish(_));
    let Packet::Publish(reply) = next_packet(&mut bench.outside, is_reply).await else { unreachable!() };
    let reply: serde_json::Value = serde_json::from_slice(&reply.payload).unwrap();
    assert_eq!(reply["outcome"], "refused", "whoever asked is told");
    bench.send("trigger/foot", &vec![b'x'; PAYLOAD_MOST + 1], |_| {});
    assert!(bench.dropped().await.contains("65537"));
    bench.send("trigger/Foot", b"press", |_| {});
    assert!(bench.dropped().await.contains("lower-case"));
    bench.send("trigger/foot", &vec![b'x'; PAYLOAD_MOST], |_| {});
    assert_eq!(bench.next().await.payload.len(), PAYLOAD_MOST, "the next one is judged");
    bench.stop().await;
}

#[tokio::test]
async fn a_reply_cannot_be_made_a_record_or_a_trigger() {
    let mut bench = Bench::start().await;
    for response in ["stillstand/1/b1/record", "stillstand/1/b2/trigger/foot", "reply/#", "$SYS/x", ""] {
        bench.send("ask/read", b"{}", |publish| ask(publish, response));
        bench.next().await.done.send(Some("{}".into())).unwrap();
        assert!(bench.dropped().await.contains("no reply"), "{response}");
    }
    let replies = bench.broker.observed().seen.into_iter().filter(|seen| seen.client == "stillstand-b1-in");
    assert_eq!(replies.count(), 0);
    bench.stop().await;
}

#[tokio::test]
async fn a_reply_that_nobody_reads_is_told() {
    let mut bench = Bench::start().await;
    bench.send("ask/read", b"{}", |publish| ask(publish, "elsewhere/desk"));
    bench.next().await.done.send(Some("{}".into())).unwrap();
    assert!(bench.dropped().await.contains("nobody subscribes"));
    bench.stop().await;
}

#[tokio::test]
async fn a_slow_station_loses_nothing_and_order_holds() {
    let mut bench = Bench::start().await;
    for number in 0..100 {
        bench.send("trigger/foot", number.to_string().as_bytes(), |_| {});
    }
    let mut open = VecDeque::new();
    for number in 0..100 {
        let press = bench.next().await;
        assert_eq!(press.payload, number.to_string().as_bytes());
        open.push_back(press.done);
        if open.len() > 20 {
            // A station that drops the outcome has none to tell.
            drop(open.pop_front());
        }
    }
    bench.stop().await;
}

/// What the session said in answer to presses, in order.
fn replies(seen: &Observed) -> Vec<String> {
    let own = seen.seen.iter().filter(|seen| seen.client == "stillstand-b1-in");
    own.map(|seen| String::from_utf8(seen.payload.clone()).unwrap()).collect()
}

/// Packet ids that the session acknowledged, in order.
fn acknowledged(seen: &Observed) -> Vec<u16> {
    seen.acknowledged.iter().filter(|(client, _)| client == "stillstand-b1-in").map(|(_, id)| *id).collect()
}

#[tokio::test]
async fn a_broker_that_heeds_no_receive_maximum_loses_no_press_and_no_connection() {
    const PRESSES: usize = 3000;
    // It takes few replies at a time and is slow to confirm them, so that answers gather here.
    let behaviour = Behaviour {
        ignores_receive_max: true,
        receive_max: Some(10),
        acknowledging: Acknowledging::Late,
        ..Behaviour::default()
    };
    let mut bench = Bench::start_with(behaviour).await;
    bench.burst(PRESSES).await;
    assert!(replies(&bench.broker.observed()).is_empty(), "the station has decided nothing yet");
    let wanted: Vec<String> = (0..PRESSES).map(|number| number.to_string()).collect();
    for number in &wanted {
        let press = bench.next().await;
        assert_eq!(press.payload, number.as_bytes(), "in the order in which they were made");
        press.done.send(Some(number.clone())).unwrap();
    }
    // One press came before them, by which the bench knew that it was heard.
    bench.until(|seen| replies(seen).len() >= PRESSES && acknowledged(seen).len() > PRESSES).await;
    let seen = bench.broker.observed();
    assert_eq!(replies(&seen), wanted, "each answered once, in order");
    let ids = acknowledged(&seen);
    // The broker counts its packets from one.
    assert_eq!(ids, (1..=u16::try_from(ids.len()).unwrap()).collect::<Vec<_>>(), "acknowledged in order");
    assert_eq!(ids.len(), 1 + PRESSES, "each once");
    assert_eq!(seen.connections, 2, "the session's only connection, and the outside one");
    while let Ok(report) = bench.reports.try_recv() {
        assert!(matches!(report, NetworkReport::Connected { .. }), "{report:?}");
    }
    bench.stop().await;
}

#[tokio::test]
async fn an_answer_does_not_wait_for_the_presses_behind_it() {
    let behaviour = Behaviour { ignores_receive_max: true, ..Behaviour::default() };
    let mut bench = Bench::start_with(behaviour).await;
    bench.burst(2000).await;
    // The station takes one press, answers it, and takes no other.
    bench.next().await.done.send(Some("the first".into())).unwrap();
    bench.until(|seen| replies(seen) == ["the first"]).await;
    bench.stop().await;
}
