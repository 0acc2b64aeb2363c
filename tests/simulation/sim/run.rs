//! One run: the station's pure part and its journal, driven through time that is only a number.

use super::broken::{self, Broken};
use super::chance::Chance;
use super::courses::Courses;
use super::hands::{Meaning, Rules};
use super::lab::Lab;
use super::ledger::Ledger;
use super::people::{People, Task};
use super::post::{self, Post};
use super::store::{Disk, Failing, JOURNAL, Memory, Store, Trouble};
use super::tools::Tools;
use super::world::{HOUR, World};
use clap::ValueEnum;
use sha2::{Digest, Sha256};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};
use std::path::PathBuf;
use stillstand::daemon::station::{decide_alone, stored_event};
use stillstand::domain::bench::{Bench, Input, What};
use stillstand::domain::moment::{Moment, SECOND};
use stillstand::journal::chain::hex;
use stillstand::journal::{Batch, Chain, EventRow};
use uuid::Uuid;

/// Inputs between two comparisons of the state with its replay.
const COMPARED_EVERY: u64 = 1000;
/// Events between two stored states.
const SNAPSHOT_EVERY: u64 = 4000;

/// A fault that is planted to see that it is noticed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Planted {
    /// None.
    Nothing,
    /// The relay passes over a row.
    RelayForgets,
    /// The relay takes one acknowledgement for two.
    RelayAcksTwice,
    /// The store says yes, and stores nothing.
    StoreLies,
    /// The model's limits are half a minute later than the method's.
    LimitShifted,
    /// The bench is not told of one reading in twenty.
    ReadingSwallowed,
    /// What is restored lacks its last event.
    EventForgotten,
    /// The bench is told of acts three seconds too early.
    StampShifted,
    /// A document goes out before it is committed.
    SentTooEarly,
    /// A document that goes out again has another digit in it.
    SentOtherwise,
    /// What somebody marks is marked on another specimen.
    SpecimensSwapped,
    /// A shaker's contact marks what stands at some place.
    ContactMistaken,
    /// A kept press is given with a moment that is half a second off.
    PressMoved,
    /// The model takes the percentage of a dried mass of the later one.
    WrongMass,
    /// The model does not let tempering begin anew.
    NeverAnew,
    /// The bench is told a tenth of a gram more of each dried mass.
    LoadHeavier,
}

/// What is to be run.
#[derive(Debug, Clone)]
pub struct Options {
    pub seed: u64,
    /// Bench hours.
    pub hours: i64,
    /// Inputs, at most.
    pub steps: u64,
    /// The journal is in a file below this folder; without one it is in memory.
    pub folder: Option<PathBuf>,
    pub planted: Planted,
}

impl Options {
    pub const fn new(seed: u64, hours: i64) -> Self {
        Self { seed, hours, steps: u64::MAX, folder: None, planted: Planted::Nothing }
    }

    fn command(&self) -> String {
        let disk = if self.folder.is_some() { " --disk" } else { "" };
        let planted = match self.planted.to_possible_value().filter(|_| self.planted != Planted::Nothing) {
            Some(value) => format!(" --planted {}", value.get_name()),
            None => String::new(),
        };
        format!(
            "cargo run --release --example simulate -- --seed {} --hours {}{disk}{planted}",
            self.seed, self.hours
        )
    }
}

/// What was lived through.
#[derive(Debug, Clone, Copy, Default)]
pub struct Counts {
    pub hours: i64,
    pub inputs: u64,
    pub events: u64,
    pub documents: u64,
    pub commits: u64,
    pub failed: u64,
    pub crashes: u64,
    pub boots: u64,
    pub steps_of_clock: u64,
    pub compared: u64,
    pub refusals: u64,
    /// Samples that came back from the journal, and those of them with counted strokes.
    pub recalled: u64,
    pub recalled_counted: u64,
}

