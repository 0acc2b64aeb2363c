//! The technician's switches and the laboratory's consumer: one MQTT 5 client each, on the same
//! broker as the station.

use crate::network::session::{self, Client, Ending, Signal, Wire};
use crate::network::topics::Topics;
use crate::network::{How, Identity, Link, Pace};
use rumqttc::v5::Event;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet, Publish, PublishProperties};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

/// A client that presses switches and waits for what became of each press.
pub(super) struct Switches {
    client: Client,
    topics: Topics,
    replies: mpsc::Receiver<String>,
    reply_topic: String,
}

/// What the consumer received: full topic and payload, in order.
pub(super) type Received = Vec<(String, String)>;

/// Told once a client has subscribed, or why it could not.
type Ready = oneshot::Sender<anyhow::Result<()>>;

/// A connection that has asked for these topics.
fn open(who: &str, host: &str, port: u16, topics: Vec<String>) -> anyhow::Result<Wire> {
    let link = Link {
        station: format!("rehearsal-{who}"),
        session: Uuid::nil(),
        host: host.to_owned(),
        port,
        user: None,
        password: None,
        how: How::default(),
        keep_alive_s: 30,
        window: 16,
        pace: Pace::default(),
    };
    let wire = session::open(&link, Identity::In, None, 64);
    let filters = topics.into_iter().map(|topic| Filter::new(topic, QoS::AtLeastOnce)).collect();
    wire.client.try_subscribe_many(filters).map_err(|_| anyhow::anyhow!("no room to subscribe"))?;
    Ok(wire)
}

/// Hands over every message that comes, until the connection ends or nobody takes them. `ready` is
/// told once the broker has taken the subscription.
async fn listen(
    who: &str,
    mut wire: Wire,
    ready: Ready,
    cancel: CancellationToken,
    mut take: impl FnMut(String, String) -> bool,
) {
    let mut ready = Some(ready);
    while let Some(Some(signal)) = cancel.run_until_cancelled(wire.events.recv()).await {
        let events = match signal {
            Signal::Events(events) => events,
            Signal::Ended { why, .. } => return lost(who, ready.take(), &why),
        };
        for event in events {
            match event {
                Event::Incoming(Packet::SubAck(_)) => {
                    if let Some(ready) = ready.take() {
                        // Whoever waited may have gone.
                        let _ = ready.send(Ok(()));
                    }
                }
                Event::Incoming(Packet::Publish(publish)) => {
                    let topic = String::from_utf8_lossy(&publish.topic).into_owned();
                    let text = String::from_utf8_lossy(&publish.payload).into_owned();
                    if wire.client.try_ack(&publish).is_err() || !take(topic, text) {
                        return;
                    }
                }
                _ => {}
            }
        }
    }
}

impl Switches {
    /// Connects, and waits until replies can come in.
    pub(super) async fn connect(
        host: &str,
        port: u16,
        station: &str,
        cancel: &CancellationToken,
    ) -> anyhow::Result<Self> {
        let reply_topic = format!("rehearsal/{station}/reply");
        let wire = open("switches", host, port, vec![reply_topic.clone()])?;
        let client = wire.client.clone();
        let (sender, replies) = mpsc::channel(16);
        let (ready, subscribed) = oneshot::channel();
        let cancel = cancel.clone();
        tokio::spawn(async move {
            listen("switches", wire, ready, cancel, |_, reply| sender.try_send(reply).is_ok()).await;
        });
        subscribed.await??;
        Ok(Self { client, topics: Topics::of(station), replies, reply_topic })
    }

    /// Sends a trigger and waits until the station says that its outcome is on the disk.
    pub(super) async fn press(&mut self, trigger: &str, payload: &str) -> anyhow::Result<String> {
        let properties = PublishProperties {
            response_topic: Some(self.reply_topic.clone()),
            correlation_data: Some(trigger.as_bytes().to_vec().into()),
            message_expiry_interval: Some(30),
            ..PublishProperties::default()
        };
        let topic = self.topics.trigger(trigger);
        let publish = Publish::new(topic, QoS::AtLeastOnce, payload.as_bytes().to_vec(), Some(properties));
        let ended = || anyhow::anyhow!("the switches' client has ended");
        self.client.try_publish(publish).map_err(|_| ended())?;
        let reply = tokio::time::timeout(Duration::from_secs(20), self.replies.recv()).await?;
        reply.ok_or_else(ended)
    }
}

/// The laboratory's consumer: takes every document, and counts each once by its number.
pub(super) async fn consumer(
    host: &str,
    port: u16,
    station: &str,
    cancel: &CancellationToken,
) -> anyhow::Result<watch::Receiver<Received>> {
    let topics = Topics::of(station);
    let wire = open("consumer", host, port, vec![topics.record(), topics.result(), topics.weighing()])?;
    let (sender, receiver) = watch::channel(Received::new());
    let (ready, subscribed) = oneshot::channel();
    let cancel = cancel.clone();
    tokio::spawn(async move {
        let keep = |topic, body| {
            sender.send_modify(|all| all.push((topic, body)));
            true
        };
        listen("consumer", wire, ready, cancel, keep).await;
    });
    subscribed.await??;
    Ok(receiver)
}

/// A lost connection is told to whoever waits for it to begin, else to the log.
fn lost(who: &str, ready: Option<Ready>, why: &Ending) {
    let why = match why {
        Ending::TakenOver => "another client took its id",
        Ending::Closed(why) | Ending::Lost(why) => why.as_str(),
    };
    if let Some(ready) = ready {
        // Whoever waited may have gone.
        let _ = ready.send(Err(anyhow::anyhow!("{why}")));
    } else {
        tracing::error!("the {who} lost its connection: {why}");
    }
}
