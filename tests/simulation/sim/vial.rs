//! One specimen as the model knows it: what happened to it, from the inputs alone, and what of that
//! breaks its method.

use super::book::{Book, DryBasis, Limits, Rule};
use super::expected::{Expected, by_seconds};
use super::warmth::{Counted, Warmth};
use rust_decimal::{Decimal, RoundingStrategy};
use std::collections::BTreeMap;
use std::rc::Rc;
use stillstand::domain::method::{Edge, Level};
use stillstand::domain::moment::{Moment, Stamp};
use stillstand::domain::specimen::note::NoteKind;
use uuid::Uuid;

/// Time from one instant to another, and whether one boot's clock measured it.
pub fn between(from: &Moment, to: &Moment) -> (i64, bool) {
    if from.boot == to.boot { (to.boot_ns - from.boot_ns, true) } else { (to.wall_ns - from.wall_ns, false) }
}

/// How long ago an instant was at least, nanoseconds: what was before the machine's start is older than
/// that start, even where a wall clock that woke up behind says otherwise.
pub fn age(of: &Moment, now: &Moment) -> i64 {
    let (ns, one_boot) = between(of, now);
    if one_boot { ns } else { ns.max(now.boot_ns) }
}

/// Whether the clocks of two instants can both be right. After a restart the machine has been up for so
/// long, and what was before it lies at least so far back; a clock chip is good to five seconds.
pub fn agree(from: &Moment, to: &Moment) -> bool {
    let started = to.wall_ns - to.boot_ns.max(5_000_000_000);
    from.boot == to.boot || started + 5_000_000_000 >= from.wall_ns
}

/// Rounds to a resolution, halves up.
pub fn rounded(ns: i64, resolution_ns: i64) -> i64 {
    (ns + resolution_ns / 2).div_euclid(resolution_ns) * resolution_ns
}

/// A mark that can be taken back, in the order of acting.
#[derive(Debug, Clone, Copy)]
pub enum Mark {
    Point(usize),
    RunBegan,
    RunEnded,
    NoLine,
    Void,
}

/// A level as it was entered.
#[derive(Debug, Clone, Copy)]
pub struct Read {
    pub entered: Decimal,
    pub offset: Decimal,
}

impl Read {
    pub fn level(&self) -> Decimal {
        self.entered - self.offset
    }

    /// In marks of the cylinder.
    pub fn marks(&self, book: &Book) -> i64 {
        let marks = self.level() / book.levels.mark;
        let whole = if book.levels.higher {
            marks.ceil()
        } else {
            marks.round_dp_with_strategy(0, RoundingStrategy::MidpointAwayFromZero)
        };
        whole.to_string().parse().expect("a whole number")
    }
}

/// One specimen.
#[derive(Debug, Clone)]
pub struct Vial {
    pub id: Uuid,
    pub sample: Uuid,
    pub book: Rc<Book>,
    pub place: u32,
    pub registered: Moment,
    pub marks: Vec<Option<Moment>>,
    pub log: Vec<Mark>,
    pub runs: Vec<(Moment, Option<Moment>)>,
    pub no_line: Vec<Moment>,
    pub levels: BTreeMap<Level, Read>,
    pub counts: BTreeMap<usize, u32>,
    pub masses: Vec<(Uuid, Decimal)>,
    pub corrective: Vec<(Uuid, Decimal)>,
    pub moisture: Option<Decimal>,
    pub fines: Option<Decimal>,
    pub notes: Vec<(NoteKind, Moment)>,
    pub moves: Vec<Moment>,
    pub interruption: Option<bool>,
    pub void: Option<Moment>,
    pub complete: bool,
    pub corrections: u32,
    /// What the temperature came to when its record was made first: readings are not kept for ever.
    pub counted: Option<Counted>,
    /// The watch over the temperature was opened or closed at another time than it was counted.
    pub loose: bool,
}

/// An interval of a vial: begin, end, whether an end is only bounded.
#[derive(Debug, Clone, Copy)]
pub struct Span {
    pub begin: Moment,
    pub end: Option<(Moment, bool)>,
}

/// How an interval stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stands {
    Open,
    Kept,
    Short(i64),
    Over(i64),
    NotShown,
}

impl Vial {
    pub fn is_over(&self) -> bool {
        self.complete || self.void.is_some()
    }

    pub fn last_mark(&self) -> Option<usize> {
        self.marks.iter().rposition(Option::is_some)
    }

    pub fn open_run(&self) -> bool {
        self.runs.last().is_some_and(|(_, end)| end.is_none())
    }

