//! The way of one sample from the bag to its tins, as the model knows it: what was entered, and how
//! that stands.

use super::book::Book;
use super::oven::{Load, Masses, Oven, last};
use super::route::{Kind, Route};
use super::vial::{age, between};
use rust_decimal::Decimal;
use std::rc::Rc;
use stillstand::domain::moment::Moment;
use stillstand::domain::preparation::Finding;
use uuid::Uuid;

/// What was entered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Noted {
    Done(String),
    Skipped(String),
    Cast(Finding),
    Mixed,
    Filled(u32),
    Began(u32),
    /// A temperature of the oven, in ninths of a degree Celsius, which Fahrenheit has exactly.
    Oven(u32, Decimal),
    Cooled(u32),
    Stopped(u32),
}

/// An entry.
#[derive(Debug, Clone)]
pub struct Entry {
    pub what: Noted,
    pub at: Moment,
    pub taken_back: bool,
}

/// A tin.
#[derive(Debug, Clone, Default)]
pub struct Tin {
    pub mark: Option<String>,
    pub empty: Masses,
    pub vial: Option<Uuid>,
}

/// The way.
#[derive(Debug, Clone)]
pub struct Way {
    pub book: Rc<Book>,
    pub route: Route,
    pub chosen: Moment,
    pub entries: Vec<Entry>,
    pub tins: Vec<Tin>,
    pub loads: Vec<Load>,
    /// The tempering whose end was announced.
    pub announced: Option<Moment>,
    /// Planted: a further change of the moisture does not begin the tempering anew.
    pub never_anew: bool,
    /// Planted: a change is taken of the later mass.
    pub wrongly: bool,
}

/// How far a way is looked at.
#[derive(Debug, Clone, Copy)]
pub enum Until {
    /// All of it.
    Now,
    /// Up to this entry, in the order of entering.
    Entry(usize),
    /// Up to an instant.
    At(Moment),
}

/// How a step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stand {
    Open,
    Running,
    Done,
    Skipped,
    NotNeeded,
}

impl Stand {
    pub const fn is_complete(self) -> bool {
        matches!(self, Self::Done | Self::Skipped | Self::NotNeeded)
    }
}

/// What the casts say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moist {
    NotJudged,
    Right,
    Changing { over_wet: bool },
}

/// A cast after which nothing is changed.
pub fn is_right(finding: Finding) -> bool {
    finding == Finding::Good || finding == Finding::MoreFragile
}

/// Place of something that is numbered from 1.
pub fn at(number: u32) -> usize {
    usize::try_from(number).expect("a number").wrapping_sub(1)
}

/// Number of a place.
pub fn numbered(at: usize) -> u32 {
    u32::try_from(at + 1).expect("a number")
}

impl Way {
    pub fn new(book: Rc<Book>, route: Route, chosen: Moment, planted: (bool, bool)) -> Self {
        let (never_anew, wrongly) = planted;
        Self {
            book,
            route,
            chosen,
            entries: Vec::new(),
            tins: Vec::new(),
            loads: Vec::new(),
            announced: None,
            never_anew,
            wrongly,
        }
    }

    pub fn note(&mut self, what: Noted, at: Moment) {
        self.entries.push(Entry { what, at, taken_back: false });
    }

    /// Entries that stand, with their places.
    pub fn entries(&self, until: Until) -> Vec<(usize, &Entry)> {
        let known = |(place, entry): &(usize, &Entry)| {
            !entry.taken_back
                && match until {
                    Until::Now => true,
                    Until::Entry(last) => *place <= last,
                    Until::At(moment) => between(&entry.at, &moment).0 >= 0,
                }
        };
        self.entries.iter().enumerate().filter(known).collect()
    }

    pub fn last_entry(&self) -> Option<usize> {
        self.entries(Until::Now).last().map(|(place, _)| *place)
    }

    fn has(&self, until: Until, what: &Noted) -> bool {
        self.entries(until).iter().any(|(_, entry)| entry.what == *what)
    }