/// How a run ended.
#[derive(Debug, Clone)]
pub struct Ended {
    /// SHA-256 over all committed events.
    pub digest: String,
    pub counts: Counts,
    pub judged: super::ledger::Judged,
    pub tried: post::Tried,
}

/// What became of an input.
#[derive(Debug, Clone, Default)]
pub struct Fed {
    pub done: bool,
    pub made: Option<Uuid>,
}

/// A run.
pub struct Sim {
    pub options: Options,
    pub chance: Chance,
    pub world: World,
    pub lab: Lab,
    pub bench: Bench,
    pub people: People,
    pub tools: Tools,
    pub courses: Courses,
    pub counts: Counts,
    pub ledger: Ledger,
    pub post: Post,
    pub chain: Chain,
    /// The head after the last input that was confirmed.
    pub landed: Chain,
    pub store: Box<dyn Store>,
    pub trouble: Trouble,
    pub pending: Vec<(Input, Batch)>,
    /// The state when it was compared last, and every event since.
    pub base: Bench,
    pub since: Vec<EventRow>,
    pub since_inputs: u64,
    pub digest: Sha256,
    pub agenda: BinaryHeap<Reverse<(i64, u64, Task)>>,
    pub order: u64,
    pub next_id: u128,
    pub snapshot_at: u64,
    pub acked: Option<u64>,
    pub deadline: Option<i64>,
    pub post_at: i64,
}

impl Sim {
    pub fn new(options: Options) -> Result<Self, Broken> {
        broken::begin(options.seed, options.command());
        let mut chance = Chance::new(options.seed);
        let late = if options.planted == Planted::LimitShifted { 30 * SECOND } else { 0 };
        let lab = Lab::of(&mut chance, late);
        let settings = &lab.started.bench;
        let mut ledger = Ledger::new(
            lab.books.clone(),
            rules(&lab),
            &settings.foot,
            i64::from(settings.temperature_stale_s),
        );
        // Strokes that the shaker's own switch counts are no part of the model.
        ledger.blind = vec!["shaker-rate"];
        if lab.office {
            ledger.blind.extend(["equipment", "solution", "not-qualified"]);
        }
        let store: Box<dyn Store> = match &options.folder {
            Some(folder) => Box::new(Disk::new(folder)),
            None => Box::new(Memory::new()),
        };
        ledger.planted = (options.planted == Planted::NeverAnew, options.planted == Planted::WrongMass);
        let mut post = Post::new(chance.fork());
        post.planted = match options.planted {
            Planted::RelayForgets => post::Planted::Forgets,
            Planted::RelayAcksTwice => post::Planted::OneTooMany,
            Planted::SentOtherwise => post::Planted::Alters,
            _ => post::Planted::None,
        };
        let mut sim = Self {
            people: People::new(chance.fork()),
            tools: Tools::new(chance.fork()),
            courses: Courses::new(options.seed),
            trouble: Trouble::new(chance.fork()),
            world: World::new(),
            bench: Bench::default(),
            counts: Counts::default(),
            chain: Chain::genesis(JOURNAL),
            landed: Chain::genesis(JOURNAL),
            pending: Vec::new(),
            base: Bench::default(),
            since: Vec::new(),
            since_inputs: 0,
            digest: Sha256::new(),
            agenda: BinaryHeap::new(),
            order: 0,
            next_id: 0,
            snapshot_at: 0,
            acked: None,
            deadline: None,
            post_at: 0,
            options,
            chance,
            lab,
            ledger,
            post,
            store,
        };
        sim.feed(What::Started(Box::new(sim.lab.started.clone())), sim.world.moment())?;
        sim.begin_day();
        Ok(sim)
    }

    /// Puts something on the agenda, so many nanoseconds from now.
    pub fn later(&mut self, after_ns: i64, task: Task) {
        self.order += 1;
        self.agenda.push(Reverse((self.world.now_ns + after_ns.max(0), self.order, task)));
    }

    /// Lives through the hours.
    pub fn live(mut self) -> Result<Ended, Broken> {
        let end = self.options.hours * HOUR;
        while self.world.now_ns < end && self.counts.inputs < self.options.steps {
            self.next(end)?;
        }
        self.finish()
    }