    /// Points that may come next: the next one, and those behind optional ones.
    pub fn possible(&self) -> Vec<usize> {
        let points = &self.book.points;
        if self.open_run() {
            return Vec::new();
        }
        if self.void.is_some() {
            return points.iter().position(|point| point.frees).into_iter().collect();
        }
        let mut found = Vec::new();
        for (at, point) in points.iter().enumerate().skip(self.last_mark().map_or(0, |at| at + 1)) {
            found.push(at);
            if !point.optional {
                break;
            }
        }
        found
    }

    /// The machine has just ended with it: it may run again.
    pub fn may_run_again(&self) -> bool {
        let last = self.last_mark().map(|at| self.book.points[at]);
        !self.open_run()
            && self.void.is_none()
            && last.is_some_and(|point| point.machine && point.edge == Edge::End)
    }

    /// The machine runs with it, for the first time or again.
    pub fn is_shaking(&self) -> bool {
        let last = self.last_mark().map(|at| self.book.points[at]);
        self.void.is_none()
            && (self.open_run() || last.is_some_and(|point| point.machine && point.edge == Edge::Begin))
    }

    /// When the machine's run began that goes on with it.
    pub fn shaking_since(&self) -> Option<Moment> {
        let run = self.runs.last().map(|(begin, _)| *begin);
        run.or_else(|| self.marks[self.last_mark()?]).filter(|_| self.is_shaking())
    }

    /// What a word without more marks at an instant: the end of a further run, or the first point that
    /// is possible; `None`: it is refused.
    pub fn next(&self, moment: &Moment) -> Option<usize> {
        let at = if self.open_run() {
            self.book.machine_point(Edge::End)
        } else {
            self.possible().first().copied()
        };
        at.filter(|at| self.may_mark(*at, moment))
    }

    /// The point that a switch for all cylinders would mark: the first that is possible, no level, once
    /// the interval that runs is about to reach its shortest time.
    pub fn due(&self, now: &Moment, approach_ns: i64) -> Option<usize> {
        let at = *self.possible().first()?;
        if matches!(self.book.points[at].edge, Edge::Value(_)) {
            return None;
        }
        let runs = |step: &usize| self.span(*step).is_some_and(|span| span.end.is_none());
        let running = (0..self.book.steps.len()).rev().find(runs).filter(|_| !self.is_over());
        let early = running.is_some_and(|step| {
            let Some(begin) = self.span(step).map(|span| span.begin) else { return false };
            let (ns, boot_clock) = between(&begin, now);
            let lasted = if boot_clock { ns.max(0) } else { ns };
            self.window(step).0.is_some_and(|least| !agree(&begin, now) || lasted < least - approach_ns)
        });
        (!early).then_some(at)
    }

    /// Marking a point is a begin or an end of a further run.
    pub fn goes_again(&self, at: usize) -> bool {
        let point = self.book.points[at];
        point.machine
            && match point.edge {
                Edge::Begin => self.may_run_again(),
                Edge::End => self.open_run(),
                _ => false,
            }
    }

    /// The last instant of it.
    pub fn last_moment(&self) -> Moment {
        let runs = self.runs.iter().flat_map(|(begin, end)| [Some(*begin), *end]).flatten();
        let all = self.marks.iter().flatten().copied().chain(runs).chain(self.no_line.iter().copied());
        all.fold(self.registered, |last, moment| if between(&last, &moment).0 > 0 { moment } else { last })
    }

    /// Whether an instant may come after another: a stated time never before it, a stamp of the
    /// same boot at most a second.
    fn follows(last: &Moment, new: &Moment) -> bool {
        let lag = -between(last, new).0;
        match new.stamp {
            Stamp::Entered => lag <= 0,
            _ => new.boot != last.boot || lag <= 1_000_000_000,
        }
    }

    /// Whether a new last instant is in order.
    pub fn in_order(&self, new: &Moment) -> bool {
        Self::follows(&self.last_moment(), new)
    }

    /// Whether a point may be marked at an instant: the next in order, or a gap that is filled with
    /// a stated time.
    pub fn may_mark(&self, at: usize, moment: &Moment) -> bool {
        let point = self.book.points[at];
        if point.machine && self.open_run() && point.edge == Edge::End {
            return self.in_order(moment);
        }
        if point.machine && point.edge == Edge::Begin && self.may_run_again() {
            return self.in_order(moment);
        }
        if matches!(point.edge, Edge::Value(_)) {
            return false;
        }
        if self.last_mark().is_some_and(|last| at <= last) {
            let before = self.marks[..at].iter().rev().flatten().next();
            let after = self.marks[at + 1..].iter().flatten().next();
            return self.marks[at].is_none()
                && moment.stamp == Stamp::Entered
                && !self.is_over()
                && before.is_none_or(|before| Self::follows(before, moment))
                && after.is_none_or(|after| between(moment, after).0 >= 0);
        }
        self.possible().contains(&at) && self.in_order(moment)
    }

