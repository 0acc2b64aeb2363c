//! A small MQTT 5 broker on loopback, over the client library's own codec.
//!
//! It serves the rehearsal and is open to any MQTT 5 client on this machine: connect with
//! take-over, subscriptions with `+` and `#`, `QoS` 0 and 1 both ways, retained messages with
//! expiry, wills with delay. It keeps no session for an absent client and says so in its CONNACK.
//! For tests it can misbehave: see [`Behaviour`]. A laboratory runs a real broker.
//!
//! [`matching`] and [`core`] know the rules and do no I/O; [`session`] serves one connection.

mod core;
mod matching;
mod session;

use self::core::Core;
use rumqttc::v5::mqttbytes::v5::PubAckReason;
use std::io;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// How the broker behaves. The default is a polite broker; everything else is for tests.
#[derive(Debug, Clone, Default)]
pub struct Behaviour {
    /// Seed of all chance.
    pub seed: u64,
    /// Drop each connection after 1 to this many publishes.
    pub drop_after: Option<u32>,
    /// When and in which order publishes are acknowledged.
    pub acknowledging: Acknowledging,
    /// Refuse publishes at `QoS` 1 with this reason, so many in a thousand.
    pub refuse: Option<(PubAckReason, u32)>,
    /// Acknowledge with success and throw away, so many publishes at `QoS` 1 in a thousand.
    pub forgets: u32,
    /// Receive maximum in the CONNACK.
    pub receive_max: Option<u16>,
    /// Largest packet taken; 256 KiB if unset.
    pub packet_max: Option<u32>,
    /// Claim that a session is present where none is.
    pub lies_of_session: bool,
    /// Heed no client's receive maximum: send all that waits for it.
    pub ignores_receive_max: bool,
    /// Keep what was accepted for [`Broker::observed`].
    pub observe: bool,
}

/// When and in which order a broker acknowledges.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Acknowledging {
    /// At once and in order.
    #[default]
    Promptly,
    /// Late, some at a time, in order.
    Late,
    /// Late, some at a time, in any order.
    OutOfOrder,
    /// Never.
    Never,
}

/// A publish that the broker took.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    /// Client id of the sender.
    pub client: String,
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Vec<u8>,
    /// Asked to be retained.
    pub retain: bool,
}

/// What the broker saw; filled only where [`Behaviour::observe`] is set.
#[derive(Debug, Clone, Default)]
pub struct Observed {
    /// Publishes that it took, in order.
    pub seen: Vec<Seen>,
    /// Connections so far.
    pub connections: u64,
    /// Publishes that came in over the receive maximum.
    pub over_receive_max: u64,
    /// Most publishes that were on their way to one client at a time, without its acknowledgement.
    pub most_in_flight: usize,
    /// What clients acknowledged, in order: client id and packet id.
    pub acknowledged: Vec<(String, u16)>,
}

/// A running broker.
#[derive(Debug)]
pub struct Broker {
    /// Where it listens.
    pub addr: SocketAddr,
    core: Arc<Mutex<Core>>,
    cancel: CancellationToken,
    tasks: TaskTracker,
}

/// Starts a broker. Port 0 takes a free one; [`Broker::addr`] tells which.
///
/// # Errors
/// The address is not loopback, or cannot be listened on.
pub async fn start(addr: SocketAddr, behaviour: Behaviour) -> io::Result<Broker> {
    if !addr.ip().is_loopback() {
        let text =
            format!("{addr} is not a loopback address; the rehearsal's broker serves this machine only");
        return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
    }
    let listener = TcpListener::bind(addr).await?;
    let addr = listener.local_addr()?;
    let core = Arc::new(Mutex::new(Core::new(behaviour.observe)));
    let cancel = CancellationToken::new();
    let tasks = TaskTracker::new();
    let shared = session::Shared {
        core: Arc::clone(&core),
        behaviour: Arc::new(behaviour),
        cancel: cancel.clone(),
        tasks: tasks.clone(),
    };
    tasks.spawn(session::accept(listener, shared));
    Ok(Broker { addr, core, cancel, tasks })
}

impl Broker {
    /// What it saw so far.
    pub fn observed(&self) -> Observed {
        locked(&self.core).observed.clone()
    }

    /// The retained payload of a topic.
    pub fn retained(&self, topic: &str) -> Option<Vec<u8>> {
        locked(&self.core).retained_payload(topic)
    }

    /// Says goodbye to every client and ends when the last task has.
    pub async fn shutdown(self) {
        self.cancel.cancel();
        self.tasks.close();
        self.tasks.wait().await;
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.cancel.cancel();
    }
}

/// The core, even if a task died while it held the lock: each change to it is whole.
fn locked(core: &Mutex<Core>) -> MutexGuard<'_, Core> {
    core.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
#[path = "broker_test.rs"]
mod test;
