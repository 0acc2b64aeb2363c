//! Triggers and asks from the network, and the replies.
//!
//! A message is acknowledged to the broker only when its outcome is known, and in the order of
//! arrival (MQTT 5, section 4.6). Nothing is queued for an absent station: a press while it was
//! away must not start a timer later.

use super::report::{Condition, ConditionName, Identity, NetworkReport};
use super::session::{self, Ending, Pauses, Signal, Wire};
use super::topics::{ROOT, TopicKind, Topics};
use super::{Link, documents, relay::machine::in_words};
use crate::clock::Clock;
use crate::domain::moment::Moment;
use bytes::Bytes;
use rumqttc::Outgoing;
use rumqttc::v5::Event;
use rumqttc::v5::mqttbytes::v5::{
    Filter, Packet, PubAck, PubAckReason, Publish, PublishProperties, SubAck, SubscribeReasonCode,
};
use rumqttc::v5::mqttbytes::{QoS, valid_topic};
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot};
use tokio::time::{Instant, timeout};
use tokio_util::sync::CancellationToken;

/// Largest payload that is taken, in bytes.
pub const PAYLOAD_MOST: usize = 64 * 1024;

/// Messages that wait for their outcome.
const PENDING_MOST: usize = 64;

/// Longest response topic that is answered, in bytes.
const RESPONSE_TOPIC_MOST: usize = 512;

/// One message for the station.
#[derive(Debug)]
pub struct Inbound {
    /// What it asks.
    pub topic: TopicKind,
    /// Its payload, at most [`PAYLOAD_MOST`] bytes.
    pub payload: Bytes,
    /// The broker had kept it, or was asked to keep it.
    pub retain: bool,
    /// The broker sends it again.
    pub dup: bool,
    /// Seconds of validity that are left, if the sender gave it any limit.
    pub expiry: Option<u32>,
    /// Where the sender wants the reply.
    pub response_topic: Option<String>,
    /// What the sender knows the reply by; echoed unchanged.
    pub correlation: Option<Bytes>,
    /// When it arrived.
    pub arrived: Moment,
    /// Takes the outcome: the reply, or `None` where there is nothing to say. Dropped: the same.
    pub done: oneshot::Sender<Option<String>>,
}

/// Everything that the inbound session works with.
pub struct Door {
    /// The broker, and who we are there.
    pub link: Link,
    /// Stamps arrivals.
    pub clock: Arc<dyn Clock>,
    /// Where messages go.
    pub station: mpsc::Sender<Inbound>,
    /// Where reports go.
    pub status: mpsc::Sender<NetworkReport>,
    /// Ends the session.
    pub cancel: CancellationToken,
}

/// Runs the inbound session until it is cancelled or the station no longer listens.
pub async fn run(door: Door) {
    let pace = door.link.pace;
    let mut pauses = Pauses::new(pace.retry_first, pace.retry_most);
    let mut told = Told::default();
    loop {
        let begun = Instant::now();
        let mut visit = Visit::open(&door, &mut told);
        let Some(why) = visit.drive().await else { return };
        if begun.elapsed() >= pace.settled {
            pauses.reset();
        }
        let (why, pause) = match why {
            Ending::Lost(why) | Ending::Closed(why) => (why, pauses.take()),
            Ending::TakenOver => {
                let id = Identity::In.client_id(&door.link.station);
                let why = format!("another client uses the id {id} at the broker; two stations with one id?");
                (why, pace.taken_over)
            }
        };
        if told.why.as_deref() != Some(why.as_str()) {
            told.why = Some(why.clone());
            report(&door, NetworkReport::Disconnected { identity: Identity::In, why }).await;
        }
        tokio::select! {
            () = door.cancel.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
    }
}

async fn report(door: &Door, report: NetworkReport) {
    // A station that no longer listens is about to stop us; one that is stuck must not keep us.
    tokio::select! {
        _ = door.status.send(report) => {}
        () = door.cancel.cancelled() => {}
    }
}

/// What was told and need not be told twice.
#[derive(Debug, Default)]
struct Told {
    why: Option<String>,
    denied: Option<String>,
}

struct Pending {
    publish: Publish,
    outcome: oneshot::Receiver<Option<String>>,
}

/// One connection.
struct Visit<'a> {
    door: &'a Door,
    told: &'a mut Told,
    topics: Topics,
    wire: Wire,
    pending: VecDeque<Pending>,
    /// Topics of replies given to the client library, then by packet id.
    replies: VecDeque<String>,
    flying: BTreeMap<u16, String>,
}

