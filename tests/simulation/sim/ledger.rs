//! The model: what the committed inputs mean, by its own arithmetic and the method files alone. It
//! is told each input and what the station made of it, and says where the two differ.

use super::book::Book;
use super::expected::Expected;
use super::hands::{Meant, Press, Rules, marks};
use super::oven::Mass;
use super::vial::{Mark, Read, Vial, between};
use super::warmth::Warmth;
use super::way::Way;
use super::ways::Told;
use rust_decimal::Decimal;
use serde_json::Value;
use std::collections::{BTreeMap, VecDeque};
use std::rc::Rc;
use stillstand::domain::bench::{Act, Do, Input, What};
use stillstand::domain::measure;
use stillstand::domain::method::{Edge, Level};
use stillstand::domain::moment::{Moment, SECOND, Stamp};
use stillstand::domain::specimen::Target;
use stillstand::domain::specimen::note::NoteKind;
use stillstand::domain::specimen::sample::Preparation;
use stillstand::journal::Batch;
use uuid::Uuid;

/// Vials that are remembered after they were cleaned: more than the station keeps in sight.
const CLEANED_KEPT: usize = 150;

/// A sample as the model knows it.
#[derive(Debug, Clone)]
pub struct Bag {
    pub book: Rc<Book>,
    /// Specimens that its result waits for.
    pub planned: u32,
    pub masses: BTreeMap<String, Vec<(Uuid, Decimal)>>,
    pub moistened: Vec<Moment>,
    pub moisture: Option<Decimal>,
    pub fines: Option<Decimal>,
    /// Which of its specimens count is more than the model knows.
    pub odd: bool,
    /// It has its result.
    pub reported: bool,
    /// It had one, and may have left the bench.
    pub closed: bool,
    /// The course that it follows.
    pub way: Option<Way>,
}

/// What the station said of an input, read from its stored row.
#[derive(Debug, Clone)]
pub struct Said {
    pub done: bool,
    pub before: bool,
    pub made: Option<Uuid>,
    pub text: String,
}

/// The model.
#[derive(Debug, Clone)]
pub struct Ledger {
    pub books: BTreeMap<String, Rc<Book>>,
    pub vials: BTreeMap<Uuid, Vial>,
    pub bags: BTreeMap<Uuid, Bag>,
    pub warmth: Warmth,
    pub cleaned: Vec<Uuid>,
    /// The switches of the bench, and how it is set.
    pub rules: Rules,
    /// Presses that were kept without a cylinder, in order.
    pub presses: Vec<Press>,
    pub foot: String,
    pub awaited: Option<Target>,
    pub kept: VecDeque<(Uuid, Decimal)>,
    /// Each mass as the balance gave it.
    pub scales: BTreeMap<Uuid, Mass>,
    /// Faults that are planted in the ways, as `Way` has them.
    pub planted: (bool, bool),
    /// What the model judged: records, results, deviations, refusals that had to be.
    pub judged: Judged,
    /// Beginnings of codes that the model does not judge.
    pub blind: Vec<&'static str>,
}

/// How much was judged.
#[derive(Debug, Clone, Copy, Default)]
pub struct Judged {
    pub records: u64,
    pub results: u64,
    pub deviations: u64,
    pub temperatures: u64,
    pub loose: u64,
    pub allowed: u64,
    pub refused: u64,
    /// Durations and other steps of records.
    pub durations: u64,
    pub steps: u64,
    /// Numbers of specimens; results without one, since too few specimens count.
    pub numbers: u64,
    pub void_results: u64,
    /// Marks by acts, by switches, by presses that were given to a cylinder afterwards.
    pub marked: u64,
    pub pressed: u64,
    pub given: u64,
    /// Presses that had to be kept.
    pub kept: u64,
    /// Steps of preparing that were taken and refused, masses that were, ends of a time that the
    /// clock told; preparations of records, their changes of a mass, and those that were constant.
    pub prepared: u64,
    pub unprepared: u64,
    pub declined: u64,
    pub announced: u64,
    pub ways: u64,
    pub changes: u64,
    pub constant: u64,
}