    /// The next thing that happens.
    fn next(&mut self, end: i64) -> Result<(), Broken> {
        let task = self.agenda.peek().map_or(i64::MAX, |Reverse((at, ..))| *at);
        let deadline = self.deadline.unwrap_or(i64::MAX);
        let at = task.min(deadline).min(self.post_at).min(end);
        self.world.now_ns = self.world.now_ns.max(at);
        self.counts.hours = self.world.now_ns / HOUR;
        if at == end {
            return Ok(());
        }
        if at == self.post_at {
            return self.run_post();
        }
        if at == deadline {
            self.feed(What::Deadline, self.world.moment())?;
            return Ok(());
        }
        let Some(Reverse((_, _, task))) = self.agenda.pop() else { return Ok(()) };
        self.perform(task)
    }

    fn id(&mut self) -> Uuid {
        self.next_id += 4096;
        let ms = u128::from(u64::try_from(self.world.moment().wall_ns / 1_000_000).unwrap_or(0))
            & 0xffff_ffff_ffff;
        Uuid::from_u128((ms << 80) | 0x7000_8000_0000_0000_0000 | self.next_id)
    }

    /// A fresh identity for an act.
    pub fn fresh(&mut self) -> Uuid {
        self.id()
    }

    /// Decides one input, as the station does, and commits when it is time.
    pub fn feed(&mut self, what: What, moment: Moment) -> Result<Fed, Broken> {
        let input = Input { id: self.id(), moment, what };
        let fed = self.decide(input)?;
        self.wake()?;
        if self.pending.len() >= 5 || !self.people.hurried() {
            self.commit()?;
        }
        Ok(fed)
    }

    pub fn decide(&mut self, input: Input) -> Result<Fed, Broken> {
        broken::step(&input);
        self.counts.inputs += 1;
        self.since_inputs += 1;
        let told = self.shifted(&input);
        let batch = decide_alone(&mut self.bench, &mut self.chain, JOURNAL, told);
        let fed = fed(&batch);
        self.counts.refusals += u64::from(!fed.done && matches!(input.what, What::Act(_)));
        if !matches!(input.what, What::Instrument(_) | What::Deadline) {
            self.check_marks()?;
        }
        if self.options.planted == Planted::SentTooEarly
            && let Some(row) = batch.outbox.first()
        {
            self.post.leak(row, &*self.store)?;
        }
        self.pending.push((input, batch));
        Ok(fed)
    }

    /// What the bench is told of an input: all of it, unless a fault is planted.
    fn shifted(&mut self, input: &Input) -> Input {
        let mut told = input.clone();
        match (&input.what, self.options.planted) {
            (What::Act(_), Planted::StampShifted) => told.moment = input.moment.plus(-3 * SECOND),
            (What::Instrument(report), Planted::ReadingSwallowed)
                if super::tools::is_temperature(report) && (input.id.as_u128() / 4096).is_multiple_of(20) =>
            {
                told.what = What::Deadline;
            }
            (_, planted) => self.mistaken(&mut told, planted),
        }
        told
    }

    /// What is due by now is decided; a deadline has something to say, and then lies ahead.
    pub fn wake(&mut self) -> Result<(), Broken> {
        for _ in 0..100 {
            let now = self.world.moment();
            let Some(at) = self.bench.foresee(&now) else {
                self.deadline = None;
                return Ok(());
            };
            if at > now.boot_ns {
                self.deadline = Some(self.world.now_ns + (at - now.boot_ns));
                return Ok(());
            }
            let input = Input { id: self.id(), moment: now, what: What::Deadline };
            self.decide(input)?;
            if self.pending.last().is_some_and(|(_, batch)| batch.events.is_empty()) {
                return Err(Broken::new(format!(
                    "a deadline {} ns ago has nothing to say, and stays",
                    now.boot_ns - at
                )));
            }
        }
        Err(Broken::new("deadlines follow each other without end"))
    }