impl<'a> Visit<'a> {
    fn open(door: &'a Door, told: &'a mut Told) -> Self {
        Self {
            topics: Topics::of(&door.link.station),
            wire: session::open(session::inbound(&door.link), 2 * PENDING_MOST + 8),
            door,
            told,
            pending: VecDeque::new(),
            replies: VecDeque::new(),
            flying: BTreeMap::new(),
        }
    }

    /// `None`: it was asked to stop.
    async fn drive(&mut self) -> Option<Ending> {
        loop {
            let open = self.pending.len() < PENDING_MOST;
            tokio::select! {
                signal = self.wire.events.recv(), if open => match signal {
                    Some(Signal::Event(event)) => {
                        if let Err(ending) = self.event(*event).await {
                            return ending;
                        }
                    }
                    // What the dead connection had still to say cannot be acknowledged any more.
                    Some(Signal::Ended { why, .. }) => return Some(why),
                    None => return Some(Ending::Lost("the connection's task ended".into())),
                },
                outcome = first_outcome(&mut self.pending), if !self.pending.is_empty() => {
                    if let Some(done) = self.pending.pop_front()
                        && !self.settle(&done.publish, outcome).await
                    {
                        return Some(Ending::Lost("the connection ended while answering".into()));
                    }
                }
                () = self.door.cancel.cancelled() => {
                    self.farewell().await;
                    return None;
                }
            }
        }
    }

    /// `Err(None)`: the station no longer listens.
    async fn event(&mut self, event: Event) -> Result<(), Option<Ending>> {
        match event {
            Event::Incoming(Packet::ConnAck(_)) => self.subscribe().await,
            Event::Incoming(Packet::SubAck(answer)) => {
                self.subscribed(&answer).await;
                Ok(())
            }
            Event::Incoming(Packet::Publish(publish)) => self.arrived(publish).await,
            Event::Outgoing(Outgoing::Publish(pkid)) => {
                if let Some(topic) = self.replies.pop_front() {
                    self.flying.insert(pkid, topic);
                }
                Ok(())
            }
            Event::Incoming(Packet::PubAck(ack)) => {
                self.replied(&ack).await;
                Ok(())
            }
            _ => Ok(()),
        }
    }

    async fn subscribe(&mut self) -> Result<(), Option<Ending>> {
        self.told.why = None;
        report(self.door, NetworkReport::Connected { identity: Identity::In }).await;
        let filters = self.topics.inbound_filters().map(|path| {
            let mut filter = Filter::new(path, QoS::AtLeastOnce);
            // A message that is sent with retain must show it, also when it arrives live.
            filter.preserve_retain = true;
            filter
        });
        self.wire
            .client
            .try_subscribe_many(filters)
            .map_err(|_| Some(Ending::Lost("the connection ended while subscribing".into())))
    }

    async fn subscribed(&mut self, answer: &SubAck) {
        let refused =
            answer.return_codes.iter().find(|code| !matches!(code, SubscribeReasonCode::Success(_)));
        let (text, active) = match (refused, self.told.denied.take()) {
            (Some(code), _) => {
                let [trigger, ask] = self.topics.inbound_filters();
                let text = format!(
                    "The broker refuses {trigger} or {ask} ({code:?}): network buttons and asks do nothing. Check \
                     its access list"
                );
                self.told.denied = Some(text.clone());
                (text, true)
            }
            (None, Some(text)) => (text, false),
            (None, None) => return,
        };
        let name = ConditionName::SubscribeDenied;
        report(self.door, NetworkReport::Condition(Condition { name, text, active })).await;
    }

