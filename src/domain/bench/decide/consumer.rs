//! What consumers of the documents say, the watch over how far they are behind, and the memory of
//! asks that were answered.

use super::{Decided, Deciding};
use crate::domain::alarm::Name;
use crate::domain::bench::consumer::{CONSUMERS_MOST, ConsumerAsk, FromConsumer, is_consumer_name};
use crate::domain::bench::{Event, Outcome, Refusal, What};
use std::sync::Arc;
use uuid::Uuid;

impl Deciding<'_> {
    /// An ask with a correlation. A refusal is remembered too: what was refused once must not
    /// happen later by a repetition that nobody looks at any more.
    pub(super) fn asked(&mut self, key: Uuid, what: &What) -> Outcome {
        if let Some(kept) = self.bench.asks.find(key) {
            return Outcome::AsBefore { reply: kept.reply.clone() };
        }
        let outcome = self.one(what);
        if let Ok(reply) = serde_json::to_string(&outcome) {
            self.emit(Event::AskAnswered { key, reply: Arc::from(reply) });
        }
        outcome
    }

    pub(super) fn consumer(&mut self, from: &FromConsumer) -> Outcome {
        self.hear_consumer(from).unwrap_or_else(Outcome::from)
    }

    fn hear_consumer(&mut self, from: &FromConsumer) -> Decided {
        let newest = self.bench.newest_document();
        match &from.says {
            ConsumerAsk::ConfirmReceipt { consumer, journal, through } => {
                self.may_ask(consumer, *journal, from.journal)?;
                if *through > newest {
                    let why = format!("document {through} does not exist; the newest is {newest}");
                    return Err(Refusal::Field { field: "through", why });
                }
                let known = self.bench.receipts.get(consumer).map(|r| r.through);
                if known.is_none_or(|known| *through > known) {
                    self.emit(Event::ReceiptConfirmed { consumer: consumer.clone(), through: *through });
                }
                self.watch_consumers();
                let through = known.map_or(*through, |known| known.max(*through));
                Ok(Outcome::done(format!("{consumer} has every document through {through}; newest {newest}")))
            }
            ConsumerAsk::ReplayFrom { consumer, journal, number } => {
                self.may_ask(consumer, *journal, from.journal)?;
                if *number == 0 || *number > newest {
                    let why = if newest == 0 {
                        "there is no document yet".to_owned()
                    } else {
                        format!("document {number} does not exist; there are 1 to {newest}")
                    };
                    return Err(Refusal::Field { field: "number", why });
                }
                let removed = self.bench.keeping.documents_removed;
                if *number <= removed {
                    let why = format!(
                        "documents up to {removed} were removed by the laboratory's rule and cannot go out \
                         again; ask from {} on, and for the earlier ones at the laboratory",
                        removed + 1
                    );
                    return Err(Refusal::Field { field: "number", why });
                }
                self.emit(Event::ReplayAsked { consumer: consumer.clone(), number: *number });
                Ok(Outcome::done(format!("documents {number} to {newest} go out again, in order")))
            }
        }
    }

    fn may_ask(&self, consumer: &str, theirs: Uuid, ours: Uuid) -> Result<(), Refusal> {
        if !is_consumer_name(consumer) {
            let why = "use 1 to 64 lower-case letters, digits and hyphens".to_owned();
            return Err(Refusal::Field { field: "consumer", why });
        }
        if theirs != ours {
            let why =
                format!("the journal of this station is {ours}; numbers of another one mean nothing here");
            return Err(Refusal::Field { field: "journal", why });
        }
        let known = self.bench.receipts.contains_key(consumer);
        if !known && self.bench.receipts.len() >= CONSUMERS_MOST {
            let why = format!("{CONSUMERS_MOST} consumers have confirmed already; use one of their names");
            return Err(Refusal::Field { field: "consumer", why });
        }
        Ok(())
    }

    /// Raises and clears the alarms of watched consumers.
    pub(super) fn watch_consumers(&mut self) {
        if self.bench.network.consumers.is_empty() {
            return;
        }
        let newest = self.bench.newest_document();
        let told: Vec<_> = self
            .bench
            .lags()
            .into_iter()
            .filter_map(|lag| {
                let limit = lag.limit?;
                let through = lag.receipt.map_or(0, |r| r.through);
                let text = format!(
                    "{} has confirmed through {through} of {newest}: {} documents behind, {limit} are allowed",
                    lag.consumer, lag.behind
                );
                Some((lag.consumer.to_owned(), lag.behind > limit, text))
            })
            .collect();
        for (consumer, late, text) in told {
            if late {
                self.raise(Name::ConsumerBehind, &consumer, &text);
            } else {
                self.clear(Name::ConsumerBehind, &consumer);
            }
        }
    }
}