    pub fn is_skipped(&self, name: &str, until: Until) -> bool {
        self.has(until, &Noted::Skipped(name.to_owned()))
    }

    pub fn casts(&self, until: Until) -> Vec<(usize, Finding, Moment)> {
        let entries = self.entries(until);
        let cast = |(place, entry): (usize, &Entry)| match entry.what {
            Noted::Cast(finding) => Some((place, finding, entry.at)),
            _ => None,
        };
        entries.into_iter().filter_map(cast).collect()
    }

    pub fn moist(&self, until: Until) -> Moist {
        let mut moist = Moist::NotJudged;
        for (_, finding, _) in self.casts(until) {
            moist = match (finding, moist) {
                (Finding::Good | Finding::MoreFragile, _) => Moist::Right,
                (Finding::TooWet, _) | (Finding::AsFirm, Moist::Changing { over_wet: true }) => {
                    Moist::Changing { over_wet: true }
                }
                _ => Moist::Changing { over_wet: false },
            };
        }
        moist
    }

    /// The portion is covered since this cast: the first right one after a change.
    pub fn tempering(&self, until: Until) -> Option<(usize, Moment)> {
        let (mut changed, mut since) = (false, None);
        for (place, finding, at) in self.casts(until) {
            if !is_right(finding) {
                changed = true;
            } else if changed {
                changed = false;
                if since.is_none() || !self.never_anew {
                    since = Some((place, at));
                }
            }
        }
        since.filter(|_| self.moist(until) == Moist::Right)
    }

    /// Time from an instant until tempering is over.
    pub fn tempers_for(&self, since: &Moment, now: &Moment) -> i64 {
        self.book.tempering_ns.unwrap_or(0) - age(since, now)
    }

    /// It is tempering, and no tin was filled of it.
    pub fn is_tempering(&self, until: Until, now: &Moment) -> bool {
        let Some((cast, since)) = self.tempering(until) else { return false };
        let filled =
            |(place, entry): &(usize, &Entry)| *place > cast && matches!(entry.what, Noted::Filled(_));
        self.tempers_for(&since, now) > 0 && !self.entries(until).iter().any(filled)
    }

    /// It was mixed after the last cast and the last tin, up to an entry, which does not count.
    pub fn is_mixed(&self, before: usize) -> bool {
        let entries = self.entries(Until::Now);
        let last = entries
            .iter()
            .rev()
            .filter(|(place, _)| *place < before)
            .find(|(_, entry)| matches!(entry.what, Noted::Mixed | Noted::Filled(_) | Noted::Cast(_)));
        last.is_some_and(|(_, entry)| entry.what == Noted::Mixed)
    }

    /// The entry with which a tin was filled.
    pub fn filled(&self, tin: u32) -> Option<(usize, Moment)> {
        let entries = self.entries(Until::Now);
        let last = entries.iter().rev().find(|(_, entry)| entry.what == Noted::Filled(tin));
        last.map(|(place, entry)| (*place, entry.at))
    }

    pub fn tin(&self, number: u32) -> Option<&Tin> {
        self.tins.get(at(number))
    }

    /// Filled tins of which no specimen was made.
    pub fn ready(&self) -> Vec<u32> {
        let all = (0..self.tins.len()).map(numbered);
        all.filter(|tin| self.tins[at(*tin)].vial.is_none() && self.filled(*tin).is_some()).collect()
    }

    /// The tin of a specimen.
    pub fn tin_of(&self, vial: Uuid) -> Option<u32> {
        self.tins.iter().position(|tin| tin.vial == Some(vial)).map(numbered)
    }

    pub fn load_of(&self, tin: u32) -> Option<u32> {
        self.loads.iter().position(|load| load.tins.contains(&tin)).map(numbered)
    }

