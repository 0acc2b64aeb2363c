//! The outbox relay: documents in order and at least once, retained state as it is, presence.
//!
//! [`machine`] decides (pure), [`connection`] drives one connection, and [`run`] makes one
//! connection after the other, for as long as the daemon lives.

mod connection;
pub mod machine;
mod replay;

use super::rival::Rival;
use super::session::{Ending, Pauses};
use super::{
    Condition, ConditionName, Identity, Link, NetworkReport, Outbox, ReplayWish, Resume, RetainedState,
};
use crate::clock::Clock;
use connection::Ended;
use machine::Machine;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

/// Everything that the relay works with.
pub struct Relay<O> {
    /// The broker, and who we are there.
    pub link: Link,
    /// The documents.
    pub outbox: O,
    /// Where reports go.
    pub status: mpsc::Sender<NetworkReport>,
    /// The state to be kept at the broker.
    pub retained: watch::Receiver<Arc<RetainedState>>,
    /// The last replay that a consumer asked for; one that is older than this run is over.
    pub replays: watch::Receiver<ReplayWish>,
    /// Wall time for the presence documents.
    pub clock: Arc<dyn Clock>,
    /// Ends the relay in good order.
    pub cancel: CancellationToken,
}

/// What outlives a connection.
struct Run<O> {
    relay: Relay<O>,
    machine: Machine,
    origin: Instant,
    /// Topics that were published in this run and not cleared since.
    published: BTreeSet<Arc<str>>,
    /// What an earlier run may have left is among them.
    cleared_earlier: bool,
    conditions: BTreeMap<ConditionName, String>,
    last_why: Option<String>,
    rival: Rival,
    /// Replays up to this one are at work, or done.
    replays_begun: u64,
}

/// Runs the relay until it is cancelled.
pub async fn run<O: Outbox>(relay: Relay<O>) {
    let Some(mut run) = Run::begin(relay).await else { return };
    let pace = run.relay.link.pace;
    let mut pauses = Pauses::new(pace.retry_first, pace.retry_most);
    loop {
        let begun = Instant::now();
        let ended = run.one_connection().await;
        run.machine.disconnected();
        if begun.elapsed() >= pace.settled {
            pauses.reset();
        }
        let ending = match ended {
            Ended::Stopped => return,
            Ended::Connection(ending) => ending,
        };
        let pause = match run.suspect(ending, begun.elapsed()).await {
            Some(pause) => pause,
            None => pauses.take(),
        };
        tokio::select! {
            () = run.relay.cancel.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
    }
}

impl<O: Outbox> Run<O> {
    /// Asks the outbox where to go on, again and again while it cannot say. `None`: cancelled.
    async fn begin(relay: Relay<O>) -> Option<Self> {
        let placeholder = Resume { acked: 0, send_after: 0 };
        let (pace, replays_begun) = (relay.link.pace, relay.replays.borrow().count);
        let mut run = Self {
            machine: Machine::new(relay.link.pace, relay.link.window, placeholder),
            relay,
            origin: Instant::now(),
            published: BTreeSet::new(),
            cleared_earlier: false,
            conditions: BTreeMap::new(),
            last_why: None,
            rival: Rival::new(pace),
            replays_begun,
        };
        loop {
            match run.relay.outbox.resume(pace.replay).await {
                Ok(resume) => {
                    run.machine = Machine::new(pace, run.relay.link.window, resume);
                    run.clear(ConditionName::OutboxUnreadable).await;
                    return Some(run);
                }
                Err(error) => run.raise(ConditionName::OutboxUnreadable, error.to_string()).await,
            }
            tokio::select! {
                () = run.relay.cancel.cancelled() => return None,
                () = tokio::time::sleep(pace.hold_first) => {}
            }
        }
    }

    /// Milliseconds of the relay's own, monotonic clock.
    fn now(&self) -> u64 {
        u64::try_from(self.origin.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    fn instant(&self, ms: u64) -> Instant {
        self.origin + Duration::from_millis(ms)
    }

    async fn report(&self, report: NetworkReport) {
        // A station that no longer listens is about to stop us.
        let _ = self.relay.status.send(report).await;
    }

    async fn disconnected(&mut self, why: &str) {
        if self.last_why.as_deref() != Some(why) {
            self.last_why = Some(why.to_owned());
            self.report(NetworkReport::Disconnected { identity: Identity::Out, why: why.to_owned() }).await;
        }
    }

    /// Reports an ending. For one that looks like another client's doing: how long to wait.
    async fn suspect(&mut self, ending: Ending, lasted: Duration) -> Option<Duration> {
        let stood = self.last_why.is_none();
        let Some(wait) = self.rival.ended(&ending, stood, lasted) else {
            let (Ending::Closed(why) | Ending::Lost(why)) = &ending else { return None };
            self.disconnected(why).await;
            return None;
        };
        let text = Rival::in_words(&ending, Identity::Out, &self.relay.link.station);
        self.disconnected(&text).await;
        self.raise(ConditionName::TakenOver, text).await;
        Some(wait)
    }

    async fn raise(&mut self, name: ConditionName, text: String) {
        if self.conditions.get(&name) != Some(&text) {
            tracing::warn!(condition = ?name, "{text}");
            self.conditions.insert(name, text.clone());
            self.report(NetworkReport::Condition(Condition { name, text, active: true })).await;
        }
    }

    async fn clear(&mut self, name: ConditionName) {
        if let Some(text) = self.conditions.remove(&name) {
            self.report(NetworkReport::Condition(Condition { name, text, active: false })).await;
        }
    }
}

#[cfg(test)]
#[path = "relay_test.rs"]
mod test;
#[cfg(test)]
mod replay_test;
#[cfg(test)]
mod cut_test;
