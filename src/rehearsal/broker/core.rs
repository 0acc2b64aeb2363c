//! Who is there, who wants what, what is kept. No I/O; the caller gives the time.

use super::matching::{is_filter, is_topic, matches};
use super::{Observed, Seen};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    DisconnectReasonCode, Filter, PubAckReason, Publish, RetainForwardRule, SubscribeReasonCode,
};
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

/// Most clients at a time.
const CLIENTS_MOST: usize = 64;
/// Most subscriptions of a client.
const SUBSCRIPTIONS_MOST: usize = 256;
/// Most retained topics.
const RETAINED_MOST: usize = 4096;
/// Most messages that wait for a client; room for all retained ones and a burst.
pub(super) const QUEUE_MOST: usize = RETAINED_MOST + 1024;

/// Why a connection is ended from outside.
pub(super) type Kick = oneshot::Sender<DisconnectReasonCode>;

struct Client {
    serial: u64,
    queue: mpsc::Sender<Publish>,
    kick: Option<Kick>,
    filters: Vec<Filter>,
}

struct Kept {
    publish: Publish,
    until: Option<Instant>,
}

/// The broker's state.
#[derive(Default)]
pub(super) struct Core {
    pub(super) observed: Observed,
    observe: bool,
    serial: u64,
    clients: BTreeMap<String, Client>,
    retained: BTreeMap<String, Kept>,
    wills: BTreeMap<String, CancellationToken>,
}

impl std::fmt::Debug for Core {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Core")
            .field("clients", &self.clients.len())
            .field("retained", &self.retained.len())
            .finish_non_exhaustive()
    }
}

impl Core {
    pub(super) fn new(observe: bool) -> Self {
        Self { observe, ..Self::default() }
    }

    /// A client connects; an older connection under the same id is told so and ends. Its own will
    /// that has not been told yet is forgotten. `None`: the broker is full.
    pub(super) fn join(&mut self, id: &str, queue: mpsc::Sender<Publish>, kick: Kick) -> Option<u64> {
        if let Some(will) = self.wills.remove(id) {
            will.cancel();
        }
        if let Some(mut old) = self.clients.remove(id) {
            old.end(DisconnectReasonCode::SessionTakenOver);
        }
        if self.clients.len() >= CLIENTS_MOST {
            return None;
        }
        self.serial += 1;
        self.observed.connections += 1;
        let client = Client { serial: self.serial, queue, kick: Some(kick), filters: Vec::new() };
        self.clients.insert(id.to_owned(), client);
        Some(self.serial)
    }

    /// A connection ended. False: another one has taken its place.
    pub(super) fn leave(&mut self, id: &str, serial: u64) -> bool {
        let ours = self.clients.get(id).is_some_and(|client| client.serial == serial);
        if ours {
            self.clients.remove(id);
        }
        ours
    }

    /// Registers a will that waits for its delay; the token is cancelled if the client returns.
    pub(super) fn will_waits(&mut self, id: &str) -> CancellationToken {
        let token = CancellationToken::new();
        self.wills.insert(id.to_owned(), token.clone());
        token
    }

    /// So many publishes are on their way to a client.
    pub(super) fn sent(&mut self, in_flight: usize) {
        self.observed.most_in_flight = self.observed.most_in_flight.max(in_flight);
    }

    /// A client acknowledged a publish.
    pub(super) fn acknowledged(&mut self, from: &str, pkid: u16) {
        if self.observe {
            self.observed.acknowledged.push((from.to_owned(), pkid));
        }
    }

    /// Takes a message: keeps it if it is to be retained, and queues it for each subscriber.
    pub(super) fn publish(&mut self, from: &str, publish: &Publish, now: Instant) -> PubAckReason {
        let Ok(topic) = str::from_utf8(&publish.topic) else { return PubAckReason::TopicNameInvalid };
        if !is_topic(topic) {
            return PubAckReason::TopicNameInvalid;
        }
        if publish.retain && !self.keep(topic, publish, now) {
            return PubAckReason::QuotaExceeded;
        }
        if self.observe {
            self.observed.seen.push(Seen {
                client: from.to_owned(),
                topic: topic.to_owned(),
                payload: publish.payload.to_vec(),
                retain: publish.retain,
            });
        }
        if self.route(from, topic, publish) {
            PubAckReason::Success
        } else {
            PubAckReason::NoMatchingSubscribers
        }
    }

