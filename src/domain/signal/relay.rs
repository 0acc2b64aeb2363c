//! The relay in the shaker's circuit. It stops the machine at the end of the method's interval; it is
//! a convenience and no safety function.
//!
//! ```text
//!            a person's start, seen live and not long ago
//!   open ───────────────────────────────────────────────────▶ closed
//!    ▲    end of the interval · longest time · no stroke ·       │
//!    └──── the run was ended, changed or taken back ─────────────┘
//! ```
//!
//! A person's start is a press of a switch on a line of its own, stamped by the kernel, or the act on
//! the page where the settings say so. One run closes it once. What the bench knew when the program began closes it never.

use crate::domain::bench::Bench;
use crate::domain::method::{Edge, Machine};
use crate::domain::moment::{Moment, SECOND, Stamp};
use crate::domain::specimen::Marked;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// After closing, the first stroke must come within this time: a motor runs up (this project's own
/// judgement). Nanoseconds.
const FIRST_STROKE_NS: i64 = 3 * SECOND;
/// Without a stroke for this long the machine stands: at half its rate the next one would have come
/// (this project's own judgement). Nanoseconds.
const STROKE_NS: i64 = 3 * SECOND / 2;

/// What the settings allow.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rules {
    /// Switches with a line of their own: a press of one is a person's start at the bench.
    pub switches: BTreeSet<String>,
    /// An act on the page is a start too.
    pub by_page: bool,
    /// A start is good for so long, nanoseconds.
    pub start_ns: i64,
    /// It is never closed for longer, nanoseconds.
    pub longest_ns: i64,
    /// Strokes are told: without them it opens.
    pub watches_strokes: bool,
}

/// A run of the shaker as the bench has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Run {
    /// The cylinders in it, each with the begin of its first run; `None`: this is a further one.
    pub cylinders: BTreeMap<Uuid, Option<Begin>>,
    /// How long the method wants it, nanoseconds, the shortest of all; `None`: it does not say.
    pub lasts_ns: Option<i64>,
}

/// The begin of a run as it is marked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Begin {
    /// When, and by whom.
    pub marked: Marked,
    /// It came of a press that was kept, and given to the cylinder afterwards.
    pub given: bool,
}

impl Run {
    /// The run that is marked, if there is one.
    pub fn of(bench: &Bench) -> Option<Self> {
        let mut run: Option<Self> = None;
        for specimen in bench.specimens.values() {
            let Some((method, points)) = bench.rule(specimen) else { continue };
            if !specimen.is_in_machine(&points, Machine::Shaker) {
                continue;
            }
            let first =
                points.iter().position(|p| p.machine == Some(Machine::Shaker) && p.edge == Edge::Begin);
            let begin = first
                .filter(|_| specimen.further_runs.is_empty())
                .and_then(|index| specimen.points.get(index)?.clone())
                .map(|marked| Begin { given: specimen.given == Some(marked.moment), marked });
            let lasts = first.and_then(|index| {
                let timed = method.timed(points.get(index)?.step)?;
                let most = timed.max_ns.value;
                let wanted = timed.required_ns.value.or(timed.min_ns.value).or(most)?;
                Some(most.map_or(wanted, |most| wanted.min(most)))
            });
            let all = run.get_or_insert_with(|| Self { cylinders: BTreeMap::new(), lasts_ns: lasts });
            all.cylinders.insert(specimen.id, begin);
            all.lasts_ns = all.lasts_ns.zip(lasts).map(|(a, b)| a.min(b));
        }
        run
    }

    fn is_another_than(&self, old: &Self) -> bool {
        self.cylinders.keys().all(|id| !old.cylinders.contains_key(id))
    }
}

/// Why the relay is open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Why {
    /// No run was started since the program began.
    NotStarted,
    /// A run was marked, and this is why the relay did not close for it.
    NotFor(&'static str),
    /// The method's interval is over.
    Over,
    /// The longest time of the settings is over, which is shorter.
    Longest,
    /// The run was ended or taken back.
    Ended,
    /// The run is another than the one that it closed for: its begin was corrected, a cylinder was
    /// taken out of it, or one was put into it long after its start.
    Changed,
    /// The stroke switch told of no stroke.
    NoStroke,
    /// The program was held up, and the line opened by itself meanwhile.
    HeldUp,
    /// Its line cannot be used.
    NoLine,
}

