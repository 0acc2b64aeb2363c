//! Where a sample stands on its course, and what may come next. Nothing here changes state.

use super::constant::minutes;
use super::course::{Course, Entered, Entry, Finding, MassOf};
use super::load::Drying;
use crate::domain::method::{CourseKind, CourseRule, CourseStep, Method};
use crate::domain::moment::Moment;
use crate::domain::quality::counting::replaced;
use crate::domain::specimen::Marked;
use crate::domain::specimen::sample::Sample;
use serde::Serialize;

/// A sample on its course, as it is known now or was known at an instant.
#[derive(Debug, Clone, Copy)]
pub struct OnCourse<'a> {
    /// What was entered.
    pub course: &'a Course,
    /// What the method says.
    pub rule: &'a CourseRule,
    /// The sample.
    pub sample: &'a Sample,
    /// Its method.
    pub method: &'a Method,
    until: Option<Moment>,
    /// The last entry that counts, by its place in the list.
    through: Option<usize>,
}

/// How a step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Nothing of it was entered.
    Open,
    /// Begun.
    Running,
    /// Done.
    Done,
    /// Skipped, with a reason.
    Skipped,
    /// There was no need for it.
    NotNeeded,
}

impl Standing {
    /// Nothing more is to be done.
    pub const fn is_complete(self) -> bool {
        matches!(self, Self::Done | Self::Skipped | Self::NotNeeded)
    }
}

/// What the casts say of the moisture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moisture<'a> {
    /// No cast was judged.
    NotJudged,
    /// It is right since then.
    Right(&'a Marked),
    /// It is being changed; another cast is to be judged.
    Changing {
        /// The material was too wet: only a cast more fragile than the first is accepted.
        over_wet: bool,
    },
}

/// The portion stands covered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tempering<'a> {
    /// Since then.
    pub since: &'a Marked,
    /// At least so long, nanoseconds; `None`: the method does not say.
    pub least_ns: Option<i64>,
}

impl Tempering<'_> {
    /// Time from now until it is over, nanoseconds; negative: since when it is. While the machine's clock has
    /// not been set since a restart, it counts from that restart, and rather waits for too long.
    pub fn waits_ns(&self, now: &Moment) -> i64 {
        self.least_ns.unwrap_or(0).saturating_sub(self.since.moment.age_seen_from(now))
    }
}

/// Something that can be done next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NextAct {
    /// Index of the step.
    pub step: usize,
    /// What kind of act.
    pub waits: Waits,
    /// In a few words.
    pub text: String,
    /// Time from now until it is possible, nanoseconds; not above 0: it is.
    pub opens_in_ns: i64,
}

/// What a course waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(tag = "for", rename_all = "kebab-case")]
pub enum Waits {
    /// A press.
    Done,
    /// A mass of the sample.
    Mass,
    /// A cast.
    Cast,
    /// The end of tempering.
    Tempering,
    /// The portion is mixed.
    Remix,
    /// A tin is filled.
    Fill,
    /// Tins go into the oven.
    BeginDrying,
    /// A mass of a load.
    LoadMass {
        /// Which.
        of: MassOf,
    },
    /// A load cools.
    Cool {
        /// The load.
        load: u32,
    },
}

impl<'a> OnCourse<'a> {
    /// A sample that follows a course of its method.
    pub fn of(sample: &'a Sample, method: &'a Method) -> Option<Self> {
        let course = sample.course.as_deref()?;
        Some(Self { course, rule: method.course(&course.name)?, sample, method, until: None, through: None })
    }

    /// As it was at an instant.
    #[must_use]
    pub const fn as_of(mut self, moment: Moment) -> Self {
        self.until = Some(moment);
        self
    }

    /// As it was when a tin was filled. What was entered before it had happened, whatever the wall clock
    /// said on another day; one that was not filled changes nothing.
    #[must_use]
    pub fn as_filled(mut self, tin: u32) -> Self {
        let is_it = |entry: &Entry| entry.taken_back.is_none() && entry.what == Entered::Filled { tin };
        self.through = self.course.entries.iter().rposition(is_it);
        self.until = self.through.and_then(|at| self.course.entries.get(at)).map(|entry| entry.marked.moment);
        self
    }

