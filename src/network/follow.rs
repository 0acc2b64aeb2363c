//! What other stations say of themselves, for the page of the room.
//!
//! A connection of its own: however much another station says, triggers and asks do not wait for it.
//! Nothing that is heard here changes the bench, and nothing is sent.

use super::Link;
use super::report::Identity;
use super::rival::Rival;
use super::session::{self, Ending, Pauses, Signal, Wire};
use super::topics::Topics;
use crate::clock::Clock;
use crate::domain::overview::{Following, Said};
use rumqttc::v5::Event;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet, Publish, SubAck, SubscribeReasonCode};
use std::sync::Arc;
use tokio::sync::watch;
use tokio::time::{Instant, sleep};
use tokio_util::sync::CancellationToken;

/// Requests that may wait: subscriptions and a goodbye.
const REQUESTS: usize = 4;
/// Stands for every station.
pub const EVERY: &str = "+";

/// Everything that is needed to listen.
pub struct Follow {
    /// The broker, and who we are there.
    pub link: Link,
    /// Ids of stations, or [`EVERY`].
    pub stations: Vec<String>,
    /// Stamps arrivals.
    pub clock: Arc<dyn Clock>,
    /// Where what is heard stands.
    pub told: watch::Sender<Arc<Following>>,
    /// Ends it.
    pub cancel: CancellationToken,
}

/// What is known before anything was heard.
pub fn nothing(stations: &[String]) -> Following {
    Following::of(stations.iter().map(String::as_str).filter(|name| *name != EVERY))
}

/// Listens until it is told to end.
pub async fn run(follow: Follow) {
    let pace = follow.link.pace;
    let mut pauses = Pauses::new(pace.retry_first, pace.retry_most);
    let mut rival = Rival::new(pace);
    loop {
        let begun = Instant::now();
        let wire = session::open(&follow.link, Identity::Room, None, REQUESTS);
        let Some(ending) = follow.listen(wire).await else { return };
        let stood = follow.told.borrow().linked;
        let lasted = begun.elapsed();
        if lasted >= pace.settled {
            pauses.reset();
        }
        let (why, pause) = match (rival.ended(&ending, stood, lasted), &ending) {
            (Some(wait), _) => (Rival::in_words(&ending, Identity::Room, &follow.link.station), wait),
            (None, Ending::Lost(why) | Ending::Closed(why)) => (why.clone(), pauses.take()),
            (None, Ending::TakenOver) => return, // a take-over is always another's doing
        };
        follow.away(why);
        tokio::select! {
            () = follow.cancel.cancelled() => return,
            () = sleep(pause) => {}
        }
    }
}

impl Follow {
    /// One connection to its end; `None`: it was told to end.
    async fn listen(&self, mut wire: Wire) -> Option<Ending> {
        loop {
            let signal = tokio::select! {
                () = self.cancel.cancelled() => {
                    // Whoever only listens owes the broker nothing: it sees the connection close.
                    let _ = wire.client.try_disconnect();
                    return None;
                }
                signal = wire.events.recv() => signal,
            };
            match signal {
                Some(Signal::Events(events)) => {
                    for event in events {
                        self.event(event, &wire);
                    }
                }
                Some(Signal::Ended { why, .. }) => return Some(why),
                None => return Some(Ending::Lost("the connection's task ended".into())),
            }
        }
    }

    fn event(&self, event: Event, wire: &Wire) {
        match event {
            Event::Incoming(Packet::ConnAck(_)) => {
                let filters = self.stations.iter().map(|station| Topics::of(station));
                let filters = filters.flat_map(|topics| [topics.overview(), topics.status()]);
                // Stored messages come marked as such, live ones do not: what is heard live has an age.
                let filters = filters.map(|path| Filter::new(path, QoS::AtMostOnce)).collect();
                if wire.client.try_subscribe_many(filters).is_err() {
                    tracing::debug!("the connection ended while subscribing to other stations");
                }
            }
            Event::Incoming(Packet::SubAck(answer)) => self.subscribed(&answer),
            Event::Incoming(Packet::Publish(publish)) => self.heard(&publish),
            _ => {}
        }
    }

    fn subscribed(&self, answer: &SubAck) {
        let refused =
            answer.return_codes.iter().find(|code| !matches!(code, SubscribeReasonCode::Success(_)));
        match refused {
            Some(code) => self.away(format!(
                "The broker refuses `overview` or `status` of another station ({code:?}): check its access list"
            )),
            None => self.told.send_modify(|known| {
                let known = Arc::make_mut(known);
                (known.linked, known.why) = (true, None);
            }),
        }
    }

    fn heard(&self, publish: &Publish) {
        let topic = String::from_utf8_lossy(&publish.topic);
        let Some((station, kind)) = Topics::speaker(&topic) else { return };
        let said = match kind {
            "overview" => Said::Overview(&publish.payload),
            "status" => Said::Status(&publish.payload),
            _ => return,
        };
        // With `+` the station hears itself too.
        if station == self.link.station {
            return;
        }
        let now = self.clock.now();
        self.told.send_if_modified(|known| Arc::make_mut(known).hear(station, said, publish.retain, now));
    }

    fn away(&self, why: String) {
        let changed = self.told.send_if_modified(|known| {
            let new = known.linked || known.why.as_ref() != Some(&why);
            if new {
                let known = Arc::make_mut(known);
                (known.linked, known.why) = (false, Some(why.clone()));
            }
            new
        });
        if changed {
            tracing::warn!(%why, "other stations are not heard");
        }
    }
}

#[cfg(test)]
#[path = "follow_test.rs"]
mod test;
