//! A thread that holds lines. Each order ends by itself, so that a line is never on because nobody was
//! left to switch it off while the rest of the program hangs. A panic ends the whole program in the
//! release build, this thread with it: what a line does then is the kernel's and the chip's.

use super::OutputReport;
use crate::domain::moment::Moment;
use crate::settings::model::OutputLine;
use std::collections::BTreeMap;
use std::fmt::Debug;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::mpsc::UnboundedSender;
use tokio::time::Instant;

/// First wait before a line is looked for again; it doubles up to [`LONGEST_WAIT`].
const FIRST_WAIT: Duration = Duration::from_millis(250);
/// Longest wait before a line is looked for again.
const LONGEST_WAIT: Duration = Duration::from_secs(5);
/// How often a line is written anew: shows that its chip is still there, and puts right what another
/// program or a disturbance did to the chip.
const WRITTEN_ANEW: Duration = Duration::from_secs(1);

/// Where lines come from. Every call may block for as long as a chip's bus takes.
pub trait Chips: Send + Sync + Debug {
    /// Takes a line for output, off.
    ///
    /// # Errors
    /// What is wrong, and what helps.
    fn open(&self, line: &OutputLine) -> Result<Box<dyn Line>, String>;
}

/// A line that was taken. It is off when it is dropped, as far as its chip does that.
pub trait Line: Send {
    /// Switches it.
    ///
    /// # Errors
    /// What is wrong; the line is gone then.
    fn set(&mut self, on: bool) -> Result<(), String>;
}

/// How often a line is written off before it is given up, and how long after each try.
const OFF_TRIES: u32 = 4;
const OFF_PAUSE: Duration = Duration::from_millis(20);

/// A line that is written off when it is let go of, whatever led there.
pub struct Guarded {
    name: String,
    line: Box<dyn Line>,
    /// It was on, or a write failed that may have switched it on.
    may_be_on: bool,
}

impl Guarded {
    /// Guards a line that was just taken, and is off.
    pub fn new(name: &str, line: Box<dyn Line>) -> Self {
        Self { name: name.to_owned(), line, may_be_on: false }
    }

    /// Switches it.
    ///
    /// # Errors
    /// As [`Line::set`].
    pub fn set(&mut self, on: bool) -> Result<(), String> {
        self.may_be_on |= on;
        self.line.set(on)?;
        self.may_be_on = on;
        Ok(())
    }
}

impl Drop for Guarded {
    fn drop(&mut self) {
        let mut told = None;
        for _ in 0..OFF_TRIES {
            match self.line.set(false) {
                Ok(()) => return,
                Err(why) => told = Some(why),
            }
            // A bus that was busy may be free by then; no trial lasts for long.
            std::thread::sleep(OFF_PAUSE);
        }
        if let Some(why) = told.filter(|_| self.may_be_on) {
            let name = &self.name;
            tracing::error!("{name}: its line could not be switched off and may still be on: {why}");
        }
    }
}

/// Until when a line is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Until {
    /// For the thread that holds it.
    pub(super) at: Instant,
    /// The same instant for the record, nanoseconds on the boot clock.
    pub(super) boot_ns: i64,
}

impl Until {
    /// Some time after an instant that is known on both clocks.
    pub(super) fn after(time: Duration, now: &Moment, instant: Instant) -> Self {
        let ns = i64::try_from(time.as_nanos()).unwrap_or(i64::MAX);
        Self { at: instant + time, boot_ns: now.boot_ns.saturating_add(ns) }
    }
}

/// What a line is to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Order {
    /// Which.
    pub(super) output: String,
    /// On until then; `None`: off.
    pub(super) until: Option<Until>,
}

/// What an order that ran out leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum End {
    /// The next order counts: a lamp.
    Goes,
    /// Nothing but an order for off counts: what moves a machine never starts again by itself, after
    /// the program was held up for a while.
    Stays,
}

/// The thread that holds some lines.
#[derive(Debug)]
pub(super) struct Holder {
    orders: Sender<Order>,
    thread: Option<JoinHandle<()>>,
}

impl Holder {
    /// Holds these lines, and says which of them can be used.
    pub(super) fn spawn(
        lines: BTreeMap<String, OutputLine>,
        end: End,
        chips: Arc<dyn Chips>,
        reports: UnboundedSender<OutputReport>,
    ) -> Self {
        let (orders, received) = channel();
        let idle = lines.is_empty();
        let work = move || Thread { held: held(lines), end, chips, reports }.run(&received);
        let thread = (!idle).then(|| std::thread::Builder::new().name("outputs".to_owned()).spawn(work));
        let thread = thread.and_then(|spawned| {
            spawned.inspect_err(|error| tracing::error!("the outputs have no thread: {error}")).ok()
        });
        Self { orders, thread }
    }