impl Ledger {
    pub fn new(books: BTreeMap<String, Rc<Book>>, rules: Rules, foot: &str, stale_s: i64) -> Self {
        Self {
            books,
            vials: BTreeMap::new(),
            bags: BTreeMap::new(),
            warmth: Warmth::new(stale_s),
            cleaned: Vec::new(),
            rules,
            presses: Vec::new(),
            foot: foot.to_owned(),
            awaited: None,
            kept: VecDeque::new(),
            scales: BTreeMap::new(),
            planted: (false, false),
            judged: Judged::default(),
            blind: Vec::new(),
        }
    }

    /// Takes a committed input, and what the station made of it.
    ///
    /// # Errors
    /// What of it is not as the inputs imply.
    pub fn land(&mut self, input: &Input, batch: &Batch) -> Result<(), String> {
        self.due(&input.moment, batch)?;
        match &input.what {
            What::Act(act) => self.act(act, &input.moment, batch)?,
            What::Trigger(trigger) => self.trigger(trigger, &input.moment, batch)?,
            What::Instrument(report) => self.instrument(report, &input.moment, batch)?,
            _ => {}
        }
        if !matches!(input.what, What::Act(_) | What::Trigger(_)) && !marks(batch)?.is_empty() {
            return Err("something was marked that nobody did".to_owned());
        }
        if self.awaited.as_ref().is_some_and(|target| !self.takes(target)) {
            self.awaited = None;
        }
        for row in batch.outbox.iter().filter(|row| row.kind != "weighing") {
            let document: Value = serde_json::from_str(&row.payload).map_err(|e| e.to_string())?;
            match row.kind.as_str() {
                "record" => self.record(&document["data"])?,
                "result" => self.result(&document["data"])?,
                _ => {}
            }
        }
        Ok(())
    }

    fn act(&mut self, act: &Act, now: &Moment, batch: &Batch) -> Result<(), String> {
        let said = said(batch)?;
        if said.before {
            return Ok(());
        }
        let moment = match act.stated_wall_ns {
            None => *now,
            Some(wall) => Moment {
                stamp: Stamp::Entered,
                doubt_ns: SECOND,
                ..now.plus(wall.saturating_sub(now.wall_ns))
            },
        };
        match self.allows(act, now, &moment) {
            Some(true) if !said.done => {
                return Err(format!("what is in order was refused: {:?}: {}", act.what, said.text));
            }
            Some(false) if said.done => {
                return Err(format!(
                    "what is out of order was accepted: {:?}, stated {:?}",
                    act.what, act.stated_wall_ns
                ));
            }
            Some(true) => self.judged.allowed += 1,
            Some(false) => {
                self.judged.refused += 1;
                self.judged.unprepared += u64::from(matches!(act.what, Do::Preparation(_)));
            }
            None => {}
        }
        if !said.done {
            if !marks(batch)?.is_empty() {
                return Err("a refused act marked something".to_owned());
            }
            return Ok(());
        }
        self.done(act, (now, moment), said.made, batch)
    }

    /// Whether an act must be accepted, or must be refused; `None`: the model does not say.
    fn allows(&self, act: &Act, now: &Moment, moment: &Moment) -> Option<bool> {
        if act.stated_wall_ns.is_some_and(|wall| wall > now.wall_ns + SECOND) {
            return Some(false);
        }
        let on_bench = |id: &Uuid| self.vials.get(id).filter(|_| !self.cleaned.contains(id));
        match &act.what {
            Do::Mark { specimen, step, edge } => {
                let vial = on_bench(specimen)?;
                Some(vial.book.point(step, *edge).is_some_and(|at| vial.may_mark(at, moment)))
            }
            Do::MarkNext { specimen } => Some(on_bench(specimen)?.next(moment).is_some()),
            Do::AssignPress { press, specimens } => Some(self.would_give(*press, specimens).is_some()),
            Do::DismissPress { press } => Some(self.presses.iter().any(|kept| kept.id == *press)),
            Do::EnterReading { specimen, of, value, confirmed } => {
                let vial = on_bench(specimen)?;
                let turn = vial.possible().iter().any(|at| vial.book.points[*at].edge == Edge::Value(*of));
                if !turn || !vial.in_order(moment) {
                    return Some(false);
                }
                self.is_level(vial, *of, value, *confirmed)
            }
            Do::NoteSpecimen { specimen, note, text } => {
                let vial = on_bench(specimen)?;
                let after = moment.stamp != Stamp::Entered || between(&vial.registered, moment).0 >= 0;
                Some(after && (*note != NoteKind::Words || text.is_some()))
            }
            Do::RegisterSpecimen { place, .. } => {
                let taken = self.vials.values().any(|v| v.place == *place && !self.cleaned.contains(&v.id));
                taken.then_some(false)
            }
            Do::Preparation(step) => self.may_prepare(step, &Told { who: act.who.as_deref(), now, moment }),
            other => self.may_beside(other, now),
        }
    }