    /// No two cylinders at one place; no mark before the one before it.
    fn check_marks(&self) -> Result<(), Broken> {
        let mut places = 0_u64;
        for specimen in self.bench.specimens.values() {
            let bit = 1 << specimen.place.min(63);
            if places & bit != 0 {
                return Err(Broken::new(format!("two cylinders at place {}", specimen.place)));
            }
            places |= bit;
            let mut last: Option<&Moment> = None;
            for mark in specimen.points.iter().flatten() {
                if let Some(last) = last.filter(|last| last.boot == mark.moment.boot)
                    && mark.moment.boot_ns < last.boot_ns - SECOND
                {
                    return Err(Broken::new(format!("{} was marked back in time", specimen.label)));
                }
                last = Some(&mark.moment);
            }
        }
        Ok(())
    }

    /// Stores what waits, and lands it; or finds out what a failing disk kept of it.
    pub fn commit(&mut self) -> Result<(), Broken> {
        if self.pending.is_empty() {
            return Ok(());
        }
        let failing = match self.options.planted {
            Planted::StoreLies if self.counts.commits == 700 => Failing::Lies,
            _ => self.trouble.next(),
        };
        let merged = self.merged();
        if merged.is_empty() {
            // Nothing to store: told at once, as the station does.
            return self.land();
        }
        self.counts.commits += 1;
        if self.store.commit(merged, failing)? {
            return self.land();
        }
        self.recover()
    }

    pub fn merged(&mut self) -> Batch {
        let mut merged = Batch::default();
        for (_, batch) in &self.pending {
            merged.inputs.extend(batch.inputs.iter().cloned());
            merged.events.extend(batch.events.iter().cloned());
            merged.outbox.extend(batch.outbox.iter().cloned());
            merged.closed.extend(batch.closed.iter().cloned());
            match &mut merged.continued {
                Some(all) => all.to = batch.continued.as_ref().map_or(all.to.clone(), |own| own.to.clone()),
                none => none.clone_from(&batch.continued),
            }
        }
        if self.chain.seq() >= self.snapshot_at + SNAPSHOT_EVERY {
            self.snapshot_at = self.chain.seq();
            merged.snapshot = Some((self.snapshot_at, whole(&self.bench)));
        }
        merged.acked = self.acked.map(|number| (number, self.world.moment().wall_ns));
        merged
    }

    /// What was confirmed is held against the model.
    pub fn land(&mut self) -> Result<(), Broken> {
        self.landed = self.chain.clone();
        self.acked = None;
        let mut documents = false;
        for (input, batch) in std::mem::take(&mut self.pending) {
            self.ledger.land(&input, &batch)?;
            documents |= !batch.outbox.is_empty();
            self.counts.documents += batch.outbox.len() as u64;
            self.counts.events += batch.events.len() as u64;
            for row in batch.events {
                self.digest.update(row.kind.as_bytes());
                self.digest.update(row.moment.as_bytes());
                self.digest.update(row.payload.as_deref().unwrap_or_default().as_bytes());
                self.since.push(row);
            }
        }
        if documents {
            self.post_at = self.post_at.min(self.world.now_ns);
        }
        if self.since_inputs >= COMPARED_EVERY {
            self.compare()?;
        }
        Ok(())
    }

    /// The state as its events tell it since the last comparison.
    pub fn replayed(&self) -> Result<Bench, Broken> {
        let mut again = self.base.clone();
        apply(&mut again, &self.since)?;
        Ok(again)
    }

