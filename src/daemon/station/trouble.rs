//! While the journal cannot be written: nothing is confirmed that is not stored, nobody waits in
//! vain, and the station goes on by itself once the disk does.
//!
//! - What a person does is refused with the reason: the person is there and can do it again.
//! - What switches, balance and probe say happened once: it waits here, with its own moments, and is
//!   decided when it can be stored. Each source has places of its own; what finds none is counted, and
//!   the journal is told of it afterwards.
//! - What the journal may have stored after all (a disk can fail in the moment of confirming) is
//!   looked for there before anybody is answered.
//! - After each pause the state is folded again from the journal and stored whole, together with what
//!   waits: only a commit shows that the disk takes commits again.

use super::batch::{self, Pending, Waiting};
use super::source::{Lost, Source};
use super::{BATCH, FoldError, Message, Station, fold_readable};
use crate::domain::alarm::{Alarm, Name};
use crate::domain::bench::{Bench, Input, Outcome, Refusal, What};
use crate::journal::{Journal, JournalError};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

/// Pause between two tries.
const RETRY: Duration = Duration::from_millis(500);

/// What waits for the disk, in the order in which it came.
#[derive(Debug, Default)]
struct Held {
    waiting: VecDeque<Waits>,
    /// Switches of the settings.
    switches: BTreeSet<String>,
    /// How many of each source wait.
    taken: BTreeMap<Source, usize>,
    /// Temperatures that were left out.
    thinned: u64,
    /// Other inputs for which there was no room.
    dropped: u64,
    /// Of these, what the journal is not told of yet.
    lost: BTreeMap<Source, Lost>,
}

/// One input that waits.
#[derive(Debug)]
struct Waits {
    one: Waiting,
    /// It was in a batch that failed, and may be stored all the same.
    unsure: bool,
}

impl Held {
    fn new(bench: &Bench) -> Self {
        Self { switches: bench.triggers.keys().cloned().collect(), ..Self::default() }
    }

    /// Takes what came in meanwhile: acts are refused, the rest waits.
    fn take(&mut self, one: Waiting, why: &str) {
        match &one.input.what {
            What::Removed(_) => refuse(one, why),
            what if can_ask_again(what) => refuse(one, why),
            // The clock makes them anew; a sample was called back for an act, which is refused.
            What::Deadline | What::Recalled(_) => {}
            _ => self.keep(one, why),
        }
    }

    /// It waits if its source has a place left.
    fn keep(&mut self, one: Waiting, why: &str) {
        let source = Source::of(&one.input.what, &self.switches);
        let taken = self.taken.entry(source.clone()).or_default();
        if *taken < source.places() {
            *taken += 1;
            self.waiting.push_back(Waits { one, unsure: false });
            return;
        }
        // Not a line of the log for each: it may lie on the same full disk.
        if source == Source::Temperatures {
            self.thinned += 1;
            return;
        }
        self.dropped += 1;
        let moment = one.input.moment;
        let lost = self.lost.entry(source).or_insert_with_key(|source| {
            tracing::error!(?source, "no room to keep what it says until the disk can be written again");
            Lost::begin(moment)
        });
        lost.count = lost.count.saturating_add(1);
        lost.until = moment;
        if let Some(reply) = one.reply {
            reply.tell(Outcome::from(Refusal::NotKept { why: why.to_owned() }));
        }
    }

    /// Counts anew what waits: some of it may have been stored meanwhile.
    fn count(&mut self) {
        self.taken.clear();
        for held in &self.waiting {
            *self.taken.entry(Source::of(&held.one.input.what, &self.switches)).or_default() += 1;
        }
    }

    /// What found no room is told behind everything that did.
    fn tell_lost(&mut self) {
        for (source, lost) in std::mem::take(&mut self.lost) {
            let Some(what) = lost.told(&source) else { continue };
            let input = Input { id: Uuid::now_v7(), moment: lost.until, what };
            self.waiting.push_back(Waits { one: Waiting { input, reply: None }, unsure: false });
        }
    }

    /// The fault in words, and what of that which came in is not even waiting.
    fn said(&self, fault: &str) -> String {
        let told =
            |count: u64, what: &str| if count > 0 { format!("; {count} {what}") } else { String::new() };
        let thinned = told(self.thinned, "temperatures are left out, to keep room for presses and masses");
        let dropped = told(
            self.dropped,
            "other inputs are lost, of a switch or instrument that said more than there is room for",
        );
        format!("{fault}{thinned}{dropped}")
    }

    /// A batch failed: it comes before everything that waits.
    fn failed(&mut self, pending: Pending) {
        for one in pending.into_waiting().into_iter().rev() {
            self.waiting.push_front(Waits { one, unsure: true });
        }
    }

    /// Asks the journal for each input that it may hold. What it holds is answered as it was
    /// decided; what it does not hold waits, or is refused if a person did it.
    async fn settle(&mut self, journal: &Journal, why: &str) -> Result<(), JournalError> {
        let mut sure = VecDeque::with_capacity(self.waiting.len());
        while let Some(held) = self.waiting.pop_front() {
            if !held.unsure {
                sure.push_back(held);
                continue;
            }
            match journal.input(held.one.input.id).await {
                Ok(Some(row)) => held.one.tell(batch::stored_outcome(&row.outcome)),
                Ok(None) if can_ask_again(&held.one.input.what) => refuse(held.one, why),
                Ok(None) => sure.push_back(Waits { unsure: false, ..held }),
                Err(error) => {
                    self.waiting.push_front(held);
                    sure.append(&mut self.waiting);
                    self.waiting = sure;
                    return Err(error);
                }
            }
        }
        self.waiting = sure;
        Ok(())
    }
}

