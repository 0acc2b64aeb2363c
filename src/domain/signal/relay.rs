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
//! One run closes it once. What the bench knew when the program began closes it never.

use crate::domain::bench::Bench;
use crate::domain::method::{Edge, Machine};
use crate::domain::moment::{Moment, SECOND, Stamp};
use crate::domain::specimen::By;
use std::collections::BTreeSet;
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
    /// The specimens in it.
    pub specimens: BTreeSet<Uuid>,
    /// When it began, and by whom; `None`: they began apart.
    pub begin: Option<(Moment, By)>,
    /// How long the method wants it, nanoseconds, the shortest of all; `None`: it does not say, or this
    /// is a further run.
    pub lasts_ns: Option<i64>,
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
                .map(|marked| (marked.moment, marked.by));
            let lasts = first.and_then(|index| {
                let timed = method.timed(points.get(index)?.step)?;
                let most = timed.max_ns.value;
                let wanted = timed.required_ns.value.or(timed.min_ns.value).or(most)?;
                Some(most.map_or(wanted, |most| wanted.min(most)))
            });
            run = Some(match run {
                None => Self { specimens: BTreeSet::from([specimen.id]), begin, lasts_ns: lasts },
                Some(mut all) => {
                    all.specimens.insert(specimen.id);
                    all.begin = all.begin.filter(|same| begin.as_ref() == Some(same));
                    all.lasts_ns = all.lasts_ns.zip(lasts).map(|(a, b)| a.min(b));
                    all
                }
            });
        }
        run
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
    /// The run was ended, changed or taken back.
    Ended,
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
            Self::NoStroke => "no stroke was seen: the machine stands, or its switch is out",
            Self::HeldUp => "the program was held up for a moment",
            Self::NoLine => "its line cannot be used",
        }
    }

    /// It opened before the end of the method's interval, and somebody must look.
    pub const fn is_early(&self) -> bool {
        matches!(self, Self::Longest | Self::NoStroke | Self::HeldUp)
    }

    /// It opened by itself while the run went on: the bench is to know when. What a line that is gone
    /// did to its relay nobody knows.
    pub const fn ends_the_run(&self) -> bool {
        matches!(self, Self::Over | Self::Longest | Self::NoStroke | Self::HeldUp)
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

/// What was seen last.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Known {
    /// The bench has not been looked at yet.
    Nothing,
    /// This run, or none.
    Bench(Option<Run>),
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum State {
    Open(Why),
    Closed { boot: Uuid, since_ns: i64, ends_ns: i64, why_then: Why, stroke_ns: Option<i64> },
}

impl Relay {
    /// An open relay.
    pub const fn new(rules: Rules) -> Self {
        Self { rules, state: State::Open(Why::NotStarted), usable: false, known: Known::Nothing }
    }

    /// The bench shows this run, or none.
    pub fn seen(&mut self, run: Option<Run>, now: &Moment) {
        self.passed(now);
        let Known::Bench(before) = std::mem::replace(&mut self.known, Known::Bench(run.clone())) else {
            // What was marked before the program began is nobody's start now.
            return;
        };
        if before == run {
            return;
        }
        if self.is_closed() {
            self.state = State::Open(Why::Ended);
            return;
        }
        // A run whose time was corrected, or that a cylinder left, is no new one.
        let new = run.filter(|run| before.is_none_or(|old| run.specimens.is_disjoint(&old.specimens)));
        if let Some(run) = new {
            self.state = match self.start(&run, now) {
                Ok(closed) => closed,
                Err(why) => State::Open(Why::NotFor(why)),
            };
        }
    }

    fn start(&self, run: &Run, now: &Moment) -> Result<State, &'static str> {
        let (begin, by) = run.begin.as_ref().ok_or("it is a further run, or its cylinders began apart")?;
        if begin.stamp == Stamp::Entered || begin.boot != now.boot {
            return Err("its begin was stated afterwards");
        }
        let local = by.via.strip_prefix("trigger ").is_some_and(|name| self.rules.switches.contains(name));
        let on_page = self.rules.by_page && by.via == "page";
        if !(local || on_page) {
            return Err("nobody started it at the bench");
        }
        let age_ns = now.since(begin).ns;
        if !(0..=self.rules.start_ns).contains(&age_ns) {
            return Err("its start is too long ago");
        }
        if !self.usable {
            return Err("its line cannot be used");
        }
        let lasts_ns = run.lasts_ns.ok_or("the method says no time for it")?;
        let (lasts_ns, why_then) = if lasts_ns > self.rules.longest_ns {
            (self.rules.longest_ns, Why::Longest)
        } else {
            (lasts_ns, Why::Over)
        };
        let ends_ns = begin.boot_ns.saturating_add(lasts_ns);
        Ok(State::Closed { boot: now.boot, since_ns: now.boot_ns, ends_ns, why_then, stroke_ns: None })
    }

    /// Its line opened by itself, because no order came in time.
    pub fn let_go(&mut self) {
        if self.is_closed() {
            self.state = State::Open(Why::HeldUp);
        }
    }

    /// Its line can be used from now on, or no more.
    pub fn line(&mut self, usable: bool) {
        self.usable = usable;
        if !usable {
            self.state = State::Open(Why::NoLine);
        }
    }

    /// The stroke switch told of a stroke.
    pub fn stroke(&mut self, at: &Moment) {
        if let State::Closed { since_ns, stroke_ns, .. } = &mut self.state
            && at.boot_ns > *since_ns
        {
            *stroke_ns = (*stroke_ns).max(Some(at.boot_ns));
        }
    }

    /// Time has passed.
    pub fn passed(&mut self, now: &Moment) {
        let State::Closed { boot, ends_ns, why_then, .. } = &self.state else { return };
        if *boot != now.boot || now.boot_ns >= *ends_ns {
            self.state = State::Open(why_then.clone());
        } else if self.stroke_missing_at().is_some_and(|at| now.boot_ns >= at) {
            self.state = State::Open(Why::NoStroke);
        }
    }

    fn stroke_missing_at(&self) -> Option<i64> {
        let State::Closed { since_ns, stroke_ns, .. } = &self.state else { return None };
        self.rules.watches_strokes.then(|| match stroke_ns {
            Some(last) => last.saturating_add(STROKE_NS),
            None => since_ns.saturating_add(FIRST_STROKE_NS),
        })
    }

    /// It is closed.
    pub const fn is_closed(&self) -> bool {
        matches!(self.state, State::Closed { .. })
    }

    /// When it opens if nothing else comes, on the boot clock.
    pub fn opens_at(&self) -> Option<i64> {
        let State::Closed { ends_ns, .. } = &self.state else { return None };
        Some(self.stroke_missing_at().map_or(*ends_ns, |at| at.min(*ends_ns)))
    }

    /// Why it is open; `None`: it is closed.
    pub const fn why(&self) -> Option<&Why> {
        match &self.state {
            State::Open(why) => Some(why),
            State::Closed { .. } => None,
        }
    }
}

#[cfg(test)]
#[path = "test/relay.rs"]
mod test;
