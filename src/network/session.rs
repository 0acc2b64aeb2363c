//! One connection of one client identity.
//!
//! Nothing outlives a connection: packet ids, what is in flight and what waits end with it, so that
//! no event of a dead connection is taken for one of the new. A task of its own drives it
//! ([`drive`]) with the library's packets and without its loop, which writes each packet to the network
//! by itself.

mod client;
mod dialect;
mod drive;
mod fault;
mod tls;

pub use client::{Client, Full};
#[doc(hidden)]
pub use dialect::packets_in_words;
pub use tls::{CertificateFault, Encryption};

use super::{Identity, Link};
use rand::Rng;
use rumqttc::v5::Event;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_util::task::AbortOnDropHandle;

/// Largest packet that the station takes.
pub const PACKET_MOST: u32 = 256 * 1024;

/// Seconds that the broker waits before it tells of a lost station: a blink of the radio link is
/// no outage.
const WILL_DELAY_S: u32 = 5;
/// Seconds that the broker keeps the outgoing session, for the will's delay to run.
const OUT_EXPIRY_S: u32 = 60;

/// A running connection. Dropping it closes the connection without a word.
pub struct Wire {
    /// Takes requests; only its `try_` methods are used.
    pub client: Client,
    /// What happens on the connection, in order; `Ended` is the last.
    pub events: mpsc::Receiver<Signal>,
    _task: AbortOnDropHandle<()>,
}

/// Something that happened on a connection.
#[derive(Debug)]
pub enum Signal {
    /// Packets came or went, in this order.
    Events(Vec<Event>),
    /// The connection is over. `left`: events that had happened before and were not told yet.
    Ended {
        /// Those events.
        left: Vec<Event>,
        /// Why it ended.
        why: Ending,
    },
}

/// Why a connection ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// Another client connected under the same id (MQTT 5 reason 0x8E).
    TakenOver,
    /// The broker closed it without a reason, in words.
    Closed(String),
    /// Anything else, in words.
    Lost(String),
}

/// The last will: what the broker says for a station that it lost.
#[derive(Debug)]
struct Will {
    topic: String,
    payload: String,
}

/// Signals that may wait for whoever drives the connection.
const SIGNALS: usize = 64;

/// Opens a connection; `capacity` requests may wait to be sent. `will`: topic and payload of the last
/// will.
pub fn open(link: &Link, identity: Identity, will: Option<(&str, String)>, capacity: usize) -> Wire {
    let (ask, requests) = mpsc::channel(capacity);
    let (tell, events) = mpsc::channel(SIGNALS);
    let will = will.map(|(topic, payload)| Will { topic: topic.to_owned(), payload });
    let task = tokio::spawn(drive::run(link.clone(), identity, will, requests, tell));
    Wire { client: Client::new(ask), events, _task: AbortOnDropHandle::new(task) }
}

/// Seconds between two questions whether the broker is there. Less would take a slow line for dead.
fn keep_alive_s(link: &Link) -> u16 {
    link.keep_alive_s.max(5)
}

/// Pauses between connections: doubling, jittered, started afresh by a connection that lasted.
#[derive(Debug)]
pub struct Pauses {
    first: Duration,
    most: Duration,
    next: Duration,
}

impl Pauses {
    /// Pauses from `first` to `most`.
    pub fn new(first: Duration, most: Duration) -> Self {
        Self { first, most, next: first }
    }

    /// The next pause lasts `first` again.
    pub fn reset(&mut self) {
        self.next = self.first;
    }

    /// The next pause: between half and all of its nominal length, so that many stations do not
    /// come back to a restarted broker in step.
    pub fn take(&mut self) -> Duration {
        let nominal = self.next.min(self.most);
        self.next = nominal.saturating_mul(2).min(self.most);
        nominal.mul_f64(rand::rng().random_range(0.5..=1.0))
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn pauses_grow_to_their_limit_and_start_afresh() {
        let mut pauses = Pauses::new(Duration::from_millis(100), Duration::from_millis(350));
        for nominal in [100, 200, 350, 350] {
            let pause = pauses.take();
            assert!(pause <= Duration::from_millis(nominal), "{pause:?} over {nominal} ms");
            assert!(pause >= Duration::from_millis(nominal / 2), "{pause:?} under half of {nominal} ms");
        }
        pauses.reset();
        assert!(pauses.take() <= Duration::from_millis(100));
    }
}