    /// Marks a point, or a further run where the machine has run already.
    pub fn mark(&mut self, at: usize, moment: Moment) {
        let point = self.book.points[at];
        if point.machine && point.edge == Edge::End && self.open_run() {
            self.runs.last_mut().expect("a run").1 = Some(moment);
            self.log.push(Mark::RunEnded);
        } else if point.machine && point.edge == Edge::Begin && self.may_run_again() {
            self.runs.push((moment, None));
            self.log.push(Mark::RunBegan);
        } else {
            self.marks[at] = Some(moment);
            self.log.push(Mark::Point(at));
            let watched = point.step == self.book.from || point.step == self.book.to;
            self.loose |= watched && moment.stamp == Stamp::Entered;
        }
    }

    /// Takes the last mark back.
    pub fn take_back(&mut self) {
        match self.log.pop() {
            Some(Mark::Point(at)) => {
                self.marks[at] = None;
                let point = self.book.points[at];
                if let Edge::Value(level) = point.edge {
                    self.levels.remove(&level);
                }
                if point.step == self.book.from && self.span_of_step_is_bare(point.step) {
                    // The watch is as if it had never been opened.
                    self.loose = false;
                }
                if point.step == self.book.to {
                    self.loose = self.loose || self.marks.iter().flatten().any(|m| m.stamp == Stamp::Entered);
                }
            }
            Some(Mark::RunBegan) => {
                self.runs.pop();
                if self.runs.is_empty() {
                    self.interruption = None;
                }
            }
            Some(Mark::RunEnded) => self.runs.last_mut().expect("a run").1 = None,
            Some(Mark::NoLine) => drop(self.no_line.pop()),
            Some(Mark::Void) => self.void = None,
            None => {}
        }
        self.corrections += 1;
    }

    fn span_of_step_is_bare(&self, step: usize) -> bool {
        !self.book.points.iter().zip(&self.marks).any(|(point, mark)| point.step == step && mark.is_some())
    }

    fn next_mark(&self, after: usize) -> Option<(usize, Moment)> {
        self.marks.iter().enumerate().skip(after + 1).find_map(|(at, mark)| Some((at, (*mark)?)))
    }

    /// An interval as far as it is known. One whose begin nobody marked has none.
    pub fn span(&self, step: usize) -> Option<Span> {
        let interval = self.book.steps[step].interval.as_ref()?;
        let own = |edge| self.book.points.iter().position(|p| p.step == step && p.edge == edge);
        let from = if interval.begins_by_press {
            own(Edge::Begin)?
        } else {
            self.book.points.iter().position(|p| p.step >= step)?.checked_sub(1)?
        };
        let end = |from: usize| match own(Edge::End) {
            Some(at) => match self.marks[at] {
                Some(moment) => Some((moment, false)),
                None => self.next_mark(at).map(|(_, moment)| (moment, true)),
            },
            None => self.next_mark(from).map(|(at, moment)| (moment, at != from + 1)),
        };
        if let Some(begin) = self.marks[from] {
            return Some(Span { begin, end: end(from) });
        }
        // Only its end is known: it began no earlier than what came before it.
        let (at, last) = (own(Edge::End)?, self.marks[..from].iter().rev().flatten().next().copied());
        let begin =
            self.runs.last().and_then(|(_, end)| *end).or(last).filter(|_| interval.begins_by_press)?;
        Some(Span { begin, end: Some((self.marks[at]?, false)) })
    }

    /// Duration of a span that has ended; on one clock two stamps that overtook each other are
    /// simultaneous.
    pub fn lasted(span: &Span) -> Option<(i64, bool)> {
        let (end, _) = span.end?;
        let (ns, boot_clock) = between(&span.begin, &end);
        Some((if boot_clock { ns.max(0) } else { ns }, boot_clock))
    }

    /// The window of a step: after a 'no line yet' in time, sedimentation may last as long as the
    /// method allows in all.
    fn window(&self, step: usize) -> (Option<i64>, Option<i64>) {
        let Some(interval) = &self.book.steps[step].interval else { return (None, None) };
        let (min, max) = (interval.min_ns, interval.max_ns);
        if !interval.begins_by_press
            && let Some(span) = self.span(step)
            && self.no_line.iter().any(|said| {
                let said = rounded(between(&span.begin, said).0, self.book.resolution_ns);
                max.is_none_or(|max| said <= max)
            })
        {
            return (min, self.book.total_max_ns.or(max));
        }
        (min, max)
    }