    /// Whether digits are a level that the cylinder has; `None`: they are none at all.
    fn is_level(&self, vial: &Vial, of: Level, value: &str, confirmed: bool) -> Option<bool> {
        let read = self.read(vial, of, value)?;
        let level = read.level();
        let low = level >= Decimal::ZERO && (of != Level::Clay || read.marks(&vial.book) > 0);
        let swapped =
            of == Level::Sand && vial.levels.get(&Level::Clay).is_some_and(|clay| level > clay.level());
        Some(low && level <= vial.book.levels.top && (!swapped || confirmed))
    }

    fn read(&self, vial: &Vial, of: Level, value: &str) -> Option<Read> {
        let offset = if of == Level::Sand { vial.book.offset(&self.foot) } else { Decimal::ZERO };
        Some(Read { entered: value.trim().parse().ok()?, offset })
    }

    /// What an accepted act does.
    fn done(
        &mut self,
        act: &Act,
        (now, moment): (&Moment, Moment),
        made: Option<Uuid>,
        batch: &Batch,
    ) -> Result<(), String> {
        match &act.what {
            Do::RegisterSample { method, specimens, .. } => {
                let book = self.books.get(method).ok_or("a sample of an unknown method")?.clone();
                let bag = Bag {
                    book,
                    planned: specimens.ok_or("a sample without a number of specimens")?,
                    masses: BTreeMap::new(),
                    moistened: Vec::new(),
                    moisture: None,
                    fines: None,
                    odd: false,
                    reported: false,
                    closed: false,
                    way: None,
                };
                self.bags.insert(made.ok_or("a sample without an identity")?, bag);
            }
            Do::RegisterSpecimen { sample, place } => {
                self.new_vial(made, *sample, (*place, moment), batch)?;
            }
            Do::Preparation(step) => self.prepared(step, moment, batch)?,
            Do::Prepare { sample, what: Preparation::MoistureChanged } => {
                self.bag(*sample)?.moistened.push(moment);
            }
            Do::AwaitSampleMass { sample, name } => {
                self.awaited = Some(Target::Sample { sample: *sample, name: name.clone() });
            }
            Do::AwaitSpecimenMass { specimen } => {
                self.awaited = Some(Target::Specimen { specimen: *specimen });
            }
            Do::StopAwaiting => self.awaited = None,
            Do::Measure(what) => self.measured(what)?,
            Do::Mark { specimen, step, edge } => {
                let at = self.vial(*specimen)?.book.point(step, *edge).ok_or("a mark of no point")?;
                self.take_marks(batch, &[Meant { specimen: *specimen, at, moment }])?;
                self.judged.marked += 1;
            }
            Do::MarkNext { specimen } => {
                let at = self.vial(*specimen)?.next(&moment).ok_or("a mark where none is possible")?;
                self.take_marks(batch, &[Meant { specimen: *specimen, at, moment }])?;
                self.judged.marked += 1;
            }
            Do::AssignPress { press, specimens } => self.give_press(*press, specimens, batch)?,
            Do::DismissPress { press } => self.presses.retain(|kept| kept.id != *press),
            Do::EnterReading { specimen, of, value, .. } => {
                let read = self.read(self.vial(*specimen)?, *of, value).ok_or("a level without digits")?;
                let vial = self.vial_mut(*specimen)?;
                let at = vial
                    .book
                    .points
                    .iter()
                    .position(|p| p.edge == Edge::Value(*of))
                    .ok_or("no such level")?;
                vial.mark(at, moment);
                vial.levels.insert(*of, read);
                let last = if vial.book.levels.sediment_only { Level::Sediment } else { Level::Sand };
                vial.complete |= *of == last;
            }
            _ => return self.corrected(act, now, moment),
        }
        Ok(())
    }

