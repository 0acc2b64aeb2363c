//! The broker as its clients see it, over real sockets.

use super::*;
use bytes::BytesMut;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    Connect, ConnectProperties, DisconnectReasonCode, Filter, LastWill, LastWillProperties, Packet, PingReq,
    PubAck, Publish, PublishProperties, Subscribe, SubscribeReasonCode,
};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// A client of a few lines: writes packets, reads packets.
struct Client {
    stream: TcpStream,
    input: BytesMut,
}

async fn soon<T>(wanted: impl Future<Output = T>) -> T {
    timeout(Duration::from_secs(20), wanted).await.expect("within 20 s")
}

async fn polite() -> Broker {
    start("127.0.0.1:0".parse().unwrap(), Behaviour::default()).await.unwrap()
}

impl Client {
    async fn raw(broker: &Broker) -> Self {
        Self { stream: TcpStream::connect(broker.addr).await.unwrap(), input: BytesMut::new() }
    }

    async fn connect(broker: &Broker, id: &str, keep_alive: u16, will: Option<LastWill>) -> Self {
        let mut client = Self::raw(broker).await;
        let properties = Some(ConnectProperties::new());
        let connect = Connect { keep_alive, client_id: id.into(), clean_start: true, properties };
        client.write(&Packet::Connect(connect, will, None)).await;
        assert!(matches!(client.read().await, Some(Packet::ConnAck(_))));
        client
    }

    async fn write(&mut self, packet: &Packet) {
        let mut output = BytesMut::new();
        packet.write(&mut output, None).unwrap();
        self.stream.write_all(&output).await.unwrap();
    }

    /// The next packet; `None` when the broker closed.
    async fn read(&mut self) -> Option<Packet> {
        soon(async {
            loop {
                if let Ok(packet) = Packet::read(&mut self.input, None) {
                    return Some(packet);
                }
                if self.stream.read_buf(&mut self.input).await.unwrap_or(0) == 0 {
                    return None;
                }
            }
        })
        .await
    }

    async fn message(&mut self) -> Publish {
        match self.read().await {
            Some(Packet::Publish(publish)) => publish,
            other => panic!("a message was expected, not {other:?}"),
        }
    }

    async fn subscribe(&mut self, filters: &[(&str, QoS)]) {
        let filters = filters.iter().map(|(path, qos)| Filter::new(*path, *qos));
        let mut subscribe = Subscribe::new_many(filters, None);
        subscribe.pkid = 1;
        self.write(&Packet::Subscribe(subscribe)).await;
    }

    async fn publish(&mut self, topic: &str, qos: QoS, retain: bool, payload: &str) {
        let mut publish = Publish::new(topic, qos, payload.to_owned(), None);
        publish.pkid = if qos == QoS::AtMostOnce { 0 } else { 9 };
        publish.retain = retain;
        self.write(&Packet::Publish(publish)).await;
    }

    async fn acknowledged(&mut self) -> PubAckReason {
        match self.read().await {
            Some(Packet::PubAck(PubAck { pkid: 9, reason, .. })) => reason,
            other => panic!("an acknowledgement was expected, not {other:?}"),
        }
    }
}

#[tokio::test]
async fn it_serves_this_machine_only() {
    let refused = start("0.0.0.0:0".parse().unwrap(), Behaviour::default()).await.unwrap_err();
    assert!(refused.to_string().contains("loopback"), "{refused}");
}

