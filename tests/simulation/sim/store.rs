//! What keeps the journal in a simulation: in memory, or the real one on a disk. Both fail when they
//! are told to, before or after a commit, and both can be cut off at any time.

use super::chance::Chance;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::time::Duration;
use stillstand::journal::{
    Batch, Chain, EventRow, FaultPoint, Journal, JournalError, OpenWith, OutboxRow, Restored, verify,
};
use uuid::Uuid;

/// Identity of the journal.
pub const JOURNAL: Uuid = Uuid::from_u128(0x019f_0000_0000_7000_8000_0000_0000_0007);
/// Documents that were acknowledged and stay in sight.
const ROWS_KEPT: usize = 1200;
/// Documents that go out again at most after a start.
const RECENT_MOST: u64 = 1000;
/// Samples that left the bench and stay in sight.
const CLOSED_KEPT: usize = 250;
/// Inputs that are remembered.
const INPUTS_KEPT: usize = 2000;

/// How a commit goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Failing {
    /// It works.
    No,
    /// Nothing is stored.
    Before,
    /// It is stored, and an error is told.
    After,
    /// A planted fault: nothing is stored, and success is told.
    Lies,
}

/// A journal.
pub trait Store {
    /// Stores all of a batch or nothing. `false`: the disk failed.
    ///
    /// # Errors
    /// It does not follow from what is stored.
    fn commit(&mut self, batch: Batch, failing: Failing) -> Result<bool, String>;
    /// What is stored.
    fn restore(&mut self) -> Restored;
    /// An input was stored.
    fn has(&self, input: Uuid) -> bool;
    /// Documents after a number.
    fn after(&self, number: u64, most: usize) -> Vec<OutboxRow>;
    /// The newest document.
    fn newest(&self) -> u64;
    /// Where sending goes on, as the network's outbox is asked at a start.
    fn resume(&self, again: Duration) -> (u64, u64);
    /// A sample that has left the bench.
    fn closed(&self, id: Uuid) -> Option<String>;
    /// Everything that holds it in memory is gone; what was committed is opened again.
    fn cut(&mut self);
    /// Reads everything again, and checks it.
    fn verify(&self) -> Result<(), String>;
}

/// Rows in memory.
pub struct Memory {
    chain: Chain,
    snapshot: Option<(u64, String)>,
    events: Vec<EventRow>,
    outbox: VecDeque<OutboxRow>,
    inputs: VecDeque<Uuid>,
    closed: VecDeque<(Uuid, String)>,
    acks: VecDeque<(u64, i64)>,
}

impl Memory {
    pub fn new() -> Self {
        Self {
            chain: Chain::genesis(JOURNAL),
            snapshot: None,
            events: Vec::new(),
            outbox: VecDeque::new(),
            inputs: VecDeque::new(),
            closed: VecDeque::new(),
            acks: VecDeque::new(),
        }
    }

    fn put(&mut self, batch: Batch) -> Result<(), String> {
        let continued = batch.continued.ok_or("a batch that does not say where it stands")?;
        if continued.from != self.chain {
            return Err(format!("a batch on another head: event {}", continued.from.seq()));
        }
        self.chain = continued.to;
        self.events.extend(batch.events);
        self.outbox.extend(batch.outbox);
        self.inputs.extend(batch.inputs.iter().map(|row| row.id));
        for row in batch.closed {
            self.closed.retain(|(id, _)| *id != row.id);
            self.closed.push_back((row.id, row.state));
        }
        if let Some((seq, state)) = batch.snapshot {
            self.events.retain(|row| row.seq > seq);
            self.snapshot = Some((seq, state));
        }
        let known = self.acks.back().map_or(0, |(number, _)| *number);
        self.acks.extend(batch.acked.filter(|(number, _)| *number > known));
        while self.inputs.len() > INPUTS_KEPT {
            self.inputs.pop_front();
        }
        let acked = self.acks.back().map_or(0, |(number, _)| *number);
        while self.outbox.len() > ROWS_KEPT && self.outbox.front().is_some_and(|row| row.number <= acked) {
            self.outbox.pop_front();
        }
        while self.acks.len() > ROWS_KEPT {
            self.acks.pop_front();
        }
        while self.closed.len() > CLOSED_KEPT {
            self.closed.pop_front();
        }
        Ok(())
    }
}

impl Store for Memory {
    fn commit(&mut self, batch: Batch, failing: Failing) -> Result<bool, String> {
        match failing {
            Failing::Before => return Ok(false),
            Failing::Lies => return Ok(true),
            Failing::No | Failing::After => self.put(batch)?,
        }
        Ok(failing == Failing::No)
    }

    fn restore(&mut self) -> Restored {
        Restored {
            journal_id: JOURNAL,
            restored_from: None,
            format: 0,
            chain: self.chain.clone(),
            snapshot: self.snapshot.clone(),
            events_after: self.events.clone(),
            outbox_next: self.chain.newest_document() + 1,
        }
    }

    fn has(&self, input: Uuid) -> bool {
        self.inputs.contains(&input)
    }

    fn after(&self, number: u64, most: usize) -> Vec<OutboxRow> {
        let first = self.outbox.front().map_or(0, |row| row.number);
        let skip = usize::try_from((number + 1).saturating_sub(first)).unwrap_or(usize::MAX);
        self.outbox.iter().skip(skip).take(most).cloned().collect()
    }