    /// Gives an order. Without a thread there is no line that could be on.
    pub(super) fn order(&self, order: Order) {
        let _ = self.orders.send(order);
    }

    /// Switches everything off and waits for it.
    pub(super) fn end(self) {
        drop(self.orders);
        if let Some(thread) = self.thread {
            let _ = thread.join();
        }
    }
}

fn held(lines: BTreeMap<String, OutputLine>) -> BTreeMap<String, Held> {
    let now = Instant::now();
    let new = |settings| Held {
        settings,
        line: None,
        is_on: None,
        until: None,
        let_go: false,
        said: None,
        look_at: now,
        wait: FIRST_WAIT,
    };
    lines.into_iter().map(|(name, settings)| (name, new(settings))).collect()
}

/// One line.
struct Held {
    settings: OutputLine,
    line: Option<Guarded>,
    /// What was written last.
    is_on: Option<bool>,
    until: Option<Until>,
    /// Its order ran out, or its line went away, and no order for off has come since.
    let_go: bool,
    said: Option<String>,
    /// When it is looked for, or written anew.
    look_at: Instant,
    wait: Duration,
}

struct Thread {
    held: BTreeMap<String, Held>,
    end: End,
    chips: Arc<dyn Chips>,
    reports: UnboundedSender<OutputReport>,
}

impl Thread {
    fn run(mut self, orders: &Receiver<Order>) {
        loop {
            let now = Instant::now();
            for (name, held) in &mut self.held {
                if let Some(report) = held.attend(name, self.chips.as_ref(), now) {
                    // Whoever listened may have ended; the lines are held all the same.
                    let _ = self.reports.send(report);
                }
            }
            let next = self.held.values().map(Held::next).min();
            let wait = next.map_or(LONGEST_WAIT, |next| next.saturating_duration_since(Instant::now()));
            match orders.recv_timeout(wait) {
                Ok(order) => self.take(order),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            // Orders that were given together are carried out together.
            while let Ok(order) = orders.try_recv() {
                self.take(order);
            }
        }
        // Each line is written off as it is dropped.
        drop(self.held);
    }

    fn take(&mut self, order: Order) {
        if let Some(held) = self.held.get_mut(&order.output) {
            held.let_go &= order.until.is_some();
            // A line that cannot be used forgets what it was to do: it comes back off.
            let counts = held.line.is_some() && !(held.let_go && self.end == End::Stays);
            held.until = order.until.filter(|_| counts);
        }
    }
}

impl Held {
    /// Opens, writes, or looks again; gives what is new.
    fn attend(&mut self, name: &str, chips: &dyn Chips, now: Instant) -> Option<OutputReport> {
        let looks = now >= self.look_at;
        let Some(line) = &mut self.line else {
            return looks.then(|| self.open(name, chips, now)).flatten();
        };
        let on = self.until.is_some_and(|until| now < until.at);
        if self.is_on == Some(on) && !looks {
            return None;
        }
        match line.set(on) {
            Ok(()) => {
                let ran_out = self.until.filter(|_| !on && self.is_on == Some(true));
                self.is_on = Some(on);
                self.look_at = now + WRITTEN_ANEW;
                self.let_go |= ran_out.is_some();
                ran_out.map(|until| OutputReport::LetGo { name: name.to_owned(), at_ns: until.boot_ns })
            }
            Err(why) => {
                // Dropped here, and written off as far as it can be.
                (self.line, self.until, self.is_on, self.wait) = (None, None, None, FIRST_WAIT);
                self.let_go = true;
                self.look_at = now + self.wait;
                self.gone(name, format!("the line is gone: {why}"))
            }
        }
    }

    fn open(&mut self, name: &str, chips: &dyn Chips, now: Instant) -> Option<OutputReport> {
        match chips.open(&self.settings) {
            Ok(line) => {
                (self.line, self.is_on, self.said) = (Some(Guarded::new(name, line)), Some(false), None);
                self.look_at = now + WRITTEN_ANEW;
                Some(OutputReport::Open { name: name.to_owned() })
            }
            Err(why) => {
                self.look_at = now + self.wait;
                self.wait = (self.wait * 2).min(LONGEST_WAIT);
                self.gone(name, why)
            }
        }
    }

    fn gone(&mut self, name: &str, why: String) -> Option<OutputReport> {
        let news = self.said.as_ref() != Some(&why);
        self.said = Some(why.clone());
        news.then(|| OutputReport::Gone { name: name.to_owned(), why })
    }

    fn next(&self) -> Instant {
        let off_at = self.until.filter(|_| self.is_on == Some(true));
        off_at.map_or(self.look_at, |until| until.at.min(self.look_at))
    }
}
