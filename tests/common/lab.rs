//! The laboratory's side of the network: one client that takes documents as the documentation
//! says, presses buttons and asks.

use super::site::STATION;
use super::{DEADLINE, LOOK, soon};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PublishProperties};
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use stillstand::rehearsal::broker::{self, Behaviour, Broker};
use tokio::sync::oneshot;
use uuid::Uuid;

#[derive(Debug, Default)]
struct Heard {
    /// Documents as they arrived: the last level of the topic, the payload.
    documents: Vec<(String, String)>,
    replies: BTreeMap<Vec<u8>, oneshot::Sender<String>>,
    granted: usize,
}

/// The program's own broker and a client on it.
pub struct Lab {
    pub broker: Broker,
    client: AsyncClient,
    heard: Arc<Mutex<Heard>>,
    task: tokio::task::JoinHandle<()>,
}

impl Lab {
    pub async fn open() -> Self {
        let broker = broker::start(([127, 0, 0, 1], 0).into(), Behaviour::default()).await.unwrap();
        let mut options = MqttOptions::new("lab", broker.addr.ip().to_string(), broker.addr.port());
        options.set_keep_alive(Duration::from_secs(30)).set_clean_start(true);
        // The client library takes 10 KiB if nobody says otherwise; the view of a bench is larger.
        options.set_max_packet_size(Some(1 << 20));
        let (client, mut events) = AsyncClient::new(options, 64);
        let topics = ["record", "result", "weighing"].map(|kind| format!("stillstand/1/{STATION}/{kind}"));
        for topic in topics.into_iter().chain(["reply/lab".to_owned()]) {
            client.subscribe(topic, QoS::AtLeastOnce).await.unwrap();
        }
        let heard = Arc::new(Mutex::new(Heard::default()));
        let ears = heard.clone();
        let task = tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                take(&ears, event);
            }
        });
        soon("the lab has subscribed", async {
            while heard.lock().unwrap().granted < 4 {
                tokio::time::sleep(LOOK).await;
            }
        })
        .await;
        Self { broker, client, heard, task }
    }

    pub fn port(&self) -> u16 {
        self.broker.addr.port()
    }

    pub async fn publish(&self, topic: &str, payload: &[u8], retain: bool) {
        let topic = format!("stillstand/1/{STATION}/{topic}");
        self.client.publish(topic, QoS::AtLeastOnce, retain, payload.to_vec()).await.unwrap();
    }

    /// Sends with a response topic; `None`: no reply within `patience`.
    pub async fn try_ask(&self, topic: &str, payload: &[u8], patience: Duration) -> Option<Value> {
        let correlation = Uuid::now_v7().as_bytes().to_vec();
        let (sender, reply) = oneshot::channel();
        self.heard.lock().unwrap().replies.insert(correlation.clone(), sender);
        let properties = PublishProperties {
            response_topic: Some("reply/lab".into()),
            correlation_data: Some(correlation.into()),
            message_expiry_interval: Some(30),
            ..PublishProperties::default()
        };
        let topic = format!("stillstand/1/{STATION}/{topic}");
        let (qos, payload) = (QoS::AtLeastOnce, payload.to_vec());
        self.client.publish_with_properties(topic, qos, false, payload, properties).await.unwrap();
        let text = tokio::time::timeout(patience, reply).await.ok()?.ok()?;
        Some(serde_json::from_str(&text).unwrap_or_else(|e| panic!("the reply is no JSON ({e}): {text}")))
    }

    /// Asks again until somebody answers: the station may still be connecting.
    pub async fn ask(&self, topic: &str, payload: &[u8]) -> Value {
        let reply = self.try_ask(topic, payload, DEADLINE).await;
        reply.unwrap_or_else(|| panic!("no reply to {topic}"))
    }

    /// Presses a switch; gives the station's answer.
    pub async fn press(&self, trigger: &str, payload: &str) -> Value {
        self.ask(&format!("trigger/{trigger}"), payload.as_bytes()).await
    }

    /// Waits until the station can be asked.
    pub async fn reaches_station(&self) {
        soon("the station answers on the network", async {
            while self.try_ask("ask/view", b"", Duration::from_millis(300)).await.is_none() {}
        })
        .await;
    }

    /// Every document so far, taken as the documentation says: only the next number.
    pub fn taken(&self) -> Vec<(String, Value)> {
        let heard = self.heard.lock().unwrap();
        let mut taken: Vec<(String, Value)> = Vec::new();
        for (kind, payload) in &heard.documents {
            let document: Value = serde_json::from_str(payload).unwrap();
            let number: usize = document["sequence"].as_str().unwrap().parse().unwrap();
            if number == taken.len() + 1 {
                taken.push((kind.clone(), document));
            }
        }
        taken
    }

    /// How many messages with documents arrived, repetitions too.
    pub fn messages(&self) -> usize {
        self.heard.lock().unwrap().documents.len()
    }

    /// Waits until so many documents were taken.
    pub async fn takes(&self, count: usize) -> Vec<(String, Value)> {
        soon(&format!("{count} documents"), async {
            loop {
                let taken = self.taken();
                if taken.len() >= count {
                    return taken;
                }
                tokio::time::sleep(LOOK).await;
            }
        })
        .await
    }
}

fn take(ears: &Mutex<Heard>, event: Event) {
    let mut heard = ears.lock().unwrap();
    match event {
        Event::Incoming(Packet::SubAck(_)) => heard.granted += 1,
        Event::Incoming(Packet::Publish(publish)) => {
            let topic = String::from_utf8_lossy(&publish.topic).into_owned();
            let text = String::from_utf8_lossy(&publish.payload).into_owned();
            if topic == "reply/lab" {
                let correlation = publish.properties.and_then(|p| p.correlation_data).unwrap_or_default();
                if let Some(reply) = heard.replies.remove(&correlation.to_vec()) {
                    let _ = reply.send(text);
                }
            } else {
                let kind = topic.rsplit('/').next().unwrap_or_default().to_owned();
                heard.documents.push((kind, text));
            }
        }
        _ => {}
    }
}

impl Drop for Lab {
    fn drop(&mut self) {
        self.task.abort();
    }
}
