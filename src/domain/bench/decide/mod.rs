//! From one input to events. Refusals are values; nothing here can fail.

mod act;
mod alarm;
mod check;
mod consumer;
mod equipment;
mod contact;
mod correct;
mod disk;
mod drying;
mod elsewhere;
mod instrument;
mod intake;
mod keeping;
mod late;
mod mark;
mod measure;
mod network;
mod note;
mod people;
mod place;
mod plan;
mod preparation;
mod quality;
mod reading;
mod review;
mod solution;
mod start;
mod trigger;
mod wait;
mod weigh;
mod weighing;

pub use correct::withdrawn_text;
pub use intake::ScanFound;
pub use mark::point_text;

use super::deadlines::Quiet;
use super::{Bench, Event, Input, Outcome, Refusal, What};
use crate::domain::moment::Moment;
use uuid::Uuid;

/// What one input led to. The events are applied already.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decision {
    /// What happened, in order.
    pub events: Vec<Event>,
    /// What to tell whoever sent the input.
    pub outcome: Outcome,
}

/// The bench while one input is decided: events are applied as they are emitted.
struct Deciding<'a> {
    bench: &'a mut Bench,
    input: &'a Input,
    events: Vec<Event>,
    made: u64,
    /// The balance that the act names, if it names one.
    balance: Option<String>,
    /// The act takes over a balance at which another person waits.
    take_over: bool,
}

impl Bench {
    /// Decides one input. Deadlines that have passed are decided first.
    ///
    /// A refusal emits no event of the act; what was due by the clock is emitted all the same.
    pub fn decide(&mut self, input: &Input) -> Decision {
        let events = Vec::new();
        let mut deciding = Deciding { bench: self, input, events, made: 0, balance: None, take_over: false };
        deciding.expire();
        deciding.watch_consumers();
        let outcome = match &input.what {
            What::Asked { key, what } => deciding.asked(*key, what),
            what => deciding.one(what),
        };
        Decision { events: deciding.events, outcome }
    }
}

impl Deciding<'_> {
    fn one(&mut self, what: &What) -> Outcome {
        match what {
            What::Started(started) => self.start(started),
            What::Act(act) => self.act(act),
            What::Consumer(from) => self.consumer(from),
            What::Trigger(trigger) => self.trigger(trigger),
            What::Instrument(report) => self.instrument(report),
            What::Switch(report) => self.switch(report),
            What::Network(report) => self.network(report),
            What::Disk(report) => self.disk(report),
            What::Removed(removal) => self.removed(removal),
            What::Recalled(closed) => self.recalled(closed),
            What::Deadline => Outcome::done(""),
            // Nobody makes one within another.
            What::Asked { what, .. } => self.one(what),
        }
    }

    fn emit(&mut self, event: Event) {
        if !event.leaves_deadlines() {
            self.bench.quiet = Quiet::default();
        }
        self.bench.apply(&event, &self.input.moment);
        self.events.push(event);
    }

    fn now(&self) -> &Moment {
        &self.input.moment
    }

    /// A fresh identity. The first is the input's own successor, so none equals the input's.
    fn fresh(&mut self) -> Uuid {
        self.made += 1;
        self.input.derived(self.made)
    }

    fn expire(&mut self) {
        if !matches!(self.input.what, What::Deadline) && self.bench.is_quiet(&self.input.moment) {
            return;
        }
        let mut made = self.made;
        let input = self.input;
        let due = self.bench.due_events(&input.moment, || {
            made += 1;
            input.derived(made)
        });
        self.made = made;
        for event in due {
            self.emit(event);
        }
    }
}

type Decided = Result<Outcome, Refusal>;

fn unknown(
    what: &'static str,
    name: impl std::fmt::Display,
    known: impl IntoIterator<Item = String>,
) -> Refusal {
    let known: Vec<String> = known.into_iter().take(12).collect();
    Refusal::Unknown { what, name: name.to_string(), known: known.join(", ") }
}