#[tokio::test]
async fn messages_reach_their_subscribers_in_order_and_others_are_told_that_nobody_listens() {
    let broker = polite().await;
    let mut reader = Client::connect(&broker, "reader", 0, None).await;
    reader
        .subscribe(&[("a/+/c", QoS::AtLeastOnce), ("d/#", QoS::AtMostOnce), ("$share/g/x", QoS::AtLeastOnce)])
        .await;
    let Some(Packet::SubAck(granted)) = reader.read().await else { panic!("no SUBACK") };
    assert_eq!(
        granted.return_codes,
        [
            SubscribeReasonCode::Success(QoS::AtLeastOnce),
            SubscribeReasonCode::Success(QoS::AtMostOnce),
            SubscribeReasonCode::SharedSubscriptionsNotSupported
        ]
    );
    let mut writer = Client::connect(&broker, "writer", 0, None).await;
    for number in 0..50 {
        writer.publish("a/b/c", QoS::AtLeastOnce, false, &number.to_string()).await;
        assert_eq!(writer.acknowledged().await, PubAckReason::Success);
    }
    writer.publish("d", QoS::AtLeastOnce, false, "low").await;
    assert_eq!(writer.acknowledged().await, PubAckReason::Success);
    writer.publish("a/b", QoS::AtLeastOnce, false, "nobody").await;
    assert_eq!(writer.acknowledged().await, PubAckReason::NoMatchingSubscribers);
    writer.publish("a/#", QoS::AtLeastOnce, false, "wild").await;
    assert_eq!(writer.acknowledged().await, PubAckReason::TopicNameInvalid);
    for number in 0..50 {
        let message = reader.message().await;
        assert_eq!((message.qos, &message.payload[..]), (QoS::AtLeastOnce, number.to_string().as_bytes()));
        reader.write(&Packet::PubAck(PubAck::new(message.pkid, None))).await;
    }
    let low = reader.message().await;
    assert_eq!((low.qos, low.pkid), (QoS::AtMostOnce, 0), "at the subscription's QoS");
    broker.shutdown().await;
    assert!(
        matches!(reader.read().await, Some(Packet::Disconnect(last)) if last.reason_code == DisconnectReasonCode::ServerShuttingDown)
    );
    assert_eq!(reader.read().await, None);
}

#[tokio::test]
async fn a_client_that_does_not_acknowledge_gets_no_more_than_its_window() {
    let broker = polite().await;
    let mut reader = Client::raw(&broker).await;
    let properties = Some(ConnectProperties { receive_maximum: Some(2), ..ConnectProperties::new() });
    let connect = Connect { keep_alive: 0, client_id: "slow".into(), clean_start: true, properties };
    reader.write(&Packet::Connect(connect, None, None)).await;
    reader.read().await;
    reader.subscribe(&[("t", QoS::AtLeastOnce)]).await;
    reader.read().await;
    let mut writer = Client::connect(&broker, "writer", 0, None).await;
    for payload in ["1", "2", "3"] {
        writer.publish("t", QoS::AtLeastOnce, false, payload).await;
        writer.acknowledged().await;
    }
    let first = reader.message().await;
    reader.message().await;
    // A ping is answered while the third waits, so what comes next shows whether it waited.
    reader.write(&Packet::PingReq(PingReq)).await;
    assert!(matches!(reader.read().await, Some(Packet::PingResp(_))));
    reader.write(&Packet::PubAck(PubAck::new(first.pkid, None))).await;
    assert_eq!(&reader.message().await.payload[..], b"3");
}

#[tokio::test]
async fn retained_messages_are_kept_cleared_and_expire() {
    let broker = polite().await;
    let mut writer = Client::connect(&broker, "writer", 0, None).await;
    writer.publish("keep", QoS::AtLeastOnce, true, "old").await;
    assert_eq!(writer.acknowledged().await, PubAckReason::NoMatchingSubscribers);
    writer.publish("keep", QoS::AtLeastOnce, true, "new").await;
    writer.acknowledged().await;
    writer.publish("gone", QoS::AtLeastOnce, true, "x").await;
    writer.acknowledged().await;
    writer.publish("gone", QoS::AtLeastOnce, true, "").await;
    writer.acknowledged().await;
    let expiry = PublishProperties { message_expiry_interval: Some(0), ..PublishProperties::default() };
    let mut stale = Publish::new("stale", QoS::AtMostOnce, "x", Some(expiry));
    stale.retain = true;
    writer.write(&Packet::Publish(stale)).await;
    let expiry = PublishProperties { message_expiry_interval: Some(100), ..PublishProperties::default() };
    let mut fresh = Publish::new("sent/last", QoS::AtMostOnce, "x", Some(expiry));
    fresh.retain = true;
    writer.write(&Packet::Publish(fresh)).await;
    writer.write(&Packet::PingReq(PingReq)).await;
    assert!(matches!(writer.read().await, Some(Packet::PingResp(_))));

    let mut reader = Client::connect(&broker, "reader", 0, None).await;
    reader.subscribe(&[("#", QoS::AtLeastOnce)]).await;
    let mut kept = Vec::new();
    while kept.len() < 2 {
        if let Some(Packet::Publish(message)) = reader.read().await {
            assert!(message.retain);
            let left = message.properties.and_then(|told| told.message_expiry_interval);
            kept.push((message.topic, message.payload, left.map(|left| (99..=100).contains(&left))));
        }
    }
    assert_eq!(kept, [("keep".into(), "new".into(), None), ("sent/last".into(), "x".into(), Some(true))]);
    // A live message comes without the mark, and after it nothing retained is left over.
    writer.publish("live", QoS::AtMostOnce, true, "now").await;
    let mut live = reader.read().await;
    if matches!(live, Some(Packet::SubAck(_))) {
        live = reader.read().await;
    }
    assert!(
        matches!(live, Some(Packet::Publish(message)) if !message.retain && &message.topic[..] == b"live")
    );
}