    /// Replay gives the same state, and the model the same marks.
    fn compare(&mut self) -> Result<(), Broken> {
        if self.replayed()? != self.bench {
            return Err(Broken::new("replay gives another state"));
        }
        for specimen in self.bench.specimens.values() {
            let vial = self.ledger.vial(specimen.id)?;
            let marks: Vec<Option<Moment>> =
                specimen.points.iter().map(|p| p.as_ref().map(|m| m.moment)).collect();
            if vial.marks != marks || vial.place != specimen.place {
                return Err(Broken::new(format!(
                    "{}: the model has other marks: {:?}, and {marks:?}",
                    specimen.label, vial.marks
                )));
            }
        }
        let now = self.world.moment().plus(-48 * HOUR);
        self.ledger.warmth.forget(&now);
        self.rebase();
        Ok(())
    }

    pub fn rebase(&mut self) {
        self.base = self.bench.clone();
        self.since.clear();
        self.since_inputs = 0;
        self.counts.compared += 1;
    }

    pub fn post_now(&self) -> u64 {
        u64::try_from(self.world.now_ns / 1_000_000).unwrap_or(0)
    }

    fn run_post(&mut self) -> Result<(), Broken> {
        let (said, acked) = self.post.run(self.post_now(), &*self.store)?;
        self.acked = acked.or(self.acked);
        let pause = if self.post.lacks(&*self.store) > 0 { 700_000_000 } else { 240 * SECOND };
        self.post_at = self.world.now_ns + self.chance.between(1_000_000, pause);
        for said in said {
            self.network(said)?;
        }
        if self.store.newest() != self.landed.newest_document() && self.pending.is_empty() {
            return Err(Broken::new("the outbox holds other documents than were confirmed"));
        }
        Ok(())
    }

    /// A sample that has left the bench, as the journal holds it.
    pub fn closed(&self, id: Uuid) -> Option<String> {
        self.store.closed(id)
    }

    /// Calm at the end: all is stored, sent, and the same after one more restart.
    fn finish(mut self) -> Result<Ended, Broken> {
        if self.options.steps == u64::MAX {
            self.commit()?;
            self.compare()?;
            self.crash()?;
            self.commit()?;
            self.post.calm = true;
            for _ in 0..60_000 {
                if self.post.lacks(&*self.store) == 0 {
                    break;
                }
                self.world.now_ns += SECOND / 4;
                self.run_post()?;
                self.commit()?;
            }
            let lacks = self.post.lacks(&*self.store);
            if lacks > 0 {
                return Err(Broken::new(format!("{lacks} documents never reached the consumer")));
            }
            self.store.verify()?;
        }
        Ok(Ended {
            digest: hex(&self.digest.finalize().into()),
            counts: self.counts,
            judged: self.ledger.judged,
            tried: self.post.tried,
        })
    }
}

/// The switches and settings of a laboratory, as the model takes them.
fn rules(lab: &Lab) -> Rules {
    let settings = &lab.started.bench;
    let mut switches = BTreeMap::from([
        ("shaker".to_owned(), Meaning::Contact),
        ("foot".to_owned(), Meaning::Foot),
        ("start".to_owned(), Meaning::Button),
    ]);
    switches.extend((1..=settings.places).map(|place| (format!("place-{place}"), Meaning::Place(place))));
    let shaker_holds = usize::try_from(settings.shaker_holds).unwrap_or(0);
    Rules { switches, approach_ns: i64::from(settings.approach_s) * SECOND, shaker_holds }
}

fn apply(bench: &mut Bench, rows: &[EventRow]) -> Result<(), Broken> {
    for row in rows {
        let event = stored_event(row, row.payload.as_deref().unwrap_or_default()).map_err(Broken::new)?;
        let moment = serde_json::from_str(&row.moment).map_err(Broken::new)?;
        bench.apply(&event, &moment);
    }
    Ok(())
}

pub fn whole(bench: &Bench) -> String {
    serde_json::to_string(bench).expect("a bench is plain data")
}

fn fed(batch: &Batch) -> Fed {
    let Some(row) = batch.inputs.first() else { return Fed { done: true, made: None } };
    let done = row.outcome.starts_with(r#"{"outcome":"done","#);
    let made = row.outcome.rsplit_once(r#""made":""#).and_then(|(_, id)| id.get(..36)?.parse().ok());
    Fed { done, made }
}