impl Why {
    /// In words.
    pub const fn words(&self) -> &'static str {
        match self {
            Self::NotStarted => "nobody has started a run",
            Self::NotFor(why) => why,
            Self::Over => "the interval is over",
            Self::Longest => "the longest time of the settings is over",
            Self::Ended => "the run was ended or taken back",
            Self::Changed => "the run was changed while the machine ran",
            Self::NoStroke => "no stroke was seen: the machine stands, or its switch is out",
            Self::HeldUp => "the program was held up for a moment",
            Self::NoLine => "its line cannot be used",
        }
    }

    /// It opened before the end of the method's interval, and somebody must look.
    pub const fn is_early(&self) -> bool {
        matches!(self, Self::Longest | Self::Changed | Self::NoStroke | Self::HeldUp)
    }

    /// It opened by itself while a run was marked: the bench is to know when. What a line that is gone
    /// did to its relay nobody knows.
    pub const fn ends_the_run(&self) -> bool {
        matches!(self, Self::Over) || self.is_early()
    }
}

/// The relay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Relay {
    rules: Rules,
    state: State,
    /// Its line can be used.
    usable: bool,
    known: Known,
}

/// What the bench showed last.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Known {
    /// It has shown nothing yet.
    Nothing,
    /// This run, or none.
    Run(Option<Run>),
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum State {
    /// Open, and since when on the boot clock, where it has been closed before.
    Open(Why, Option<i64>),
    Closed(Closed),
}

/// It is closed. Instants are nanoseconds on the boot clock of `boot`.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Closed {
    boot: Uuid,
    since_ns: i64,
    /// The begin of the run.
    begin_ns: i64,
    ends_ns: i64,
    why_then: Why,
    stroke_ns: Option<i64>,
}

impl Relay {
    /// An open relay.
    pub const fn new(rules: Rules) -> Self {
        Self { rules, state: State::Open(Why::NotStarted, None), usable: false, known: Known::Nothing }
    }

    /// The bench shows this run, or none.
    pub fn seen(&mut self, run: Option<Run>, now: &Moment) {
        self.passed(now);
        let Known::Run(before) = std::mem::replace(&mut self.known, Known::Run(run.clone())) else {
            // What was marked before the program began is nobody's start now.
            return;
        };
        if before == run {
            return;
        }
        match (&self.state, run) {
            (State::Closed(_), None) => self.state = State::Open(Why::Ended, Some(now.boot_ns)),
            (State::Closed(closed), Some(run)) => {
                let joined = before.as_ref().and_then(|old| self.joined(closed, old, &run, now));
                self.state = joined.unwrap_or(State::Open(Why::Changed, Some(now.boot_ns)));
            }
            // A run whose time was corrected, or that a cylinder left, is no new one.
            (State::Open(..), Some(run)) if before.as_ref().is_none_or(|old| run.is_another_than(old)) => {
                self.state = match self.start(&run, now) {
                    Ok(closed) => closed,
                    Err(why) => State::Open(Why::NotFor(why), None),
                };
            }
            (State::Open(..), _) => {}
        }
    }

    /// The run is the same one with a cylinder more, and that was started as soon as the first: one
    /// person fills the machine and marks one cylinder after the other. It ends with the first.
    fn joined(&self, closed: &Closed, old: &Run, run: &Run, now: &Moment) -> Option<State> {
        let stays = old.cylinders.iter().all(|(id, begin)| run.cylinders.get(id) == Some(begin));
        let mut new = run.cylinders.iter().filter(|(id, _)| !old.cylinders.contains_key(id));
        let with_the_first = |begin: &Option<Begin>| {
            let begin = self.begin_of(begin.as_ref(), now).ok();
            begin.is_some_and(|ns| ns.saturating_sub(closed.begin_ns) <= self.rules.start_ns)
        };
        if !stays || !new.all(|(_, begin)| with_the_first(begin)) {
            return None;
        }
        let (ends_ns, why_then) = self.ends(closed.begin_ns, run.lasts_ns?);
        Some(State::Closed(Closed { ends_ns, why_then, ..closed.clone() }))
    }