    /// What an accepted act changes of what was there.
    fn corrected(&mut self, act: &Act, now: &Moment, moment: Moment) -> Result<(), String> {
        match &act.what {
            Do::NoLineYet { specimen } => {
                let vial = self.vial_mut(*specimen)?;
                vial.no_line.push(moment);
                vial.log.push(Mark::NoLine);
                let sample = vial.sample;
                self.bag(sample)?.odd = true;
            }
            Do::VoidSpecimen { specimen, .. } => {
                let vial = self.vial_mut(*specimen)?;
                vial.void = Some(if vial.complete { *now } else { moment });
                if !vial.complete {
                    vial.log.push(Mark::Void);
                }
            }
            Do::WithdrawLast { specimen, .. } => self.vial_mut(*specimen)?.take_back(),
            Do::CorrectTime { specimen, step, edge, .. } => {
                let wall = act.stated_wall_ns.ok_or("a corrected time without a time")?;
                let vial = self.vial_mut(*specimen)?;
                let at = vial.book.point(step, *edge).ok_or("a corrected time of no point")?;
                let from = vial.marks[at].ok_or("a corrected time of no mark")?;
                vial.marks[at] = Some(Moment {
                    stamp: Stamp::Entered,
                    doubt_ns: SECOND,
                    ..from.plus(wall - from.wall_ns)
                });
                let step = vial.book.points[at].step;
                vial.loose |= step == vial.book.from || step == vial.book.to;
            }
            Do::CorrectReading { specimen, of, value, .. } => {
                let read = self.read(self.vial(*specimen)?, *of, value).ok_or("a level without digits")?;
                self.vial_mut(*specimen)?.levels.insert(*of, read);
            }
            Do::NoteSpecimen { specimen, note, .. } => self.vial_mut(*specimen)?.notes.push((*note, moment)),
            Do::InterruptedRun { specimen, counts, .. } => {
                self.vial_mut(*specimen)?.interruption = Some(*counts);
            }
            Do::CorrectPlace { specimen, place, .. } => {
                let from = self.vial(*specimen)?.place;
                let other = self.vials.values().find(|v| v.place == *place && !self.cleaned.contains(&v.id));
                if let Some(other) = other.map(|v| v.id) {
                    self.vial_mut(other)?.place = from;
                }
                self.vial_mut(*specimen)?.place = *place;
            }
            Do::MoveCylinder { specimen, place } => {
                let vial = self.vial_mut(*specimen)?;
                vial.place = *place;
                vial.moves.push(moment);
            }
            Do::PlaceWeighing { weighing, target } | Do::ReassignWeighing { weighing, target } => {
                self.give(*weighing, target)?;
            }
            Do::WithdrawSample { sample, .. } => {
                self.withdraw(*sample);
            }
            Do::PlanSpecimens { sample, specimens } => self.bag(*sample)?.planned = *specimens,
            Do::TakeProbeOut => self.warmth.moved(moment, true),
            Do::PutProbeIn { .. } => self.warmth.moved(moment, false),
            _ => {}
        }
        Ok(())
    }

    fn new_vial(
        &mut self,
        made: Option<Uuid>,
        sample: Uuid,
        (place, moment): (u32, Moment),
        batch: &Batch,
    ) -> Result<(), String> {
        let id = made.ok_or("a specimen without an identity")?;
        let bag = self.bag(sample)?;
        let vial = Vial {
            id,
            sample,
            place,
            registered: moment,
            marks: vec![None; bag.book.points.len()],
            moisture: bag.moisture,
            fines: bag.fines,
            book: bag.book.clone(),
            log: Vec::new(),
            runs: Vec::new(),
            no_line: Vec::new(),
            levels: BTreeMap::new(),
            counts: BTreeMap::new(),
            masses: Vec::new(),
            corrective: Vec::new(),
            notes: Vec::new(),
            moves: Vec::new(),
            interruption: None,
            void: None,
            complete: false,
            corrections: 0,
            counted: None,
            loose: false,
        };
        self.vials.insert(id, vial);
        self.take_tin(id, sample, moment, batch)
    }

