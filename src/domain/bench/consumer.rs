//! Whoever takes the station's documents: what it confirms, what it wants again, how far behind
//! it is. And the memory that gives an ask of the network one effect per correlation.

use crate::domain::moment::Moment;
use crate::domain::remembered::Known;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// Asks that are remembered so that a repeated one gets its first reply and does nothing again.
pub const REMEMBERED_ASKS: usize = 512;
/// Consumers that may confirm: far more than a laboratory has, so that a client which makes up
/// names cannot fill the state.
pub const CONSUMERS_MOST: usize = 32;
/// Longest name of a consumer, in bytes.
const NAME_MOST: usize = 64;

/// What a consumer of documents says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case", deny_unknown_fields)]
pub enum ConsumerAsk {
    /// It has stored every document up to a number.
    ConfirmReceipt {
        /// Its name: lower-case letters, digits and hyphens.
        consumer: String,
        /// The journal whose documents they are.
        journal: Uuid,
        /// The number.
        through: u64,
    },
    /// It wants the documents from a number on once more.
    ReplayFrom {
        /// Its name.
        consumer: String,
        /// The journal whose documents they are.
        journal: Uuid,
        /// The first number that it is missing.
        number: u64,
    },
}

/// What came from a consumer, with what the adapter adds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FromConsumer {
    /// What it says.
    pub says: ConsumerAsk,
    /// This station's journal.
    pub journal: Uuid,
}

/// How far a consumer confirmed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receipt {
    /// Every document up to this number.
    pub through: u64,
    /// When it said so last.
    pub at: Moment,
}

/// The last replay that was asked for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReplayAsked {
    /// Counts the replays, from 1.
    pub count: u64,
    /// The first number.
    pub number: u64,
    /// Who.
    pub consumer: String,
}

/// An ask that was answered. The key stands for its response topic and correlation data.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptAsk {
    /// What both come to.
    pub key: Uuid,
    /// The reply, as it was sent.
    pub reply: Arc<str>,
}

impl Known for KeptAsk {
    fn identity(&self) -> Uuid {
        self.key
    }
}

/// What the settings say of the network that the bench has to know.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct NetworkFacts {
    /// The station speaks MQTT 3.1.1, whose acknowledgement also comes for what is thrown away.
    #[serde(default)]
    pub unconfirmed: bool,
    /// Consumers that are watched: an alarm when one is more than so many documents behind.
    #[serde(default)]
    pub consumers: BTreeMap<String, u64>,
}

/// How far one consumer is behind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lag<'a> {
    /// Its name.
    pub consumer: &'a str,
    /// Its confirmation; `None`: it never confirmed.
    pub receipt: Option<Receipt>,
    /// Documents that it has not confirmed.
    pub behind: u64,
    /// The limit of its alarm, if it is watched.
    pub limit: Option<u64>,
}

/// Whether a text can name a consumer.
pub fn is_consumer_name(name: &str) -> bool {
    let plain = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
    (1..=NAME_MOST).contains(&name.len()) && name.bytes().all(plain)
}

impl super::Bench {
    /// Number of the newest document; 0 before the first.
    pub fn newest_document(&self) -> u64 {
        self.next_number.saturating_sub(1)
    }

    /// Every consumer that confirmed or is watched, by name.
    pub fn lags(&self) -> Vec<Lag<'_>> {
        let newest = self.newest_document();
        let mut names: Vec<&String> = self.receipts.keys().chain(self.network.consumers.keys()).collect();
        names.sort();
        names.dedup();
        names
            .into_iter()
            .map(|name| {
                let receipt = self.receipts.get(name).copied();
                Lag {
                    consumer: name,
                    receipt,
                    behind: newest.saturating_sub(receipt.map_or(0, |r| r.through)),
                    limit: self.network.consumers.get(name).copied(),
                }
            })
            .collect()
    }
}