    fn start(&self, run: &Run, now: &Moment) -> Result<State, &'static str> {
        let begins = run.cylinders.values().map(|begin| self.begin_of(begin.as_ref(), now));
        let begins: Vec<i64> = begins.collect::<Result<_, _>>()?;
        let begin_ns = begins.into_iter().min().ok_or("it has no cylinder")?;
        if !self.usable {
            return Err("its line cannot be used");
        }
        let (ends_ns, why_then) = self.ends(begin_ns, run.lasts_ns.ok_or("the method says no time for it")?);
        let (boot, since_ns) = (now.boot, now.boot_ns);
        Ok(State::Closed(Closed { boot, since_ns, begin_ns, ends_ns, why_then, stroke_ns: None }))
    }

    /// The instant of a person's start just now, on the boot clock; else why the begin is none.
    fn begin_of(&self, begin: Option<&Begin>, now: &Moment) -> Result<i64, &'static str> {
        let Begin { marked, given } = begin.ok_or("it is a further run")?;
        let moment = &marked.moment;
        if moment.stamp == Stamp::Entered || moment.boot != now.boot {
            return Err("its begin was stated afterwards");
        }
        if *given {
            return Err("its press was kept, and given to the cylinder afterwards");
        }
        let via = &marked.by.via;
        // Only the kernel stamps what happens on a line; a message is stamped when it arrives.
        let local = moment.stamp == Stamp::Kernel
            && via.strip_prefix("trigger ").is_some_and(|name| self.rules.switches.contains(name));
        let by_page = self.rules.by_page && via == "page";
        if !(local || by_page) {
            return Err("nobody started it at the bench");
        }
        if !(0..=self.rules.start_ns).contains(&now.since(moment).ns) {
            return Err("its start is too long ago");
        }
        Ok(moment.boot_ns)
    }

    /// When a run that began then is over, and why.
    fn ends(&self, begin_ns: i64, lasts_ns: i64) -> (i64, Why) {
        let why = if lasts_ns > self.rules.longest_ns { Why::Longest } else { Why::Over };
        (begin_ns.saturating_add(lasts_ns.min(self.rules.longest_ns)), why)
    }

    /// Its line opened by itself at this instant of the boot clock, because no order came in time.
    pub fn let_go(&mut self, at_ns: i64) {
        match &self.state {
            // An order of the run before it ran out.
            State::Closed(closed) if at_ns < closed.since_ns => {}
            State::Closed(_) => {
                self.reached(at_ns);
                if self.is_closed() {
                    self.state = State::Open(Why::HeldUp, Some(at_ns));
                }
            }
            State::Open(..) => {}
        }
    }

    /// Its line can be used from now on, or no more.
    pub fn line(&mut self, usable: bool) {
        self.usable = usable;
        if !usable {
            self.state = State::Open(Why::NoLine, None);
        }
    }

    /// The stroke switch told of a stroke.
    pub fn stroke(&mut self, at: &Moment) {
        if let State::Closed(closed) = &mut self.state
            && at.boot_ns > closed.since_ns
        {
            closed.stroke_ns = closed.stroke_ns.max(Some(at.boot_ns));
        }
    }

    /// Time has passed.
    pub fn passed(&mut self, now: &Moment) {
        let State::Closed(closed) = &self.state else { return };
        if closed.boot == now.boot {
            self.reached(now.boot_ns);
        } else {
            self.state = State::Open(Why::HeldUp, None);
        }
    }

    /// Opens at the first of its limits, if that has come by an instant of the boot clock.
    fn reached(&mut self, by_ns: i64) {
        if let Some((at_ns, why)) = self.limit().filter(|(at_ns, _)| *at_ns <= by_ns) {
            self.state = State::Open(why, Some(at_ns));
        }
    }

    /// When it opens if nothing else comes, on the boot clock, and why.
    fn limit(&self) -> Option<(i64, Why)> {
        let State::Closed(closed) = &self.state else { return None };
        let no_stroke_ns = match closed.stroke_ns {
            Some(last) => last.saturating_add(STROKE_NS),
            None => closed.since_ns.saturating_add(FIRST_STROKE_NS),
        };
        if self.rules.watches_strokes && no_stroke_ns < closed.ends_ns {
            Some((no_stroke_ns, Why::NoStroke))
        } else {
            Some((closed.ends_ns, closed.why_then.clone()))
        }
    }

    /// It is closed.
    pub const fn is_closed(&self) -> bool {
        matches!(self.state, State::Closed(_))
    }

    /// When it opens if nothing else comes, on the boot clock.
    pub fn opens_at(&self) -> Option<i64> {
        self.limit().map(|(at_ns, _)| at_ns)
    }

    /// When it opened, on the boot clock, where that is known.
    pub const fn opened_at(&self) -> Option<i64> {
        match &self.state {
            State::Open(_, at_ns) => *at_ns,
            State::Closed(_) => None,
        }
    }

    /// Why it is open; `None`: it is closed.
    pub const fn why(&self) -> Option<&Why> {
        match &self.state {
            State::Open(why, _) => Some(why),
            State::Closed(_) => None,
        }
    }
}

#[cfg(test)]
#[path = "test/relay.rs"]
mod test;