fn will(delay: u32) -> LastWill {
    let properties = LastWillProperties {
        delay_interval: Some(delay),
        payload_format_indicator: None,
        message_expiry_interval: None,
        content_type: None,
        response_topic: None,
        correlation_data: None,
        user_properties: Vec::new(),
    };
    LastWill::new("status", "lost", QoS::AtLeastOnce, true, Some(properties))
}

async fn becomes(broker: &Broker, payload: &str) {
    soon(async {
        while broker.retained("status").as_deref() != Some(payload.as_bytes()) {
            tokio::task::yield_now().await;
        }
    })
    .await;
}

#[tokio::test]
async fn a_will_is_told_after_its_delay_unless_the_client_said_goodbye_or_came_back() {
    let broker = polite().await;
    let mut polite = Client::connect(&broker, "polite", 0, Some(will(0))).await;
    // The short form that most clients send.
    polite.stream.write_all(&[0xe0, 0]).await.unwrap();
    assert_eq!(polite.read().await, None, "the broker closes too");
    assert_eq!(broker.retained("status"), None);
    drop(Client::connect(&broker, "lost", 0, Some(will(0))).await);
    becomes(&broker, "lost").await;

    let mut writer = Client::connect(&broker, "writer", 0, None).await;
    writer.publish("status", QoS::AtLeastOnce, true, "fine").await;
    writer.acknowledged().await;
    let begun = tokio::time::Instant::now();
    drop(Client::connect(&broker, "late", 0, Some(will(1))).await);
    becomes(&broker, "lost").await;
    assert!(begun.elapsed() >= Duration::from_millis(950), "{:?}", begun.elapsed());
}

#[tokio::test]
async fn the_newer_connection_of_an_id_wins_and_the_older_is_told_why() {
    let broker = polite().await;
    let mut older = Client::connect(&broker, "one", 0, Some(will(0))).await;
    let mut newer = Client::connect(&broker, "one", 0, None).await;
    assert!(
        matches!(older.read().await, Some(Packet::Disconnect(last)) if last.reason_code == DisconnectReasonCode::SessionTakenOver)
    );
    assert_eq!(older.read().await, None);
    newer.write(&Packet::PingReq(PingReq)).await;
    assert!(matches!(newer.read().await, Some(Packet::PingResp(_))));
    assert_eq!(broker.retained("status"), None, "nobody is lost");
}

#[tokio::test]
async fn garbage_ends_only_its_own_connection() {
    let broker = polite().await;
    let mut good = Client::connect(&broker, "good", 0, None).await;
    for garbage in [
        &b"GET / HTTP/1.1\r\n\r\n"[..],
        &[0x10, 0xff, 0xff, 0xff, 0xff, 0xff],
        &[0x10, 0xff, 0xff, 0xff, 0x7f],
        &[0x10, 2, 0, 9],
        &[0xe0, 0],
        &[0x30, 0],
        &[0xc0, 0],
    ] {
        let mut bad = Client::raw(&broker).await;
        bad.stream.write_all(garbage).await.unwrap();
        assert!(!matches!(bad.read().await, Some(Packet::ConnAck(_))), "{garbage:?}");
    }
    let mut cut = Client::connect(&broker, "cut", 0, None).await;
    // SUBSCRIBE whose properties claim more than the packet holds.
    cut.stream.write_all(&[0x82, 3, 0, 1, 0xff]).await.unwrap();
    assert!(
        matches!(cut.read().await, Some(Packet::Disconnect(last)) if last.reason_code == DisconnectReasonCode::MalformedPacket)
    );
    good.publish("x", QoS::AtLeastOnce, false, "still here").await;
    assert_eq!(good.acknowledged().await, PubAckReason::NoMatchingSubscribers);
}

#[tokio::test]
async fn a_silent_client_is_let_go_after_one_and_a_half_keepalives() {
    let broker = polite().await;
    let mut silent = Client::connect(&broker, "silent", 1, None).await;
    let begun = tokio::time::Instant::now();
    assert!(
        matches!(silent.read().await, Some(Packet::Disconnect(last)) if last.reason_code == DisconnectReasonCode::KeepAliveTimeout)
    );
    assert!(begun.elapsed() >= Duration::from_millis(1400));
}
