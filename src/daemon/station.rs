//! The one loop: wait, decide, commit, tell.
//!
//! 1. Wait for inputs, a deadline, or the end of a commit.
//! 2. Decide: each input changes the working state at once and adds its events to the batch.
//! 3. Commit: while the journal's thread writes batch N, batch N+1 gathers.
//! 4. Tell: only when its batch is on the disk is anybody answered or anything published.
//!
//! After a failed commit the state is folded again from the journal. What people did is refused
//! where it was not stored; what happened at the bench is decided again (`trouble.rs`).

pub mod alive;
mod batch;
mod fold;
mod recall;
mod source;
mod trouble;
#[cfg(test)]
mod test;

use crate::clock::{Clock, Reached};
use crate::domain::alarm::Alarm;
use crate::domain::bench::{Bench, ClosedSample, Input, Outcome, What};
use crate::domain::moment::Moment;
use crate::journal::{Batch, Chain, Journal, JournalError, Restored};
use crate::signing::Key;
use alive::Alive;
use batch::{Issuer, Pending, Waiting};
use recall::Recalls;
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

pub use fold::{FoldError, fold, fold_readable, stored_event};

/// Inputs that may wait in front of the loop; beyond, their senders wait.
const QUEUE: usize = 1024;
/// Inputs of one batch: bounds how long a commit takes and how much one failure takes back.
const BATCH: usize = 256;
/// Events after which the state is stored whole, so that a start reads some and never all of them:
/// at least so many,
const SNAPSHOT_EVERY: u64 = 1000;
/// and so many times the bytes of the last stored state, so that storing a large one costs no more
/// than the events themselves; but never more events than these.
const SNAPSHOT_SHARE: usize = 2;
const SNAPSHOT_LATEST: u64 = 8000;
/// A batch that the disk has not confirmed for this long is shown as trouble.
const STUCK: Duration = Duration::from_secs(10);

/// A message to the station.
#[derive(Debug)]
pub struct Message {
    /// What happened.
    pub what: What,
    /// When it happened.
    pub moment: Moment,
    /// Who wants to know what came of it, once it is on the disk.
    pub reply: Option<Reply>,
}

/// Who wants to know what came of an input.
#[derive(Debug)]
pub enum Reply {
    /// Somebody who is told.
    Outcome(oneshot::Sender<Outcome>),
    /// Somebody who only waits until it is decided and on the disk, and has nothing to say of it.
    Decided(oneshot::Sender<Option<String>>),
}

impl Reply {
    fn tell(self, outcome: Outcome) {
        // Whoever asked may have gone; the journal holds the outcome.
        match self {
            Self::Outcome(asked) => drop(asked.send(outcome)),
            Self::Decided(waits) => drop(waits.send(None)),
        }
    }
}

/// The last committed state, for everybody who shows or publishes.
#[derive(Debug, Clone)]
pub struct Committed {
    /// The bench.
    pub bench: Arc<Bench>,
    /// Sequence number of the newest event.
    pub sequence: u64,
    /// Reports of instruments decided since the program started: lets a rehearsal wait for the
    /// effect of a line that it sent.
    pub reports: u64,
    /// The journal cannot be written: not an event, else a full disk could never be shown.
    pub fault: Option<Alarm>,
}

impl Committed {
    /// The bench as it is shown: with the alarm that cannot be stored.
    pub fn shown(&self) -> Arc<Bench> {
        let Some(fault) = &self.fault else { return self.bench.clone() };
        let mut bench = Bench::clone(&self.bench);
        bench.alarms.insert(fault.key(), fault.clone());
        Arc::new(bench)
    }
}

/// The way to the station, cheap to clone.
#[derive(Debug, Clone)]
pub struct StationHandle {
    messages: mpsc::Sender<Message>,
    committed: watch::Receiver<Arc<Committed>>,
}

impl StationHandle {
    /// Sends an input and does not wait for its outcome. Waits while the queue is full.
    /// `false`: the station has ended.
    pub async fn tell(&self, what: What, moment: Moment) -> bool {
        self.send(what, moment, None).await
    }