    /// Whether something had happened by then.
    pub(super) fn knows(&self, moment: &Moment) -> bool {
        self.until.is_none_or(|until| until.since(moment).ns >= 0)
    }

    /// Entries that stand, oldest first.
    pub(super) fn entries(&self) -> impl DoubleEndedIterator<Item = &'a Entry> + use<'a> {
        let on = *self;
        let known = move |(at, entry): &(usize, &Entry)| match on.through {
            Some(last) => *at <= last,
            None => on.knows(&entry.marked.moment),
        };
        let all = self.course.entries.iter().enumerate().filter(known);
        all.map(|(_, entry)| entry).filter(|entry| entry.taken_back.is_none())
    }

    /// When a step that is one press was done.
    pub fn done(&self, name: &str) -> Option<&'a Marked> {
        let this = |entry: &&Entry| matches!(&entry.what, Entered::Done { step } if step == name);
        self.entries().rev().find(this).map(|entry| &entry.marked)
    }

    /// Why a step was skipped, and by whom.
    pub fn skipped(&self, name: &str) -> Option<(&'a str, &'a Marked)> {
        self.entries().rev().find_map(|entry| match &entry.what {
            Entered::Skipped { step, reason } if step == name => Some((reason.as_str(), &entry.marked)),
            _ => None,
        })
    }

    /// The casts, oldest first.
    pub fn casts(&self) -> impl Iterator<Item = (Finding, Option<&'a str>, &'a Marked)> + use<'a> {
        self.entries().filter_map(|entry| match &entry.what {
            Entered::Cast { finding, changed } => Some((*finding, changed.as_deref(), &entry.marked)),
            _ => None,
        })
    }

    /// What the casts say.
    pub fn moisture(&self) -> Moisture<'a> {
        self.casts().fold(Moisture::NotJudged, |so_far, (finding, _, marked)| match finding {
            Finding::Good | Finding::MoreFragile => Moisture::Right(marked),
            // What crumbles is drier than it was when it was right: a good cast is one again.
            Finding::TooDry => Moisture::Changing { over_wet: false },
            Finding::TooWet => Moisture::Changing { over_wet: true },
            Finding::AsFirm => {
                Moisture::Changing { over_wet: matches!(so_far, Moisture::Changing { over_wet: true }) }
            }
        })
    }

    /// Instants from which the portion stood covered: each cast that was accepted after a change.
    fn temperings(&self) -> Vec<&'a Marked> {
        let (mut changed, mut found) = (false, Vec::new());
        for (finding, _, marked) in self.casts() {
            if !finding.is_accepted() {
                changed = true;
            } else if changed {
                found.push(marked);
                changed = false;
            }
        }
        found
    }

    /// The portion stands covered, or stood; `None`: its moisture was not changed, or is not right.
    pub fn tempering(&self) -> Option<Tempering<'a>> {
        let since = self.temperings().pop().filter(|_| matches!(self.moisture(), Moisture::Right(_)))?;
        Some(Tempering { since, least_ns: self.method.preparation.tempering_min_ns.value })
    }

    /// The tempering goes on at that instant, and no tin was filled meanwhile.
    pub fn is_tempering(&self, now: &Moment) -> Option<Tempering<'a>> {
        let tempering = self.tempering().filter(|tempering| tempering.waits_ns(now) > 0)?;
        let of_cast = |entry: &&Entry| !std::ptr::eq(&raw const entry.marked, tempering.since);
        let mut after = self.entries().skip_while(of_cast);
        (!after.any(|entry| matches!(entry.what, Entered::Filled { .. }))).then_some(tempering)
    }

    /// The portion was mixed after the last tin was filled and the moisture last judged.
    pub fn is_mixed(&self) -> bool {
        let last = self.entries().rev().find(|entry| {
            matches!(entry.what, Entered::Remixed | Entered::Filled { .. } | Entered::Cast { .. })
        });
        last.is_some_and(|entry| entry.what == Entered::Remixed)
    }

    /// Tins that were filled and of which no specimen was made yet.
    pub fn ready(&self) -> Vec<u32> {
        let waiting = self.course.numbered_tins().filter(|(_, tin)| tin.specimen.is_none());
        waiting.map(|(tin, _)| tin).filter(|tin| self.is_filled(*tin)).collect()
    }

    fn is_filled(&self, tin: u32) -> bool {
        self.entries().any(|entry| entry.what == Entered::Filled { tin })
    }

    /// Specimens that the sample still wants.
    pub fn remaining(&self) -> usize {
        let wanted = usize::try_from(self.sample.wanted()).unwrap_or(usize::MAX);
        let begun = match &self.sample.repeat {
            Some(repeat) => repeat.group.len(),
            None => usize::try_from(self.sample.standing()).unwrap_or(usize::MAX),
        };
        // One that another is run for does not count: its place in the plan is the other's.
        let replaced = usize::try_from(replaced(self.sample)).unwrap_or(usize::MAX);
        wanted.saturating_sub(begun.saturating_sub(replaced))
    }

    /// Tins that are still to be filled.
    pub fn to_fill(&self) -> usize {
        self.remaining().saturating_sub(self.ready().len())
    }

    /// A load of the oven as it stands.
    pub fn drying(&self, load: u32) -> Option<Drying<'a>> {
        Drying::of(self, load)
    }

    /// Whether tins must cool after drying.
    pub fn cools(&self) -> bool {
        self.rule.steps.iter().any(|step| matches!(step.kind, CourseKind::Dry { cooled: true }))
    }

    /// Tins that are ready and not in the oven yet.
    pub fn to_dry(&self) -> Vec<u32> {
        self.ready().into_iter().filter(|tin| self.course.load_of(*tin).is_none()).collect()
    }

    /// How a step stands at an instant.
    pub fn standing(&self, step: usize, now: &Moment) -> Standing {
        let Some(CourseStep { name, kind, .. }) = self.rule.steps.get(step) else { return Standing::Open };
        if self.skipped(name).is_some() {
            return Standing::Skipped;
        }
        let done = |yes: bool| if yes { Standing::Done } else { Standing::Open };
        match kind {
            CourseKind::Done { .. } => done(self.done(name).is_some()),
            CourseKind::Weigh { weighing } => {
                // One that was weighed again afterwards had been weighed.
                let earlier = self.sample.earlier_masses.iter().filter(|(name, _)| name == weighing);
                let mut all = self.sample.masses.get(weighing).into_iter().chain(earlier.map(|(_, w)| w));
                done(all.any(|w| self.knows(&w.moment)))
            }
            CourseKind::Cast => done(matches!(self.moisture(), Moisture::Right(_))),
            CourseKind::Temper => self.temper_stands(now),
            CourseKind::Tins { .. } => {
                let any = self.entries().any(|entry| matches!(entry.what, Entered::Filled { .. }));
                match self.to_fill() {
                    0 if any || self.remaining() == 0 => Standing::Done,
                    _ if any => Standing::Running,
                    _ => Standing::Open,
                }
            }
            CourseKind::Dry { cooled } => {
                let over = |load: Option<u32>| {
                    load.and_then(|load| self.drying(load)).is_some_and(|drying| drying.is_over(*cooled))
                };
                let ready = self.ready();
                let all = ready.iter().all(|tin| over(self.course.load_of(*tin)));
                match self.course.loads.is_empty() {
                    false if all && self.to_fill() == 0 => Standing::Done,
                    false => Standing::Running,
                    true => Standing::Open,
                }
            }
        }
    }

    fn temper_stands(&self, now: &Moment) -> Standing {
        let cast = self.rule.steps.iter().find(|step| step.kind == CourseKind::Cast);
        let judged = matches!(self.moisture(), Moisture::Right(_));
        if !judged && cast.is_none_or(|cast| self.skipped(&cast.name).is_none()) {
            return Standing::Open;
        }
        match (self.tempering(), self.is_tempering(now)) {
            (None, _) => Standing::NotNeeded,
            (Some(_), Some(_)) => Standing::Running,
            (Some(_), None) => Standing::Done,
        }
    }

    /// The first step before this one that must be done first.
    pub fn blocked_by(&self, step: usize, now: &Moment) -> Option<&'a CourseStep> {
        let before = self.rule.steps.iter().enumerate().take(step);
        let mut open = before.filter(|(at, step)| {
            let standing = self.standing(*at, now);
            // Tins may be tested one by one, and what is tempered too short is a deviation.
            let begun = standing == Standing::Running
                && matches!(step.kind, CourseKind::Tins { .. } | CourseKind::Temper);
            !standing.is_complete() && !begun
        });
        open.next().map(|(_, step)| step)
    }

    /// What can be done next, in order; empty once every specimen of the sample has its place.
    pub fn next(&self, now: &Moment) -> Vec<NextAct> {
        let mut acts = Vec::new();
        if self.sample.reported.is_some() || self.remaining() == 0 {
            return acts;
        }
        for (at, step) in self.rule.steps.iter().enumerate() {
            let standing = self.standing(at, now);
            if standing.is_complete() {
                continue;
            }
            self.next_of(at, step, now, &mut acts);
            if !(standing == Standing::Running && matches!(step.kind, CourseKind::Tins { .. })) {
                break;
            }
        }
        acts
    }

    fn next_of(&self, at: usize, step: &CourseStep, now: &Moment, acts: &mut Vec<NextAct>) {
        let mut add = |waits: Waits, text: String, opens_in_ns: i64| {
            acts.push(NextAct { step: at, waits, text, opens_in_ns });
        };
        match &step.kind {
            CourseKind::Done { .. } => add(Waits::Done, step.name.clone(), 0),
            CourseKind::Weigh { .. } => add(Waits::Mass, step.name.clone(), 0),
            CourseKind::Cast => add(Waits::Cast, "squeeze a cast".to_owned(), 0),
            CourseKind::Temper => {
                let waits = self.is_tempering(now).map_or(0, |tempering| tempering.waits_ns(now));
                add(Waits::Tempering, "tempering is over".to_owned(), waits);
            }
            CourseKind::Tins { remix, .. } => {
                let left = self.to_fill();
                if *remix && !self.is_mixed() {
                    add(Waits::Remix, "mix before the next tin".to_owned(), 0);
                } else {
                    add(Waits::Fill, format!("fill a tin, {left} to go"), 0);
                }
            }
            CourseKind::Dry { cooled } => {
                for (number, _) in self.course.numbered_loads() {
                    let Some(drying) = self.drying(number).filter(|drying| !drying.is_over(*cooled)) else {
                        continue;
                    };
                    if drying.is_out() {
                        add(Waits::Cool { load: number }, format!("drying {number}: cooled"), 0);
                    } else {
                        let of = drying.wants(number);
                        add(Waits::LoadMass { of }, format!("weigh {}", of.text()), drying.waits_ns(now));
                    }
                }
                if !self.to_dry().is_empty() {
                    add(Waits::BeginDrying, "tins into the oven".to_owned(), 0);
                }
            }
        }
    }

    /// What can be done next, in a sentence's part.
    pub fn possible_text(&self, now: &Moment) -> String {
        let acts = self.next(now);
        let one = |act: &NextAct| {
            if act.opens_in_ns > 0 {
                format!("{} (in {})", act.text, minutes(act.opens_in_ns))
            } else {
                act.text.clone()
            }
        };
        if acts.is_empty() {
            "nothing more".to_owned()
        } else {
            acts.iter().map(one).collect::<Vec<_>>().join("; ")
        }
    }
}