    fn newest(&self) -> u64 {
        self.chain.newest_document()
    }

    fn resume(&self, again: Duration) -> (u64, u64) {
        let Some((acked, newest_ns)) = self.acks.back() else { return (0, 0) };
        let since_ns = newest_ns - i64::try_from(again.as_nanos()).expect("less than a century");
        let before = self.acks.iter().rev().find(|(_, at)| *at <= since_ns).map_or(0, |(number, _)| *number);
        (*acked, before.max(acked.saturating_sub(RECENT_MOST)))
    }

    fn closed(&self, id: Uuid) -> Option<String> {
        self.closed.iter().find(|(known, _)| *known == id).map(|(_, state)| state.clone())
    }

    fn cut(&mut self) {}

    fn verify(&self) -> Result<(), String> {
        Ok(())
    }
}

/// The journal itself, in a folder.
pub struct Disk {
    folder: PathBuf,
    /// Counts the cuts: each goes on in a copy, as the disk held it.
    cuts: u32,
    journal: Option<Journal>,
    runtime: tokio::runtime::Runtime,
    failing: Arc<AtomicU8>,
}

impl Disk {
    /// A new journal in a folder that is there.
    pub fn new(folder: &Path) -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
        let failing = Arc::new(AtomicU8::new(0));
        let mut disk = Self { folder: folder.to_owned(), cuts: 0, journal: None, runtime, failing };
        std::fs::create_dir_all(disk.place(0)).expect("a folder");
        disk.open();
        disk
    }

    fn place(&self, cut: u32) -> PathBuf {
        self.folder.join(cut.to_string())
    }

    fn path(&self) -> PathBuf {
        self.place(self.cuts).join("bench.journal")
    }

    fn open(&mut self) {
        let failing = self.failing.clone();
        let faults = move |point| match point {
            FaultPoint::BeforeCommit => failing.load(Ordering::SeqCst) == 1,
            FaultPoint::AfterCommit => failing.load(Ordering::SeqCst) == 2,
        };
        let with = OpenWith { fresh_id: JOURNAL, now_wall_ns: 0 };
        let opened = Journal::open_with_faults(&self.path(), &with, Box::new(faults));
        self.journal = Some(opened.expect("a journal that can be opened").0);
    }

    fn journal(&self) -> &Journal {
        self.journal.as_ref().expect("it is open")
    }

    fn ask<T>(&self, question: impl Future<Output = Result<T, JournalError>>) -> T {
        self.runtime.block_on(question).expect("a journal that answers")
    }
}

impl Store for Disk {
    fn commit(&mut self, batch: Batch, failing: Failing) -> Result<bool, String> {
        if failing == Failing::Lies {
            return Ok(true);
        }
        self.failing
            .store(u8::from(failing != Failing::No) + u8::from(failing == Failing::After), Ordering::SeqCst);
        let done = self.runtime.block_on(self.journal().commit(batch));
        self.failing.store(0, Ordering::SeqCst);
        match done {
            Ok(()) => Ok(true),
            Err(JournalError::Disk { .. }) => Ok(false),
            Err(other) => Err(format!("the journal refused what the station made: {other}")),
        }
    }

    fn restore(&mut self) -> Restored {
        self.ask(self.journal().reload())
    }

    fn has(&self, input: Uuid) -> bool {
        self.ask(self.journal().input(input)).is_some()
    }

    fn after(&self, number: u64, most: usize) -> Vec<OutboxRow> {
        let most = u32::try_from(most).unwrap_or(u32::MAX);
        self.ask(self.journal().outbox_from(number + 1, most))
    }

    fn newest(&self) -> u64 {
        *self.journal().newest_document().borrow()
    }

    fn resume(&self, again: Duration) -> (u64, u64) {
        self.ask(self.journal().resume_sending(again))
    }

    fn closed(&self, id: Uuid) -> Option<String> {
        self.ask(self.journal().closed(id)).map(|found| found.state)
    }

    /// The file and its log are copied as they lie there, and opened elsewhere.
    fn cut(&mut self) {
        let from = self.path();
        self.cuts += 1;
        std::fs::create_dir_all(self.place(self.cuts)).expect("a folder");
        for ending in ["", "-wal"] {
            let name = |path: &Path| PathBuf::from(format!("{}{ending}", path.display()));
            if name(&from).exists() {
                std::fs::copy(name(&from), name(&self.path())).expect("a copy");
            }
        }
        drop(self.journal.take());
        std::fs::remove_dir_all(self.place(self.cuts - 1)).expect("the old folder");
        self.open();
    }

    fn verify(&self) -> Result<(), String> {
        verify(&self.path()).map(drop).map_err(|fault| fault.to_string())
    }
}

/// When and how commits go wrong.
pub struct Trouble {
    chance: Chance,
    /// Commits that will still fail.
    left: u64,
    how: Failing,
}

impl Trouble {
    pub const fn new(chance: Chance) -> Self {
        Self { chance, left: 0, how: Failing::No }
    }

    /// How the next commit goes.
    pub fn next(&mut self) -> Failing {
        if self.left == 0 && self.chance.one_in(500) {
            self.left = 1 + self.chance.below(4);
        }
        if self.left == 0 {
            return Failing::No;
        }
        self.left -= 1;
        self.how = *self.chance.pick(&[Failing::Before, Failing::After]);
        self.how
    }
}