    /// Sends an input; `reply` takes its outcome once it is on the disk. Returns as soon as the
    /// input is queued, so that a sender keeps the order of its inputs.
    pub async fn send(&self, what: What, moment: Moment, reply: Option<Reply>) -> bool {
        self.messages.send(Message { what, moment, reply }).await.is_ok()
    }

    /// Sends an input and waits until it is on the disk. `None`: the station has ended.
    pub async fn ask(&self, what: What, moment: Moment) -> Option<Outcome> {
        let (reply, answer) = oneshot::channel();
        let reply = Some(Reply::Outcome(reply));
        self.messages.send(Message { what, moment, reply }).await.ok()?;
        answer.await.ok()
    }

    /// The committed state, and a signal whenever it changes.
    pub fn committed(&self) -> watch::Receiver<Arc<Committed>> {
        self.committed.clone()
    }
}

/// Decides one input outside of the loop, for a command that has the journal to itself, and gives what
/// is to be committed.
pub fn decide_alone(bench: &mut Bench, chain: &mut Chain, journal: Uuid, input: Input) -> Batch {
    let mut pending = Pending::default();
    // What such a command says calls for no document.
    let issuer = Issuer { journal, key: None };
    batch::decide(bench, chain, &issuer, &mut pending, Waiting { input, reply: None });
    pending.batch
}

type Commit = Pin<Box<dyn Future<Output = Result<(), JournalError>> + Send>>;

/// The station: the only writer.
pub struct Station {
    bench: Bench,
    chain: Chain,
    issuer: Issuer,
    journal: Journal,
    clock: Arc<dyn Clock>,
    messages: mpsc::Receiver<Message>,
    published: watch::Sender<Arc<Committed>>,
    pending: Pending,
    recalls: Recalls,
    flying: Option<Flying>,
    trouble: Option<Alarm>,
    reports: u64,
    snapshot_at: u64,
    /// Bytes of the state as it was stored last, and of the events since.
    snapshot_bytes: usize,
    event_bytes: usize,
    idle_deadline: Option<i64>,
    /// The next deadline stands; false after an input, which may have moved it.
    foreseen: bool,
    /// The pages' thread.
    pages: Alive,
    /// Ends at the next deadline, on the boot clock.
    alarm_clock: Option<(i64, Reached)>,
}

/// A batch on its way to the disk.
struct Flying {
    commit: Commit,
    pending: Pending,
    committed: Arc<Committed>,
    since: tokio::time::Instant,
}

impl Station {
    /// A station that goes on from `bench`, the state that `restored` folds to.
    pub fn new(
        journal: Journal,
        bench: Bench,
        restored: Restored,
        clock: Arc<dyn Clock>,
    ) -> (Self, StationHandle) {
        let snapshot_at = restored.snapshot.as_ref().map_or(0, |(seq, _)| *seq);
        let snapshot_bytes = restored.snapshot.as_ref().map_or(0, |(_, state)| state.len());
        let committed = Arc::new(Committed {
            bench: Arc::new(bench.clone()),
            sequence: restored.chain.seq(),
            reports: 0,
            fault: None,
        });
        let (published, receiver) = watch::channel(committed);
        let (sender, messages) = mpsc::channel(QUEUE);
        let station = Self {
            bench,
            chain: restored.chain,
            issuer: Issuer { journal: restored.journal_id, key: None },
            journal,
            clock,
            messages,
            published,
            pending: Pending::default(),
            recalls: Recalls::default(),
            flying: None,
            trouble: None,
            reports: 0,
            snapshot_at,
            snapshot_bytes,
            event_bytes: 0,
            idle_deadline: None,
            foreseen: false,
            pages: Alive::default(),
            alarm_clock: None,
        };
        (station, StationHandle { messages: sender, committed: receiver })
    }

    /// The same, whose records and results are signed.
    #[must_use]
    pub fn signing_with(mut self, key: Arc<Key>) -> Self {
        self.issuer.key = Some(key);
        self
    }

    /// The same, which does not feed the watchdog any more where the pages' thread hangs.
    #[must_use]
    pub fn beside(mut self, pages: Alive) -> Self {
        self.pages = pages;
        self
    }

