//! What was corrected on a specimen: nothing is overwritten, the original stays beside the new.
//!
//! A correction names a person; its reason may follow later, and until then it is pending. What a
//! correction changes is derived anew (durations, deviations, the number), because all of that is
//! a function of the specimen. Only the temperature was counted while it was read: see
//! [`Specimen::watch_moved`].

use super::history::Happened;
use super::tally::Tally;
use super::{Marked, ReadingTaken, Specimen};
use crate::domain::method::{Level, Method, Point};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// Most corrections of one specimen: beyond, something else is wrong, and a record must stay
/// readable.
pub const MOST: usize = 100;

/// One correction.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Correction {
    /// Its identity: a reason that follows names it.
    pub id: Uuid,
    /// What was corrected, with the original.
    pub what: Corrected,
    /// When and by whom.
    pub marked: Marked,
    /// Why; `None`: pending.
    pub reason: Option<Reason>,
}

/// Why something was corrected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// In the person's words.
    pub text: String,
    /// When it was given and by whom.
    pub marked: Marked,
}

/// What was corrected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "corrected", rename_all = "kebab-case")]
pub enum Corrected {
    /// The last mark was taken back.
    Withdrawn {
        /// What it was.
        what: Withdrawn,
    },
    /// The time of a marked point was wrong.
    Time {
        /// Index of the method's point.
        point: usize,
        /// As it was marked.
        from: Marked,
        /// As it is stated now.
        to: Marked,
    },
    /// A level was entered wrongly.
    Reading {
        /// Which.
        of: Level,
        /// As it was entered, and as it is entered now.
        readings: Box<[ReadingTaken; 2]>,
    },
    /// The specimen was given up after its record was made.
    Void,
}

/// A mark that was taken back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "withdrawn", rename_all = "kebab-case")]
pub enum Withdrawn {
    /// An instant of the method.
    Point {
        /// Index of the method's point.
        point: usize,
        /// As it was marked.
        mark: Marked,
    },
    /// A level.
    Reading {
        /// Index of the method's point.
        point: usize,
        /// Which.
        of: Level,
        /// As it was entered.
        reading: ReadingTaken,
    },
    /// The begin of a further run.
    RunBegan {
        /// As it was marked.
        mark: Marked,
    },
    /// The end of a further run: it runs again.
    RunEnded {
        /// As it was marked.
        mark: Marked,
    },
    /// A 'no line yet'.
    NoLine {
        /// As it was said.
        mark: Marked,
    },
    /// It had been given up before it was complete.
    Void {
        /// As it was given up.
        mark: Marked,
        /// Why, as it was said then.
        because: String,
    },
}

impl Withdrawn {
    /// When and by whom it had been marked.
    pub fn marked(&self) -> Marked {
        match self {
            Self::Point { mark, .. }
            | Self::RunBegan { mark }
            | Self::RunEnded { mark }
            | Self::NoLine { mark }
            | Self::Void { mark, .. } => mark.clone(),
            Self::Reading { reading, .. } => Marked { moment: reading.moment, by: reading.by.clone() },
        }
    }
}

impl Specimen {
    /// The mark that would be taken back now: the last one that was made, in the order of acting
    /// (a time stated for a gap was made after what follows it).
    pub fn last_mark(&self) -> Option<Withdrawn> {
        match self.last_noted_mark()?.what {
            Happened::Marked { point } => {
                Some(Withdrawn::Point { point, mark: self.points.get(point)?.clone()? })
            }
            Happened::Read { point, of } => {
                Some(Withdrawn::Reading { point, of, reading: self.reading(of)?.clone() })
            }
            Happened::RunBegan => Some(Withdrawn::RunBegan { mark: self.further_runs.last()?.begin.clone() }),
            Happened::RunEnded => Some(Withdrawn::RunEnded { mark: self.further_runs.last()?.end.clone()? }),
            Happened::NoLine => Some(Withdrawn::NoLine { mark: self.no_line.last()?.clone() }),
            Happened::Voided => {
                let (because, mark) = self.voided.clone()?;
                Some(Withdrawn::Void { mark, because })
            }
            _ => None,
        }
    }