    /// How a step stands against its window.
    pub fn stands(&self, step: usize) -> Stands {
        let Some(span) = self.span(step) else { return Stands::Open };
        let (Some((_, bound)), Some((ns, _))) = (span.end, Self::lasted(&span)) else { return Stands::Open };
        if span.end.is_some_and(|(end, _)| !agree(&span.begin, &end)) {
            return Stands::NotShown;
        }
        let (min, max) = self.window(step);
        if min.is_none() && max.is_none() {
            return Stands::Kept;
        }
        let lasted = rounded(ns, self.book.resolution_ns);
        let by_press = self.book.steps[step].interval.as_ref().is_some_and(|i| i.ends_by_press);
        match (min, max) {
            (Some(min), _) if lasted < min => Stands::Short(min - lasted),
            _ if bound && by_press => Stands::NotShown,
            (_, Some(max)) if lasted > max => {
                if bound {
                    Stands::NotShown
                } else {
                    Stands::Over(lasted - max)
                }
            }
            _ => Stands::Kept,
        }
    }

    /// The run of the machine and its further parts, taken as one interrupted run.
    fn interrupted(&self) -> Option<(usize, Option<Expected>)> {
        let step = self.book.machine()?;
        let first = Self::lasted(&self.span(step)?).filter(|_| !self.runs.is_empty())?;
        let alone = self.stands(step);
        let together = self.book.steps[step].interval.as_ref().is_some_and(|i| i.together);
        let counts = match self.interruption {
            Some(counts) => counts,
            None if together && matches!(alone, Stands::Short(_)) => true,
            None => return None,
        };
        let told = |(begin, end): &(Moment, Option<Moment>)| end.is_none_or(|end| agree(begin, &end));
        let known = self.span(step).is_none_or(|span| told(&(span.begin, span.end.map(|(end, _)| end))))
            && self.runs.iter().all(told);
        let further = self.runs.iter().map(|(begin, end)| Some(between(begin, &(*end)?).0.max(0)));
        let total = further.sum::<Option<i64>>().map(|more| first.0 + more);
        let resolution = self.book.resolution_ns;
        let (min, max) = self.window(step);
        let by = match (counts, total) {
            (false, _) => match alone {
                Stands::Short(by) | Stands::Over(by) => Some(by),
                _ => None,
            },
            (true, None) => None,
            (true, Some(_)) if !known => None,
            (true, Some(total)) => {
                let lasted = rounded(total, resolution);
                let short = min.filter(|min| lasted < *min).map(|min| min - lasted);
                short.or_else(|| max.filter(|max| lasted > *max).map(|max| lasted - max))
            }
        };
        let name = &self.book.steps[step].name;
        let by = by.map(|ns| by_seconds(ns, resolution));
        Some((step, Some(Expected::new("interval-interrupted", Some(name)).by(by))))
    }

    /// The step during which it stands undisturbed that ran at an instant.
    fn is_undisturbed(&self, at: &Moment) -> bool {
        if self.void.is_some_and(|void| between(&void, at).0 > 0) {
            return false;
        }
        (0..self.book.steps.len()).any(|step| {
            self.book.steps[step].interval.as_ref().is_some_and(|i| i.undisturbed)
                && self.span(step).is_some_and(|span| {
                    between(&span.begin, at).0 >= 0 && span.end.is_none_or(|(end, _)| between(at, &end).0 > 0)
                })
        })
    }

    fn touched(&self, rule: Rule, at: &Moment) -> bool {
        let mut last = self.book.points.iter().zip(&self.marks).filter_map(|(point, mark)| {
            matches!(point.edge, Edge::Value(Level::Sand | Level::Sediment)).then_some((*mark)?)
        });
        match rule {
            Rule::Never => false,
            Rule::Undisturbed => self.is_undisturbed(at),
            Rule::Always => last.next_back().is_none_or(|read| between(at, &read).0 >= 0),
        }
    }

