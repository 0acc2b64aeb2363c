//! The laboratory network: MQTT 5 (or 3.1.1 by setting), two client identities, nothing lost.
//!
//! [`relay`] sends the documents of the outbox, in order and at least once, and keeps the
//! retained state of the station as it is on the bench. [`inbound`] brings triggers and asks in.
//! Both know no rule of the trade.
//!
//! ```text
//!  journal ── Outbox ──┐                       ┌── triggers, asks ── station loop
//!                      relay ── broker ── inbound
//!  state ── watch ─────┘   (…-out)     (…-in)  └── replies
//! ```

pub mod topics; // names, PURE
pub mod message; // the bench as retained state, PURE
pub mod documents; // presence, notices, publish properties, PURE
pub mod report; // what the network tells the station
pub mod session; // one connection of one client identity
pub mod rival; // another client under our id, PURE
pub mod envelope; // reply topic and correlation in the payload, PURE
pub mod relay; // outbox and retained state, out
pub mod inbound; // triggers and asks, in
pub mod follow; // other stations, in

use std::collections::{BTreeMap, BTreeSet};
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;
use thiserror::Error;
use tokio::sync::watch;
use uuid::Uuid;

pub use crate::journal::OutboxRow;
pub use report::{Condition, ConditionName, Identity, NetworkReport};

/// Where the broker is, and who we are there.
#[derive(Debug, Clone)]
pub struct Link {
    /// Id of the station in topics and client ids.
    pub station: String,
    /// This run of the daemon; travels in the presence.
    pub session: Uuid,
    /// Host of the broker.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// User, if the broker asks for one.
    pub user: Option<String>,
    /// Its password.
    pub password: Option<Secret>,
    /// The protocol, and whether it is encrypted.
    pub how: How,
    /// Keepalive in seconds; under 5 is taken as 5.
    pub keep_alive_s: u16,
    /// Messages in flight without an acknowledgement; 0 is taken as 1.
    pub window: u16,
    /// Time-outs and back-off.
    pub pace: Pace,
}

/// The protocol, and whether it is encrypted.
#[derive(Debug, Clone, Default)]
pub struct How {
    /// Speak MQTT 3.1.1, for a broker that knows nothing newer: its acknowledgement also comes for
    /// what the broker throws away.
    pub older: bool,
    /// Encrypt.
    pub tls: Option<session::Encryption>,
}

/// A password: shown nowhere.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(pub String);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("(not shown)")
    }
}

/// A replay that a consumer asked for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ReplayWish {
    /// Counts the replays, from 1; 0: none yet.
    pub count: u64,
    /// The first number.
    pub number: u64,
}

/// Transport times, on the real clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// First pause before a new connection; doubles up to `retry_most`.
    pub retry_first: Duration,
    /// Longest pause before a new connection.
    pub retry_most: Duration,
    /// A connection that lasted this long starts the pauses afresh.
    pub settled: Duration,
    /// Without an acknowledgement for this long, the connection is given up.
    pub ack_limit: Duration,
    /// First pause before a held document is tried again; doubles up to `hold_most`.
    pub hold_first: Duration,
    /// Longest pause before a held document is tried again.
    pub hold_most: Duration,
    /// Pause after another client took this identity.
    pub taken_over: Duration,
    /// Documents acknowledged within this time are sent again after a connection broke, since a
    /// broker may acknowledge what it then loses.
    pub replay: Duration,
    /// Longest time for the last words at a stop.
    pub farewell: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            retry_first: Duration::from_millis(250),
            retry_most: Duration::from_secs(30),
            settled: Duration::from_secs(10),
            ack_limit: Duration::from_secs(10),
            hold_first: Duration::from_secs(2),
            hold_most: Duration::from_secs(30),
            taken_over: Duration::from_mins(1),
            replay: Duration::from_mins(30),
            farewell: Duration::from_secs(2),
        }
    }
}

/// Where sending goes on after a start of the daemon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Resume {
    /// Every row up to this number has been acknowledged.
    pub acked: u64,
    /// Rows after this number are sent; at most `acked`. Less than `acked`: the rows in between,
    /// acknowledged last, are sent once more.
    pub send_after: u64,
}

/// The outbox could not be read.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("the outbox cannot be read: {0}")]
pub struct OutboxError(pub String);

/// The journal's tail that the network has not acknowledged.
pub trait Outbox: Send + Sync + 'static {
    /// Where to go on: what is acknowledged, and the last row before those that were acknowledged
    /// less than `again` before the newest acknowledgement, or never. However long ago that was: a broker
    /// that has been away since may have lost them.
    fn resume(&self, again: Duration) -> impl Future<Output = Result<Resume, OutboxError>> + Send;
    /// Up to `limit` rows after `number`, acknowledged or not, in ascending order.
    fn after(
        &self,
        number: u64,
        limit: usize,
    ) -> impl Future<Output = Result<Vec<OutboxRow>, OutboxError>> + Send;
    /// Every row up to `number` has been acknowledged. Called once per row, ascending.
    fn acked(&self, number: u64);
    /// The newest number in the outbox.
    fn changed(&self) -> watch::Receiver<u64>;
}

/// The state that the broker keeps for whoever comes later.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RetainedState {
    /// Grows with each change.
    pub generation: u64,
    /// Message by full topic. A topic that is no longer here is cleared at the broker.
    pub topics: BTreeMap<Arc<str>, RetainedMessage>,
    /// Topics that an earlier run may have left at the broker and that apply no longer: cleared
    /// once in a run.
    pub absent: Arc<BTreeSet<String>>,
}

/// One retained message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RetainedMessage {
    /// JSON.
    pub payload: bytes::Bytes,
    /// Seconds after which the broker drops it.
    pub expiry_s: Option<u32>,
    /// 0 or 1; more is taken as 1.
    pub qos: u8,
}