/// Somebody is there who can do it again: a person, or a program that asked something. A switch or an
/// instrument said it once.
fn can_ask_again(what: &What) -> bool {
    match what {
        What::Act(_) | What::Consumer(_) => true,
        What::Asked { what, .. } => can_ask_again(what),
        _ => false,
    }
}

fn refuse(one: Waiting, why: &str) {
    let outcome = Outcome::from(Refusal::NotKept { why: why.to_owned() });
    tracing::warn!(input = %one.input.id, "refused: not kept: {why}");
    one.tell(outcome);
}

/// What it is, in a sentence for whoever is refused.
fn reason(error: &JournalError) -> String {
    match error {
        JournalError::Disk { trouble, .. } => trouble.to_string(),
        other => other.to_string(),
    }
}

impl Station {
    /// Goes on as soon as the journal can be written again.
    ///
    /// # Errors
    /// Told to stop meanwhile; or the journal is damaged, or its thread has ended.
    pub(super) async fn recover(
        &mut self,
        failed: Pending,
        error: JournalError,
        cancel: &CancellationToken,
    ) -> Result<(), FoldError> {
        let mut held = Held::new(&self.bench);
        let (mut why, mut text) = (reason(&error), error.to_string());
        for one in std::mem::take(&mut self.pending).into_waiting() {
            held.take(one, &why);
        }
        held.failed(failed);
        tracing::error!("{text}; {} inputs wait", held.waiting.len());
        loop {
            self.show_trouble(&held.said(&text));
            held.count();
            self.wait_out(&mut held, (&why, &text), cancel).await?;
            let error = match self.try_again(&mut held, &why).await {
                Ok(()) => break,
                Err(FoldError::Journal(
                    error @ (JournalError::Disk { .. } | JournalError::Refused { .. }),
                )) => error,
                // A disk may come back; a journal that is damaged or whose thread ended does not.
                Err(lasting) => return Err(lasting),
            };
            (why, text) = (reason(&error), error.to_string());
        }
        tracing::info!(thinned = held.thinned, dropped = held.dropped, "the journal can be written again");
        Ok(())
    }

    /// Shows that nothing is stored: to the page, to the network, to the service manager.
    pub(super) fn show_trouble(&mut self, text: &str) {
        let now = self.clock.now();
        let alarm = self.trouble.get_or_insert_with(|| Alarm {
            name: Name::NotKept,
            about: String::new(),
            occurrence: Uuid::now_v7(),
            text: String::new(),
            raised: now,
            cleared: None,
            acknowledged: None,
            replaced: Vec::new(),
        });
        text.clone_into(&mut alarm.text);
        let alarm = alarm.clone();
        self.published.send_modify(|committed| {
            let committed = std::sync::Arc::make_mut(committed);
            committed.fault = Some(alarm);
        });
    }

    /// Waits for a while, and takes what comes in meanwhile.
    async fn wait_out(
        &mut self,
        held: &mut Held,
        (why, text): (&str, &str),
        cancel: &CancellationToken,
    ) -> Result<(), FoldError> {
        // At a start the service manager waits along, as long as there is hope.
        let patience = u32::try_from(20 * RETRY.as_micros()).unwrap_or(u32::MAX);
        let _ = sd_notify::notify(&[
            sd_notify::NotifyState::Watchdog,
            sd_notify::NotifyState::ExtendTimeoutUsec(patience),
        ]);
        let pause = tokio::time::sleep(RETRY);
        tokio::pin!(pause);
        let mut open = true;
        loop {
            tokio::select! {
                biased;
                // Told to stop while the disk fails: what waits was acknowledged to nobody.
                () = cancel.cancelled() => {
                    return Err(FoldError::Undecided { inputs: held.waiting.len(), text: text.to_owned() });
                }
                () = &mut pause => return Ok(()),
                message = self.messages.recv(), if open => match message {
                    Some(Message { what, moment, reply }) => {
                        let input = Input { id: Uuid::now_v7(), moment, what };
                        held.take(Waiting { input, reply }, why);
                    }
                    None => open = false,
                },
            }
        }
    }

    /// Folds the state again, and stores it together with what waits, batch by batch.
    async fn try_again(&mut self, held: &mut Held, why: &str) -> Result<(), FoldError> {
        let restored = self.journal.reload().await?;
        let (bench, restored) = fold_readable(&self.journal, restored).await?;
        self.bench = bench;
        self.snapshot_at = restored.snapshot.as_ref().map_or(0, |(seq, _)| *seq);
        self.chain = restored.chain;
        held.settle(&self.journal, why).await?;
        held.tell_lost();
        let mut shown = false;
        loop {
            while self.pending.len() < BATCH
                && let Some(next) = held.waiting.pop_front()
            {
                self.decide_input(next.one);
            }
            let mut pending = std::mem::take(&mut self.pending);
            if !shown {
                pending.batch.snapshot = self.snapshot();
            }
            let committed = self.committed();
            if let Err(error) = self.journal.commit(pending.batch.clone()).await {
                held.failed(pending);
                return Err(error.into());
            }
            self.trouble = None;
            self.published.send_replace(committed);
            pending.tell();
            shown = true;
            if held.waiting.is_empty() {
                return Ok(());
            }
        }
    }
}
