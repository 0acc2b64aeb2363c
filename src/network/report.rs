//! What the network tells the station.

use serde::{Deserialize, Serialize};

/// One report of the relay or of the inbound session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "report")]
pub enum NetworkReport {
    /// A client identity is connected.
    Connected {
        /// Which.
        identity: Identity,
    },
    /// It is no longer, or could not be.
    Disconnected {
        /// Which.
        identity: Identity,
        /// Why, in words.
        why: String,
    },
    /// Something that a person should know began or ended.
    Condition(Condition),
    /// A document was over the broker's packet limit; a notice with its number went out instead.
    Replaced {
        /// Number of the document.
        number: u64,
        /// Bytes of the packet that it would have needed.
        bytes: u64,
        /// Bytes that the broker takes.
        limit: u64,
    },
    /// A message for the station was dropped before anybody judged it.
    Dropped {
        /// Its topic.
        topic: String,
        /// Why, in words.
        why: String,
    },
}

/// A client identity at the broker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Identity {
    /// `stillstand-{station}-out`: documents, state, presence.
    Out,
    /// `stillstand-{station}-in`: triggers, asks, replies.
    In,
    /// `stillstand-{station}-room`: hears other stations.
    Room,
}

impl Identity {
    /// The client id at the broker.
    pub fn client_id(self, station: &str) -> String {
        match self {
            Self::Out => format!("stillstand-{station}-out"),
            Self::In => format!("stillstand-{station}-in"),
            Self::Room => format!("stillstand-{station}-room"),
        }
    }
}

/// Something that a person should know, with a beginning and an end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Condition {
    /// Which.
    pub name: ConditionName,
    /// What happened, where, and what to do.
    pub text: String,
    /// It began; else it ended.
    pub active: bool,
}

/// The conditions of the network.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ConditionName {
    /// A document is held: nobody subscribes to its topic.
    NoSubscriber,
    /// A document is held: the broker refuses it.
    Denied,
    /// Retained state is refused by the broker.
    StateDenied,
    /// The broker refuses the subscription of triggers and asks.
    SubscribeDenied,
    /// Another client uses this identity.
    TakenOver,
    /// The broker cannot do what the station needs.
    Unsuitable,
    /// The outbox cannot be read.
    OutboxUnreadable,
}
