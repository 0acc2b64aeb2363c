//! The technician's switches and the laboratory's consumer: one MQTT 5 client each, on the same
//! broker as the station.

use crate::network::topics::Topics;
use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PublishProperties};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, MqttOptions};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;

/// A client that presses switches and waits for what became of each press.
pub(super) struct Switches {
    client: AsyncClient,
    topics: Topics,
    replies: mpsc::Receiver<String>,
    reply_topic: String,
}

/// What the consumer received: full topic and payload, in order.
pub(super) type Received = Vec<(String, String)>;

/// Told once a client has subscribed, or why it could not.
type Ready = oneshot::Sender<anyhow::Result<()>>;

fn options(id: &str, host: &str, port: u16) -> MqttOptions {
    let mut options = MqttOptions::new(id, host, port);
    options.set_keep_alive(Duration::from_secs(30)).set_clean_start(true);
    let mut network = rumqttc::NetworkOptions::new();
    network.set_tcp_nodelay(true);
    options.set_network_options(network);
    options
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
        let (client, mut events) = AsyncClient::new(options("rehearsal-switches", host, port), 16);
        client.subscribe(&reply_topic, QoS::AtLeastOnce).await?;
        let (sender, replies) = mpsc::channel(16);
        let (ready, subscribed) = oneshot::channel();
        let mut ready = Some(ready);
        let cancel = cancel.clone();
        tokio::spawn(async move {
            loop {
                let event = tokio::select! {
                    event = events.poll() => event,
                    () = cancel.cancelled() => return,
                };
                match event {
                    Ok(Event::Incoming(Packet::SubAck(_))) => {
                        if let Some(ready) = ready.take() {
                            let _ = ready.send(Ok(()));
                        }
                    }
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        let text = String::from_utf8_lossy(&publish.payload).into_owned();
                        if sender.send(text).await.is_err() {
                            return;
                        }
                    }
                    Ok(_) => {}
                    Err(error) => return lost("switches", ready.take(), &error),
                }
            }
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
        self.client
            .publish_with_properties(
                self.topics.trigger(trigger),
                QoS::AtLeastOnce,
                false,
                payload.as_bytes().to_vec(),
                properties,
            )
            .await?;
        let reply = tokio::time::timeout(Duration::from_secs(20), self.replies.recv()).await?;
        reply.ok_or_else(|| anyhow::anyhow!("the switches' client has ended"))
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
    let (client, mut events) = AsyncClient::new(options("rehearsal-consumer", host, port), 16);
    for topic in [topics.record(), topics.result(), topics.weighing()] {
        client.subscribe(topic, QoS::AtLeastOnce).await?;
    }
    let (sender, receiver) = watch::channel(Received::new());
    let (ready, subscribed) = oneshot::channel();
    let (mut ready, mut acks) = (Some(ready), 0);
    let cancel = cancel.clone();
    tokio::spawn(async move {
        let _client = client;
        loop {
            let event = tokio::select! {
                event = events.poll() => event,
                () = cancel.cancelled() => return,
            };
            match event {
                Ok(Event::Incoming(Packet::SubAck(_))) => {
                    acks += 1;
                    if let Some(ready) = ready.take_if(|_| acks == 3) {
                        let _ = ready.send(Ok(()));
                    }
                }
                Ok(Event::Incoming(Packet::Publish(publish))) => {
                    let topic = String::from_utf8_lossy(&publish.topic).into_owned();
                    let body = String::from_utf8_lossy(&publish.payload).into_owned();
                    sender.send_modify(|all| all.push((topic, body)));
                }
                Ok(Event::Outgoing(Outgoing::Disconnect)) => return,
                Ok(_) => {}
                Err(error) => return lost("consumer", ready.take(), &error),
            }
        }
    });
    subscribed.await??;
    Ok(receiver)
}

/// A lost connection is told to whoever waits for it to begin, else to the log.
fn lost(who: &str, ready: Option<Ready>, error: &ConnectionError) {
    if let Some(ready) = ready {
        // Whoever waited may have gone.
        let _ = ready.send(Err(anyhow::anyhow!("{error}")));
    } else {
        tracing::error!("the {who} lost its connection: {error}");
    }
}