    /// Subscribes, and queues the retained messages that match.
    pub(super) fn subscribe(&mut self, id: &str, filter: Filter, now: Instant) -> SubscribeReasonCode {
        self.forget_expired(now);
        let Some(client) = self.clients.get_mut(id) else { return SubscribeReasonCode::Unspecified };
        if filter.path.starts_with("$share/") {
            return SubscribeReasonCode::SharedSubscriptionsNotSupported;
        }
        if !is_filter(&filter.path) {
            return SubscribeReasonCode::TopicFilterInvalid;
        }
        let before = client.filters.len();
        client.filters.retain(|known| known.path != filter.path);
        let new = before == client.filters.len();
        if client.filters.len() >= SUBSCRIPTIONS_MOST {
            return SubscribeReasonCode::QuotaExceeded;
        }
        let qos = at_most_one(filter.qos);
        let wanted = match filter.retain_forward_rule {
            RetainForwardRule::OnEverySubscribe => true,
            RetainForwardRule::OnNewSubscribe => new,
            RetainForwardRule::Never => false,
        };
        if wanted {
            for (topic, kept) in &self.retained {
                if matches(topic, &filter.path) {
                    client.offer(kept.as_of(now), qos);
                }
            }
        }
        client.filters.push(filter);
        SubscribeReasonCode::Success(qos)
    }

    /// False: there was no such subscription.
    pub(super) fn unsubscribe(&mut self, id: &str, path: &str) -> bool {
        let Some(client) = self.clients.get_mut(id) else { return false };
        let before = client.filters.len();
        client.filters.retain(|known| known.path != path);
        before != client.filters.len()
    }

    pub(super) fn retained_payload(&self, topic: &str) -> Option<Vec<u8>> {
        self.retained.get(topic).map(|kept| kept.publish.payload.to_vec())
    }

    fn keep(&mut self, topic: &str, publish: &Publish, now: Instant) -> bool {
        if publish.payload.is_empty() {
            self.retained.remove(topic);
            return true;
        }
        self.forget_expired(now);
        if self.retained.len() >= RETAINED_MOST && !self.retained.contains_key(topic) {
            return false;
        }
        let expiry = publish.properties.as_ref().and_then(|told| told.message_expiry_interval);
        let until = expiry.map(|s| now + Duration::from_secs(u64::from(s)));
        self.retained.insert(topic.to_owned(), Kept { publish: publish.clone(), until });
        true
    }

    fn route(&mut self, from: &str, topic: &str, publish: &Publish) -> bool {
        let mut matched = false;
        for (id, client) in &mut self.clients {
            let wanted = client
                .filters
                .iter()
                .filter(|filter| matches(topic, &filter.path) && !(filter.nolocal && id == from));
            let Some((qos, keeps_flag)) = wanted
                .map(|filter| (at_most_one(filter.qos) as u8, filter.preserve_retain))
                .reduce(|a, b| (a.0.max(b.0), a.1 || b.1))
            else {
                continue;
            };
            matched = true;
            let mut copy = publish.clone();
            copy.retain = publish.retain && keeps_flag;
            client.offer(copy, if qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce });
        }
        matched
    }

    fn forget_expired(&mut self, now: Instant) {
        self.retained.retain(|_, kept| kept.until.is_none_or(|until| until > now));
    }
}

impl Client {
    /// Queues a message at the lower of its own and the subscription's `QoS`. A client that does
    /// not keep up loses `QoS` 0 messages, and its connection rather than a `QoS` 1 message.
    fn offer(&mut self, mut publish: Publish, qos: QoS) {
        if qos == QoS::AtMostOnce {
            publish.qos = QoS::AtMostOnce;
        }
        publish.dup = false;
        publish.pkid = 0;
        if let Some(told) = &mut publish.properties {
            told.topic_alias = None;
            told.subscription_identifiers.clear();
        }
        let confirmed = publish.qos != QoS::AtMostOnce;
        if self.queue.try_send(publish).is_err() && confirmed {
            self.end(DisconnectReasonCode::QuotaExceeded);
        }
    }

    fn end(&mut self, reason: DisconnectReasonCode) {
        if let Some(kick) = self.kick.take() {
            let _ = kick.send(reason);
        }
    }
}

impl Kept {
    /// The message as it is sent now: marked retained, with what is left of its expiry.
    fn as_of(&self, now: Instant) -> Publish {
        let mut publish = self.publish.clone();
        publish.retain = true;
        if let (Some(until), Some(told)) = (self.until, &mut publish.properties) {
            let left = until.saturating_duration_since(now).as_secs_f64().ceil();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a whole number of seconds that began as u32"
            )]
            let left = left as u32;
            told.message_expiry_interval = Some(left);
        }
        publish
    }
}

fn at_most_one(qos: QoS) -> QoS {
    if qos == QoS::AtMostOnce { QoS::AtMostOnce } else { QoS::AtLeastOnce }
}
