//! Triggers and asks from the network, and the replies.
//!
//! A message is acknowledged to the broker only when its outcome is known, and in the order of
//! arrival (MQTT 5, section 4.6). Nothing is queued for an absent station: a press while it was
//! away must not start a timer later.

use super::report::{Condition, ConditionName, Identity, NetworkReport};
use super::rival::Rival;
use super::session::{self, Ending, Pauses, Signal, Wire};
use super::topics::{ROOT, TopicKind, Topics};
use super::{Link, documents, envelope, relay::machine::in_words};
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
use std::time::Duration;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, oneshot};
use tokio::time::{Instant, sleep_until, timeout};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

/// Largest payload that is taken, in bytes.
pub const PAYLOAD_MOST: usize = 64 * 1024;

/// Messages that wait for their outcome.
const PENDING_MOST: usize = 64;
/// Acknowledgements and replies that a connection takes before it has sent them. A broker that keeps to what
/// it is told has 32 messages on their way; one that does not (mosquitto 2.0 with `max_inflight_messages 0`)
/// has as many as there are packet ids. Less room would end the connection, and lose what it has queued.
const REQUESTS: usize = 2 * u16::MAX as usize + 8;

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
    /// What both come to: the same ask sent again has the same. None without a correlation.
    pub key: Option<Uuid>,
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
    let mut rival = Rival::new(pace);
    loop {
        let begun = Instant::now();
        let quiet = rival.quiet();
        let mut visit = Visit::open(&door, &mut told, quiet);
        let Some(ending) = visit.drive().await else { return };
        if begun.elapsed() >= pace.settled {
            pauses.reset();
        }
        let other = rival.ended(&ending, told.why.is_none(), begun.elapsed());
        let (why, pause) = match (ending, other) {
            (ending, Some(wait)) => {
                let text = Rival::in_words(&ending, Identity::In, &door.link.station);
                if told.taken.as_ref() != Some(&text) {
                    told.taken = Some(text.clone());
                    condition(&door, ConditionName::TakenOver, text.clone(), true).await;
                }
                (text, wait)
            }
            (Ending::Lost(why) | Ending::Closed(why), None) => (why, pauses.take()),
            (Ending::TakenOver, None) => return, // a take-over is always another's doing
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

async fn condition(door: &Door, name: ConditionName, text: String, active: bool) {
    report(door, NetworkReport::Condition(Condition { name, text, active })).await;
}

/// What was told and need not be told twice.
#[derive(Debug, Default)]
struct Told {
    why: Option<String>,
    denied: Option<String>,
    taken: Option<String>,
}

/// Where a reply goes, and how its asker knows it.
#[derive(Debug, Clone)]
struct ReplyTo {
    topic: String,
    correlation: Option<Bytes>,
    /// Both stood in the payload.
    enveloped: bool,
}

struct Pending {
    publish: Publish,
    reply_to: Option<ReplyTo>,
    outcome: oneshot::Receiver<Option<String>>,
}

/// One connection.
struct Visit<'a> {
    door: &'a Door,
    told: &'a mut Told,
    topics: Topics,
    wire: Wire,
    /// What came and was not looked at yet.
    came: VecDeque<Event>,
    /// A message for which the station has no room yet.
    handing: Option<Inbound>,
    pending: VecDeque<Pending>,
    /// Topics of replies given to the connection, then by packet id.
    replies: VecDeque<String>,
    flying: BTreeMap<u16, String>,
    /// When this connection proves that nobody else uses our id.
    settles: Instant,
}

impl<'a> Visit<'a> {
    fn open(door: &'a Door, told: &'a mut Told, quiet: Duration) -> Self {
        Self {
            topics: Topics::of(&door.link.station),
            wire: session::open(&door.link, Identity::In, None, REQUESTS),
            settles: Instant::now() + quiet,
            door,
            told,
            came: VecDeque::new(),
            handing: None,
            pending: VecDeque::new(),
            replies: VecDeque::new(),
            flying: BTreeMap::new(),
        }
    }

    /// `None`: it was asked to stop.
    async fn drive(&mut self) -> Option<Ending> {
        let door = self.door;
        loop {
            let open = self.pending.len() < PENDING_MOST && self.handing.is_none();
            tokio::select! {
                // One by one: an outcome that is known goes out before room is found for all that came.
                event = next_event(&mut self.wire.events, &mut self.came), if open => {
                    let looked_at = match event {
                        Ok(event) => self.event(event).await,
                        Err(ending) => Err(Some(ending)),
                    };
                    if let Err(ending) = looked_at {
                        return ending;
                    }
                }
                room = door.station.reserve(), if self.handing.is_some() => {
                    let Ok(room) = room else { return None };
                    if let Some(message) = self.handing.take() {
                        room.send(message);
                    }
                }
                outcome = first_outcome(&mut self.pending), if !self.pending.is_empty() => {
                    if let Some(done) = self.pending.pop_front()
                        && !self.settle(&done, outcome).await
                    {
                        return Some(Ending::Lost("the connection ended while answering".into()));
                    }
                }
                () = sleep_until(self.settles), if self.told.taken.is_some() && self.told.why.is_none() => {
                    if let Some(text) = self.told.taken.take() {
                        condition(self.door, ConditionName::TakenOver, text, false).await;
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
        let filters = self.topics.inbound_filters().into_iter().map(|path| {
            let mut filter = Filter::new(path, QoS::AtLeastOnce);
            // A message that is sent with retain must show it, also when it arrives live.
            filter.preserve_retain = true;
            filter
        });
        self.wire
            .client
            .try_subscribe_many(filters.collect())
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
        condition(self.door, ConditionName::SubscribeDenied, text, active).await;
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
            Ok(topic) => self.hand_over(topic, publish, arrived),
            Err(why) => {
                report(self.door, NetworkReport::Dropped { topic: name, why: why.clone() }).await;
                let (done, outcome) = oneshot::channel();
                let _ = done.send(Some(documents::refusal(&why)));
                let reply_to = beside(&publish);
                self.pending.push_back(Pending { publish, reply_to, outcome });
                Ok(())
            }
        }
    }

    fn hand_over(
        &mut self,
        topic: TopicKind,
        publish: Publish,
        arrived: Moment,
    ) -> Result<(), Option<Ending>> {
        let expiry = publish.properties.as_ref().and_then(|told| told.message_expiry_interval);
        let (mut payload, mut reply_to) = (publish.payload.clone(), beside(&publish));
        if reply_to.is_none()
            && matches!(topic, TopicKind::Ask(_))
            && let Some(opened) = envelope::open(&publish.payload)
        {
            payload = Bytes::copy_from_slice(opened.ask.get().as_bytes());
            let correlation = Some(Bytes::from(opened.correlation.into_bytes()));
            reply_to = Some(ReplyTo { topic: opened.reply_to, correlation, enveloped: true });
        }
        let (done, outcome) = oneshot::channel();
        let correlation = reply_to.as_ref().and_then(|to| to.correlation.clone());
        let inbound = Inbound {
            topic,
            payload,
            retain: publish.retain,
            dup: publish.dup,
            expiry,
            response_topic: reply_to.as_ref().map(|to| to.topic.clone()),
            key: reply_to.as_ref().zip(correlation.as_ref()).map(|(to, data)| envelope::key(&to.topic, data)),
            correlation,
            arrived,
            done,
        };
        self.pending.push_back(Pending { publish, reply_to, outcome });
        match self.door.station.try_send(inbound) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(inbound)) => {
                self.handing = Some(inbound);
                Ok(())
            }
            Err(TrySendError::Closed(_)) => Err(None),
        }
    }

    /// Replies and acknowledges. False: the connection is gone.
    async fn settle(&mut self, done: &Pending, outcome: Option<String>) -> bool {
        if let (Some(reply), Some(to)) = (outcome, done.reply_to.clone()) {
            if may_answer(&to.topic) {
                self.replies.push_back(to.topic.clone());
                if self.wire.client.try_publish(reply_publish(to, reply)).is_err() {
                    return false;
                }
            } else {
                let why =
                    format!("its response topic must be plain, short and outside {ROOT}; no reply was sent");
                report(self.door, NetworkReport::Dropped { topic: to.topic, why }).await;
            }
        }
        self.wire.client.try_ack(&done.publish).is_ok()
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
            while let Some(Signal::Events(events)) = self.wire.events.recv().await {
                if events.contains(&Event::Outgoing(Outgoing::Disconnect)) {
                    return;
                }
            }
        };
        let _ = timeout(self.door.link.pace.farewell, last).await;
    }
}

/// The next thing that came; why the connection ended where nothing more comes.
async fn next_event(
    signals: &mut mpsc::Receiver<Signal>,
    came: &mut VecDeque<Event>,
) -> Result<Event, Ending> {
    loop {
        if let Some(event) = came.pop_front() {
            return Ok(event);
        }
        match signals.recv().await {
            Some(Signal::Events(events)) => came.extend(events),
            // What the dead connection had still to say cannot be acknowledged any more.
            Some(Signal::Ended { why, .. }) => return Err(why),
            None => return Err(Ending::Lost("the connection's task ended".into())),
        }
    }
}

async fn first_outcome(pending: &mut VecDeque<Pending>) -> Option<String> {
    match pending.front_mut() {
        Some(first) => (&mut first.outcome).await.ok().flatten(),
        None => std::future::pending().await,
    }
}

/// Where the properties beside the payload want the reply.
fn beside(publish: &Publish) -> Option<ReplyTo> {
    let told = publish.properties.as_ref()?;
    let topic = told.response_topic.clone()?;
    Some(ReplyTo { topic, correlation: told.correlation_data.clone(), enveloped: false })
}

fn reply_publish(to: ReplyTo, reply: String) -> Publish {
    let (reply, correlation_data) = match (&to.correlation, to.enveloped) {
        (Some(correlation), true) => (envelope::reply(&String::from_utf8_lossy(correlation), &reply), None),
        _ => (reply, to.correlation),
    };
    let properties = PublishProperties {
        payload_format_indicator: Some(1),
        content_type: Some(documents::STATE_TYPE.into()),
        correlation_data,
        ..PublishProperties::default()
    };
    Publish::new(to.topic.as_str(), QoS::AtLeastOnce, reply, Some(properties))
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