    /// Every deviation that its life implies; those of its sample's preparation are added there.
    pub fn deviations(&self, warmth: &Warmth) -> Vec<Expected> {
        let mut found = Vec::new();
        let whole = self.interrupted();
        for (step, rule) in self.book.steps.iter().enumerate() {
            if let Some((of, expected)) = &whole
                && *of == step
            {
                found.extend(expected.clone());
                continue;
            }
            let name = &rule.name;
            let by = |ns| Some(by_seconds(ns, self.book.resolution_ns));
            match self.stands(step) {
                Stands::Short(ns) => found.push(Expected::new("interval-short", Some(name)).by(by(ns))),
                Stands::Over(ns) => found.push(Expected::new("interval-over", Some(name)).by(by(ns))),
                Stands::NotShown => found.push(Expected::new("interval-not-shown", Some(name))),
                Stands::Open | Stands::Kept => {}
            }
        }
        if let (None, Some(step)) = (&whole, self.book.machine()) {
            let name = &self.book.steps[step].name;
            found.extend(self.runs.iter().map(|_| Expected::new("further-run", Some(name))));
        }
        let rules = &self.book.notes;
        for (kind, at) in &self.notes {
            let (code, rule) = match kind {
                NoteKind::Bumped => ("bumped", rules.bumped),
                NoteKind::Spilled => ("spilled", rules.spilled),
                NoteKind::Leaked => ("leaked", rules.leaked),
                NoteKind::FootDropped => ("foot-dropped", rules.dropped),
                NoteKind::Words => continue,
            };
            found.extend(self.touched(rule, at).then(|| Expected::new(code, None).any_step()));
        }
        let moved = self.moves.iter().filter(|at| self.touched(rules.moved, at));
        found.extend(moved.map(|_| Expected::new("moved", None).any_step()));
        found.extend(self.of_levels());
        found.extend(self.of_counts());
        found.extend(self.of_portion());
        found.extend(warmth.deviations(self));
        found
    }

    fn of_levels(&self) -> Option<Expected> {
        let (clay, sand) = (self.levels.get(&Level::Clay)?, self.levels.get(&Level::Sand)?);
        (sand.level() > clay.level()).then(|| Expected::new("sand-over-clay", None))
    }

    /// All levels are in.
    fn is_read(&self) -> bool {
        let last = if self.book.levels.sediment_only { Level::Sediment } else { Level::Sand };
        self.levels.contains_key(&last)
    }

    fn of_counts(&self) -> Vec<Expected> {
        let mut found = Vec::new();
        for (at, step) in self.book.steps.iter().enumerate() {
            let Some((min, max)) = step.interval.as_ref().and_then(|i| i.count) else { continue };
            match self.counts.get(&at) {
                Some(number) if (min..=max).contains(number) => {}
                Some(_) => found.push(Expected::new("count-outside", Some(&step.name))),
                None if self.is_read() => found.push(Expected::new("count-not-shown", Some(&step.name))),
                None => {}
            }
        }
        found
    }

    fn of_portion(&self) -> Vec<Expected> {
        let Some((size, basis)) = &self.book.portion else { return Vec::new() };
        let mut found = Vec::new();
        let over = basis.and_then(|dry| Some(self.moisture? > dry.moisture_max)) == Some(true);
        found.extend(over.then(|| Expected::new("moisture-over", None)));
        let mut held = |limits: Option<Limits>, mass: Option<&(Uuid, Decimal)>| match (limits, mass) {
            (Some(limits), Some((_, mass))) if limits.hold(*mass) => {}
            (Some(_), Some(_)) => found.push(Expected::new("mass-outside", None)),
            _ => found.extend(self.is_read().then(|| Expected::new("mass-not-shown", None))),
        };
        match portions(*size, *basis, self.moisture, self.fines) {
            Some((portion, corrective)) => {
                held(Some(portion), self.masses.last());
                if corrective.is_some() {
                    held(corrective, self.corrective.last());
                }
            }
            None => held(None, self.masses.last()),
        }
        found
    }
}

/// Limits of the portion and of the corrective sand; `None`: what they depend on was not stated.
fn portions(
    size: Limits,
    basis: Option<DryBasis>,
    moisture: Option<Decimal>,
    fines: Option<Decimal>,
) -> Option<(Limits, Option<Limits>)> {
    let Some(basis) = basis else { return Some((size, None)) };
    let (min, max) = size.min.zip(size.max)?;
    let (target, half) = ((min + max) / Decimal::TWO, (max - min) / Decimal::TWO);
    let around = |mass: Decimal| Limits { min: Some(mass - half), max: Some(mass + half) };
    let wet = Decimal::ONE + moisture? / Decimal::ONE_HUNDRED;
    let Some(most) = basis.fines_max else { return Some((around(target * wet), None)) };
    let fines = fines?;
    if fines > most {
        let part = target * most / fines;
        return Some((around(part * wet), Some(around(target - part))));
    }
    Some((around(target * wet), None))
}