    /// The last mark that still stands, as the history has it.
    pub fn last_noted_mark(&self) -> Option<&super::history::Noted> {
        self.history.iter().rev().find(|noted| noted.what.is_mark() && !noted.withdrawn)
    }

    /// A level as it was entered or corrected last.
    pub const fn reading(&self, of: Level) -> Option<&ReadingTaken> {
        match of {
            Level::Clay => self.clay.as_ref(),
            Level::Sand => self.sand.as_ref(),
        }
    }

    /// Takes a mark back. The watch over the temperature is set as if it had never been made: what
    /// was counted from a begin that was none is not counted; an end that was none leaves no hole.
    pub fn take_back(&mut self, what: &Withdrawn, method: &Method, points: &[Point]) {
        if let Some(noted) = self.history.iter_mut().rev().find(|n| n.what.is_mark() && !n.withdrawn) {
            noted.withdrawn = true;
        }
        match what {
            Withdrawn::Point { point, .. } => self.unmark(*point),
            Withdrawn::Reading { point, of, .. } => {
                self.unmark(*point);
                match of {
                    Level::Clay => self.clay = None,
                    Level::Sand => self.sand = None,
                }
            }
            Withdrawn::RunBegan { .. } => {
                self.further_runs.pop();
                // Without a further run there was no interruption to be judged.
                if self.further_runs.is_empty() {
                    self.interruption = None;
                }
            }
            Withdrawn::RunEnded { .. } => {
                if let Some(run) = self.further_runs.last_mut() {
                    run.end = None;
                }
            }
            Withdrawn::NoLine { .. } => drop(self.no_line.pop()),
            Withdrawn::Void { .. } => self.voided = None,
        }
        self.announced = None;
        match what {
            Withdrawn::Point { point, .. } | Withdrawn::Reading { point, .. } => {
                self.rewatch(*point, method, points);
            }
            Withdrawn::Void { .. } => {
                let to = method.step_index(&method.temperature.to);
                let closing = points.iter().position(|p| Some(p.step) == to);
                self.rewatch(closing.unwrap_or(usize::MAX), method, points);
            }
            _ => {}
        }
    }

    /// A temperature that is read now counts for it: while it is watched, and for as long as the end
    /// of the watch can be taken back.
    pub fn counts_temperatures(&self) -> bool {
        self.tally.is_open() || self.going_on.is_some()
    }

    fn unmark(&mut self, point: usize) {
        if let Some(slot) = self.points.get_mut(point) {
            *slot = None;
        }
    }

    /// Opens or forgets the watch after a point was taken back.
    fn rewatch(&mut self, point: usize, method: &Method, points: &[Point]) {
        let Some(step) = points.get(point).map(|p| p.step) else { return };
        let still = points.iter().zip(&self.points).any(|(p, marked)| p.step == step && marked.is_some());
        if still {
            return;
        }
        if method.step_index(&method.temperature.from) == Some(step) {
            self.tally = Tally::default();
            self.going_on = None;
        } else if method.step_index(&method.temperature.to) == Some(step)
            && let Some(going_on) = self.going_on.take()
        {
            self.tally = going_on;
        }
    }

    /// After a correction moved an end of the watch. Temperatures are not counted anew: time that
    /// the correction adds is time without a reading; time that it takes away stays counted, so a
    /// correction can hide no deviation. The record shows from when to when was counted.
    pub fn watch_moved(&mut self, point: usize, later_ns: i64, method: &Method, points: &[Point]) {
        if self.tally.counted_to.is_none() {
            return;
        }
        let Some(step) = points.get(point).map(|p| p.step) else { return };
        let ends = |name: &str| method.step_index(name) == Some(step);
        let added_ns = if ends(&method.temperature.from) {
            later_ns.saturating_neg()
        } else if ends(&method.temperature.to) && self.tally.closed {
            later_ns
        } else {
            return;
        };
        for tally in std::iter::once(&mut self.tally).chain(self.going_on.as_mut()) {
            tally.moved = true;
            tally.missing_us = tally.missing_us.saturating_add(added_ns.max(0) / 1000);
        }
    }
}