    /// Runs until `cancel`; then decides what is queued, commits it and stores the state whole.
    ///
    /// # Errors
    /// The journal can no longer be read after a failed commit.
    pub async fn run(mut self, cancel: CancellationToken) -> Result<(), FoldError> {
        let mut watchdog = tokio::time::interval(watchdog_period());
        watchdog.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            self.launch();
            self.foresee();
            tokio::select! {
                biased;
                result = landed(&mut self.flying) => self.land(result, &cancel).await?,
                () = cancel.cancelled() => break,
                // Fed by the loop itself: a loop that hangs is restarted. It and the end stand before
                // the inputs, so that no flood of them starves either.
                _ = watchdog.tick() => {
                    self.feed();
                    self.look_for_stuck();
                    // What began before the machine's last start moves with the wall clock.
                    self.foreseen = false;
                }
                Some((found, message)) = self.recalls.next(), if self.pending.len() < BATCH => {
                    self.recalled(found, message);
                }
                message = self.messages.recv(), if self.has_room() => match message {
                    Some(message) => self.gather(message),
                    None => break,
                },
                () = rung(&mut self.alarm_clock) => self.deadline_passed(),
            }
        }
        self.finish(&cancel).await
    }

    /// Feeds the watchdog, unless another thread hangs: then the service manager is to start anew.
    fn feed(&self) {
        if self.pages.hangs() {
            tracing::error!("the pages' thread hangs: the watchdog is not fed any more");
        } else {
            let _ = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
        }
    }

    fn has_room(&self) -> bool {
        self.pending.len() < BATCH && !self.recalls.are_many()
    }

    /// Takes what is queued, so that it commits together.
    fn gather(&mut self, first: Message) {
        self.decide(first);
        while self.has_room() {
            let Ok(message) = self.messages.try_recv() else { break };
            self.decide(message);
        }
    }

    fn decide(&mut self, message: Message) {
        if let Some(message) = self.recalls.take(&self.bench, &self.journal, message) {
            self.decide_message(message);
        }
    }

    /// A sample that an act names came back from the journal, or did not: then the act says so.
    fn recalled(&mut self, found: Option<Box<ClosedSample>>, message: Message) {
        if let Some(closed) = found {
            self.decide_message(Message {
                what: What::Recalled(closed),
                moment: message.moment,
                reply: None,
            });
        }
        self.decide_message(message);
    }

    fn decide_message(&mut self, message: Message) {
        let input = Input { id: Uuid::now_v7(), moment: message.moment, what: message.what };
        self.decide_input(Waiting { input, reply: message.reply });
    }

    fn decide_input(&mut self, waiting: Waiting) {
        self.idle_deadline = None;
        self.foreseen = false;
        self.reports += u64::from(matches!(waiting.input.what, What::Instrument(_)));
        batch::decide(&mut self.bench, &mut self.chain, &self.issuer, &mut self.pending, waiting);
    }

    /// Sets the alarm clock to the next deadline of the bench, if an input may have moved it.
    fn foresee(&mut self) {
        if std::mem::replace(&mut self.foreseen, true) {
            return;
        }
        match self.bench.foresee(&self.clock.now()) {
            // A deadline that had nothing to say must not be asked again at once.
            Some(at) if self.idle_deadline != Some(at) => {
                if self.alarm_clock.as_ref().is_none_or(|(set, _)| *set != at) {
                    self.alarm_clock = Some((at, self.clock.reached(at)));
                }
            }
            _ => self.alarm_clock = None,
        }
    }

    fn deadline_passed(&mut self) {
        (self.foreseen, self.alarm_clock) = (false, None);
        let moment = self.clock.now();
        let Some(at) = self.bench.next_deadline(&moment) else { return };
        if at > moment.boot_ns {
            return;
        }
        let events = self.pending.events();
        self.decide_input(Waiting {
            input: Input { id: Uuid::now_v7(), moment, what: What::Deadline },
            reply: None,
        });
        if self.pending.events() == events {
            self.idle_deadline = Some(at);
        }
    }

    /// Sends the pending batch to the journal, if none is on its way.
    fn launch(&mut self) {
        if self.flying.is_some() || self.pending.is_empty() {
            return;
        }
        let mut pending = std::mem::take(&mut self.pending);
        let payloads = pending.batch.events.iter().filter_map(|event| event.payload.as_ref());
        self.event_bytes += payloads.map(String::len).sum::<usize>();
        if self.wants_snapshot() {
            pending.batch.snapshot = self.snapshot();
        }
        let committed = self.committed();
        if pending.batch.is_empty() {
            // Nothing to store: told at once.
            self.published.send_replace(committed);
            pending.tell();
            return;
        }
        // What waits can be decided again; of the batch itself nothing is needed any more.
        let (journal, batch) = (self.journal.clone(), std::mem::take(&mut pending.batch));
        let commit: Commit = Box::pin(async move { journal.commit(batch).await });
        self.flying = Some(Flying { commit, pending, committed, since: tokio::time::Instant::now() });
    }

    /// The working state, to be told once it is on the disk.
    fn committed(&self) -> Arc<Committed> {
        let sequence = self.chain.seq();
        Arc::new(Committed { bench: self.bench_at(sequence), sequence, reports: self.reports, fault: None })
    }

    fn look_for_stuck(&mut self) {
        let waits = self.flying.as_ref().map(|flying| flying.since.elapsed());
        if let Some(waits) = waits.filter(|waits| *waits >= STUCK) {
            let text = format!("the disk has not confirmed what was written {} s ago", waits.as_secs());
            self.show_trouble(&text);
        }
    }

    /// The state after event `sequence`, which is the newest: that which was shown last if nothing
    /// happened since, else a copy, which shares with it what has not changed.
    fn bench_at(&self, sequence: u64) -> Arc<Bench> {
        let last = self.published.borrow();
        if last.sequence == sequence { last.bench.clone() } else { Arc::new(self.bench.clone()) }
    }

    fn wants_snapshot(&self) -> bool {
        let events = self.chain.seq().saturating_sub(self.snapshot_at);
        events >= SNAPSHOT_LATEST
            || events >= SNAPSHOT_EVERY
                && self.event_bytes >= self.snapshot_bytes.saturating_mul(SNAPSHOT_SHARE)
    }

    fn snapshot(&mut self) -> Option<(u64, String)> {
        let state = serde_json::to_string(&self.bench)
            .inspect_err(|e| tracing::error!("the state cannot be stored whole: {e}"))
            .ok()?;
        (self.snapshot_at, self.snapshot_bytes, self.event_bytes) = (self.chain.seq(), state.len(), 0);
        Some((self.snapshot_at, state))
    }

    /// A commit has ended: tell, or take back and try again.
    async fn land(
        &mut self,
        result: Result<(), JournalError>,
        cancel: &CancellationToken,
    ) -> Result<(), FoldError> {
        let Some(Flying { pending, committed, .. }) = self.flying.take() else { return Ok(()) };
        match result {
            Ok(()) => {
                self.trouble = None;
                self.published.send_replace(committed);
                pending.tell();
                Ok(())
            }
            Err(error) => {
                self.foreseen = false;
                self.recover(pending, error, cancel).await
            }
        }
    }

    async fn finish(mut self, cancel: &CancellationToken) -> Result<(), FoldError> {
        self.messages.close();
        loop {
            while self.has_room() {
                let Ok(message) = self.messages.try_recv() else { break };
                self.decide(message);
            }
            while let Some((found, message)) = self.recalls.next().await {
                self.recalled(found, message);
            }
            self.launch();
            if self.flying.is_none() {
                break;
            }
            let result = landed(&mut self.flying).await;
            self.land(result, cancel).await?;
        }
        if self.chain.seq() > self.snapshot_at {
            let batch = crate::journal::Batch { snapshot: self.snapshot(), ..Default::default() };
            if let Err(error) = self.journal.commit(batch).await {
                tracing::warn!("the state was not stored whole at the end: {error}");
            }
        }
        Ok(())
    }
}

async fn rung(alarm_clock: &mut Option<(i64, Reached)>) {
    match alarm_clock {
        Some((_, reached)) => reached.await,
        None => std::future::pending().await,
    }
}

async fn landed(flying: &mut Option<Flying>) -> Result<(), JournalError> {
    match flying {
        Some(flying) => (&mut flying.commit).await,
        None => std::future::pending().await,
    }
}

fn watchdog_period() -> Duration {
    sd_notify::watchdog_enabled().map_or(Duration::from_secs(10), |limit| limit / 3)
}