    fn measured(&mut self, what: &measure::Act) -> Result<(), String> {
        match what {
            measure::Act::Count { specimen, step, number } => {
                let vial = self.vial_mut(*specimen)?;
                let at = vial
                    .book
                    .steps
                    .iter()
                    .position(|known| known.name == *step)
                    .ok_or("a count of no step")?;
                vial.counts.insert(at, *number);
            }
            measure::Act::StateMaterial { sample, of, percent } => {
                let percent: Decimal = percent.parse().map_err(|_| "a percentage without digits")?;
                let bag = self.bag(*sample)?;
                let moisture = *of == measure::Property::Moisture;
                *(if moisture { &mut bag.moisture } else { &mut bag.fines }) = Some(percent);
                let cleaned = &self.cleaned;
                let at_work = |v: &&mut Vial| v.sample == *sample && !v.is_over() && !cleaned.contains(&v.id);
                for vial in self.vials.values_mut().filter(at_work) {
                    *(if moisture { &mut vial.moisture } else { &mut vial.fines }) = Some(percent);
                }
            }
            measure::Act::AwaitCorrectiveSand { specimen } => {
                self.awaited = Some(Target::CorrectiveSand { specimen: *specimen });
            }
        }
        Ok(())
    }

    /// A cylinder is clean: its vial is remembered for a while.
    pub fn clean(&mut self, id: Uuid) {
        self.cleaned.push(id);
        if self.cleaned.len() > CLEANED_KEPT {
            let oldest = self.cleaned.remove(0);
            if let Some(vial) = self.vials.remove(&oldest) {
                // One of its specimens is forgotten: what counts is more than the model knows.
                self.bags.entry(vial.sample).and_modify(|bag| bag.odd = true);
                // Of one without a result its tins are remembered: they are in use.
                let has_result = self.bags.get(&vial.sample).is_some_and(|bag| bag.reported);
                if has_result && !self.vials.values().any(|other| other.sample == vial.sample) {
                    self.bags.remove(&vial.sample);
                }
            }
        }
    }

    /// Deviations of a vial, with those of its sample's preparation.
    pub fn deviations(&self, vial: &Vial) -> Vec<Expected> {
        let mut found = vial.deviations(&self.warmth);
        let Some(bag) = self.bags.get(&vial.sample) else { return found };
        for (name, limits) in &bag.book.masses {
            let mass = bag.masses.get(name).and_then(|list| list.last());
            let outside = mass.is_some_and(|(_, mass)| !limits.hold(*mass));
            found.extend(outside.then(|| Expected::new("mass-outside", None)));
        }
        if bag.way.is_some() {
            found.extend(self.of_way(vial));
            return found;
        }
        let filled = vial.marks.iter().flatten().next();
        if let (Some(min), Some(filled)) = (bag.book.tempering_ns, filled) {
            let since = bag.moistened.iter().rev().find(|since| between(since, filled).0 >= 0);
            let short = since.is_some_and(|since| between(since, filled).0 < min);
            found.extend(short.then(|| Expected::new("tempering-short", None)));
        }
        found
    }

    pub fn vial(&self, id: Uuid) -> Result<&Vial, String> {
        self.vials.get(&id).ok_or_else(|| format!("specimen {id} is unknown to the model"))
    }

    pub fn vial_mut(&mut self, id: Uuid) -> Result<&mut Vial, String> {
        self.vials.get_mut(&id).ok_or_else(|| format!("specimen {id} is unknown to the model"))
    }

    fn bag(&mut self, id: Uuid) -> Result<&mut Bag, String> {
        self.bags.get_mut(&id).ok_or_else(|| format!("sample {id} is unknown to the model"))
    }
}

pub fn said(batch: &Batch) -> Result<Said, String> {
    let row = batch.inputs.first().ok_or("an act is not stored")?;
    let value: Value = serde_json::from_str(&row.outcome).map_err(|e| e.to_string())?;
    let text = |key: &str| value[key].as_str().unwrap_or_default();
    Ok(Said {
        done: text("outcome") == "done",
        before: text("outcome") == "done-before",
        made: text("made").parse().ok(),
        text: text("text").to_owned(),
    })
}