    async fn arrived(&mut self, publish: Publish) -> Result<(), Option<Ending>> {
        let arrived = self.door.clock.now();
        let name = String::from_utf8_lossy(&publish.topic).into_owned();
        let judged = match self.topics.inbound(&name) {
            None => Err(
                "its topic names no trigger and no ask: lower-case letters, digits and hyphens, at most 64"
                    .into(),
            ),
            Some(_) if publish.payload.len() > PAYLOAD_MOST => {
                Err(format!("its payload of {} bytes is over {PAYLOAD_MOST}", publish.payload.len()))
            }
            Some(TopicKind::Ask(_)) if publish.retain => {
                Err("an ask must not be sent with retain: nobody knows how old it is".into())
            }
            Some(topic) => Ok(topic),
        };
        match judged {
            Ok(topic) => self.hand_over(topic, publish, arrived).await,
            Err(why) => {
                report(self.door, NetworkReport::Dropped { topic: name, why }).await;
                let (done, outcome) = oneshot::channel();
                drop(done);
                self.pending.push_back(Pending { publish, outcome });
                Ok(())
            }
        }
    }

    async fn hand_over(
        &mut self,
        topic: TopicKind,
        publish: Publish,
        arrived: Moment,
    ) -> Result<(), Option<Ending>> {
        let told = publish.properties.clone().unwrap_or_default();
        let (done, outcome) = oneshot::channel();
        let inbound = Inbound {
            topic,
            payload: publish.payload.clone(),
            retain: publish.retain,
            dup: publish.dup,
            expiry: told.message_expiry_interval,
            response_topic: told.response_topic,
            correlation: told.correlation_data,
            arrived,
            done,
        };
        self.pending.push_back(Pending { publish, outcome });
        tokio::select! {
            sent = self.door.station.send(inbound) => sent.map_err(|_| None),
            () = self.door.cancel.cancelled() => Err(None),
        }
    }

    /// Replies and acknowledges. False: the connection is gone.
    async fn settle(&mut self, publish: &Publish, outcome: Option<String>) -> bool {
        let told = publish.properties.as_ref();
        if let (Some(reply), Some(topic)) = (outcome, told.and_then(|told| told.response_topic.clone())) {
            if may_answer(&topic) {
                let properties = PublishProperties {
                    payload_format_indicator: Some(1),
                    content_type: Some(documents::STATE_TYPE.into()),
                    correlation_data: told.and_then(|told| told.correlation_data.clone()),
                    ..PublishProperties::default()
                };
                let reply = Publish::new(topic.as_str(), QoS::AtLeastOnce, reply, Some(properties));
                self.replies.push_back(topic);
                if !session::give(&self.wire.client, reply) {
                    return false;
                }
            } else {
                let why =
                    format!("its response topic must be plain, short and outside {ROOT}; no reply was sent");
                report(self.door, NetworkReport::Dropped { topic, why }).await;
            }
        }
        self.wire.client.try_ack(publish).is_ok()
    }

    async fn replied(&mut self, ack: &PubAck) {
        let Some(topic) = self.flying.remove(&ack.pkid) else { return };
        if ack.reason != PubAckReason::Success {
            let why = format!("the reply did not arrive: {}", in_words(ack.reason));
            report(self.door, NetworkReport::Dropped { topic, why }).await;
        }
    }

    async fn farewell(&mut self) {
        if self.wire.client.try_disconnect().is_err() {
            return;
        }
        let last = async {
            while let Some(Signal::Event(event)) = self.wire.events.recv().await {
                if *event == Event::Outgoing(Outgoing::Disconnect) {
                    return;
                }
            }
        };
        let _ = timeout(self.door.link.pace.farewell, last).await;
    }
}

async fn first_outcome(pending: &mut VecDeque<Pending>) -> Option<String> {
    match pending.front_mut() {
        Some(first) => (&mut first.outcome).await.ok().flatten(),
        None => std::future::pending().await,
    }
}

/// A reply must not become a trigger, an ask or a record of any station.
fn may_answer(topic: &str) -> bool {
    let own = topic.strip_prefix(ROOT).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'));
    !own && !topic.is_empty()
        && topic.len() <= RESPONSE_TOPIC_MOST
        && !topic.starts_with('$')
        && valid_topic(topic)
}

#[cfg(test)]
#[path = "inbound_test.rs"]
mod test;