    pub fn oven(&self, load: u32) -> Option<Oven<'_>> {
        let empty = |tin: u32| self.tin(tin).and_then(|tin| last(&tin.empty)).copied();
        let load = self.loads.get(at(load))?;
        Some(Oven::of(load, empty, self.book.preparing.constancy, self.wrongly))
    }

    pub fn cooled(&self, load: u32, until: Until) -> Option<Moment> {
        let entries = self.entries(until);
        entries.iter().rev().find(|(_, e)| e.what == Noted::Cooled(load)).map(|(_, entry)| entry.at)
    }

    pub fn is_stopped(&self, load: u32, until: Until) -> bool {
        self.has(until, &Noted::Stopped(load))
    }

    pub fn is_out(&self, load: u32, until: Until) -> bool {
        let moment = if let Until::At(moment) = &until { Some(moment) } else { None };
        self.is_stopped(load, until) || self.oven(load).is_some_and(|oven| oven.is_constant(moment))
    }

    /// Nothing is to be done with a load any more.
    pub fn is_over(&self, load: u32, until: Until) -> bool {
        self.is_out(load, until) && (!self.route.cools() || self.cooled(load, until).is_some())
    }

    /// The tin that a new specimen is of: the first that is dried, or else the first.
    pub fn next_tin(&self) -> Option<u32> {
        let ready = self.ready();
        let dried = |tin: &&u32| self.load_of(**tin).is_some_and(|load| self.is_over(load, Until::Now));
        ready.iter().find(dried).or(ready.first()).copied()
    }

    /// All lists of its weighings.
    pub fn weighings(&mut self) -> Vec<&mut Masses> {
        let tins = self.tins.iter_mut().map(|tin| &mut tin.empty);
        let loads = self.loads.iter_mut().flat_map(|load| [&mut load.pan, &mut load.before, &mut load.dried]);
        tins.chain(loads).collect()
    }

    /// A weighing is none of this way; `true`: it was.
    pub fn forget(&mut self, id: Uuid) -> bool {
        let mut found = false;
        for list in self.weighings() {
            let before = list.len();
            list.retain(|(known, _)| *known != id);
            found |= list.len() < before;
        }
        for load in &mut self.loads {
            load.announced = load.announced.min(load.dried.len());
        }
        found
    }

    /// How a step stands. `weighed`: whether a mass of that name was there by then; `wanted`:
    /// specimens that the sample still wants, if that is known.
    pub fn stands(
        &self,
        stage: usize,
        (until, now): (Until, &Moment),
        weighed: &dyn Fn(&str) -> bool,
        wanted: Option<usize>,
    ) -> Stand {
        let stage = &self.route.stages[stage];
        if self.is_skipped(&stage.name, until) {
            return Stand::Skipped;
        }
        let done = |yes: bool| if yes { Stand::Done } else { Stand::Open };
        match &stage.kind {
            Kind::Done => done(self.has(until, &Noted::Done(stage.name.clone()))),
            Kind::Weigh(name) => done(weighed(name)),
            Kind::Cast => done(self.moist(until) == Moist::Right),
            Kind::Temper => {
                let cast = self.route.stages.iter().find(|stage| stage.kind == Kind::Cast);
                let judged = self.moist(until) == Moist::Right
                    || cast.is_some_and(|cast| self.is_skipped(&cast.name, until));
                match self.tempering(until) {
                    _ if !judged => Stand::Open,
                    None => Stand::NotNeeded,
                    Some(_) if self.is_tempering(until, now) => Stand::Running,
                    Some(_) => Stand::Done,
                }
            }
            Kind::Tins { .. } => {
                let any = self.entries(until).iter().any(|(_, e)| matches!(e.what, Noted::Filled(_)));
                match wanted {
                    Some(wanted) if wanted <= self.ready().len() && (any || wanted == 0) => Stand::Done,
                    _ if any => Stand::Running,
                    _ => Stand::Open,
                }
            }
            Kind::Dry { .. } => {
                done(self.loads.iter().enumerate().all(|(n, _)| self.is_over(numbered(n), until)))
            }
        }
    }
}
