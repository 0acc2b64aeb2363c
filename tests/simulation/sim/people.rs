//! The people of the laboratory: a technician who does the job mostly right, and everything that
//! goes otherwise.

use super::book::Book;
use super::broken::Broken;
use super::chance::Chance;
use super::post;
use super::run::{Fed, Sim};
use super::world::HOUR;
use rust_decimal::Decimal;
use std::rc::Rc;
use stillstand::domain::bench::{Act, Contact, Do, NetworkCondition, NetworkReport, Trigger, What};
use stillstand::domain::measure::{self, Property};
use stillstand::domain::method::{Edge, Level};
use stillstand::domain::moment::SECOND;
use stillstand::domain::specimen::sample::Preparation;
use stillstand::network::ConditionName;
use uuid::Uuid;

/// What stands on the agenda.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Task {
    /// The probe speaks.
    Probe,
    /// The probe of the room speaks.
    Room,
    /// A bag is brought.
    Bag,
    /// A tin of a sample is to take a place; so many after it.
    Fill(Uuid, u32),
    /// Somebody goes on with preparing a sample step by step.
    Course(Uuid),
    /// Somebody turns to a specimen.
    Attend(Uuid),
    /// Somebody looks for what was left lying.
    Tidy,
    /// Something goes otherwise.
    Odd,
    /// The wall clock is stepped.
    Step,
    /// The program is cut off.
    Crash,
}

/// The people.
#[derive(Debug, Clone)]
pub struct People {
    pub chance: Chance,
    bags: u32,
}

impl People {
    pub const fn new(chance: Chance) -> Self {
        Self { chance, bags: 0 }
    }

    /// What comes is so close together that it is stored together.
    pub fn hurried(&mut self) -> bool {
        self.chance.one_in(5)
    }
}

pub const NAMES: [&str; 3] = ["Ada Brook", "Jon Vale", "Mira Stern"];

impl Sim {
    pub fn begin_day(&mut self) {
        self.later(SECOND, Task::Probe);
        self.later(2 * SECOND, Task::Room);
        self.later(60 * SECOND, Task::Bag);
        self.later(HOUR, Task::Tidy);
        self.later(HOUR / 2, Task::Odd);
        self.later(7 * HOUR, Task::Step);
        self.later(11 * HOUR, Task::Crash);
    }

    /// Does what stands on the agenda.
    pub fn perform(&mut self, task: Task) -> Result<(), Broken> {
        match task {
            Task::Probe => {
                let jitter = self.chance.between(-900_000_000, 900_000_000);
                self.later(60 * SECOND + jitter, task);
                if let Some(report) = self.tools.probe() {
                    self.feed(What::Instrument(report), self.world.moment())?;
                }
            }
            Task::Room => {
                self.later(600 * SECOND, task);
                let report = self.tools.room();
                self.feed(What::Instrument(report), self.world.moment())?;
            }
            Task::Bag => {
                let pause = self.chance.between(300, 3600);
                self.later(pause * SECOND, task);
                if self.world.is_open() && self.free_place().is_some() && self.bench.samples.len() < 10 {
                    self.bag()?;
                }
            }
            Task::Fill(sample, more) => self.fill(sample, more)?,
            Task::Course(sample) => self.course(sample)?,
            Task::Attend(specimen) => self.attend(specimen)?,
            Task::Tidy => {
                self.later(HOUR, task);
                self.tidy()?;
            }
            Task::Odd => {
                let pause = self.chance.between(20, 2000);
                self.later(pause * SECOND, task);
                if self.world.is_open() || self.chance.one_in(30) {
                    self.odd()?;
                }
            }
            Task::Step => {
                let pause = self.chance.between(1, 60);
                self.later(pause * HOUR, task);
                self.step_clock();
            }
            Task::Crash => {
                let pause = self.chance.between(60, 100 * 3600);
                self.later(pause * SECOND, task);
                self.crash()?;
            }
        }
        Ok(())
    }

    /// Somebody does something, by the page or by an ask.
    pub fn act(&mut self, what: Do, stated_wall_ns: Option<i64>) -> Result<Fed, Broken> {
        let id = self.fresh();
        let who = (!self.chance.one_in(200)).then(|| (*self.people.chance.pick(&NAMES)).to_owned());
        let via = if self.chance.one_in(4) { "ask" } else { "page" }.to_owned();
        let act = Act { id, who, via, seen: None, stated_wall_ns, balance: None, take_over: true, what };
        let again = self.chance.one_in(60).then(|| act.clone());
        let failed = self.counts.failed;
        let fed = self.feed(What::Act(act), self.world.moment())?;
        // What a failing disk lost may well be done by sending it again.
        if let Some(again) = again.filter(|_| fed.done && self.counts.failed == failed) {
            // The client did not hear the answer and sends the same once more.
            let second = self.feed(What::Act(again), self.world.moment())?;
            if second.done && self.counts.failed == failed {
                return Err(Broken::new("the same act was done twice"));
            }
        }
        Ok(fed)
    }

    /// A switch, now or a moment ago.
    fn press(&mut self, name: &str, contact: Result<Contact, String>) -> Result<Fed, Broken> {
        let ago = if self.chance.one_in(3) { self.chance.between(0, 900_000_000) } else { 0 };
        let moment = if ago == 0 { self.world.moment() } else { self.world.edge(ago) };
        self.feed(What::Trigger(Trigger { name: name.to_owned(), contact, via: "gpio".to_owned() }), moment)
    }

    pub fn weigh(&mut self, grams: Decimal) -> Result<Fed, Broken> {
        let report = self.tools.mass(grams);
        self.feed(What::Instrument(report), self.world.moment())
    }

    pub fn book(&self, digest: &str) -> Rc<Book> {
        let id = &self.bench.methods[digest].id;
        self.lab.books[id].clone()
    }

    pub fn free_place(&mut self) -> Option<u32> {
        let free: Vec<u32> =
            (1..=self.bench.settings.places).filter(|place| self.bench.at_place(*place).is_none()).collect();
        (!free.is_empty()).then(|| *self.chance.pick(&free))
    }

    /// A bag is registered and prepared, and its tins wait.
    fn bag(&mut self) -> Result<(), Broken> {
        let method = self.chance.pick(&self.lab.ids).clone();
        let specimens = u32::try_from(self.chance.between(1, 3)).expect("a few");
        self.people.bags += 1;
        let label = format!("S-{}", self.people.bags);
        let what = Do::RegisterSample {
            label,
            method: method.clone(),
            specimens: Some(specimens),
            particulars: None,
        };
        let Fed { made: Some(sample), done: true } = self.act(what, None)? else { return Ok(()) };
        let book = self.lab.books[&method].clone();
        if self.goes_by_course(&book) {
            self.later(30 * SECOND, Task::Course(sample));
            return Ok(());
        }
        self.act(Do::Prepare { sample, what: Preparation::Sieved }, None)?;
        for (name, limits) in &book.masses {
            if self.chance.one_in(2) {
                self.act(Do::AwaitSampleMass { sample, name: name.clone() }, None)?;
                let low = limits.min.unwrap_or(Decimal::from(400));
                let wrong = self.chance.one_in(8);
                let grams =
                    low + Decimal::new(self.chance.between(if wrong { -20_000 } else { 0 }, 30_000), 2);
                self.weigh(grams)?;
            }
        }
        let mut wait = self.chance.between(60, 600);
        if self.chance.one_in(3) {
            self.act(Do::Prepare { sample, what: Preparation::MoistureChanged }, None)?;
            let min = book.tempering_ns.map_or(600, |ns| ns / SECOND);
            wait = if self.chance.one_in(5) {
                self.chance.between(1, min)
            } else {
                self.chance.between(min, min + 900)
            };
        }
        if book.portion.is_some_and(|(_, basis)| basis.is_some()) {
            self.state_material(sample)?;
        }
        self.later(wait * SECOND, Task::Fill(sample, specimens - 1));
        Ok(())
    }

    fn state_material(&mut self, sample: Uuid) -> Result<(), Broken> {
        for of in [Property::Moisture, Property::Fines] {
            if !self.chance.one_in(8) {
                let high = if of == Property::Moisture { 25 } else { 180 };
                let percent = Decimal::new(self.chance.between(0, high), 1).to_string();
                self.act(Do::Measure(measure::Act::StateMaterial { sample, of, percent }), None)?;
            }
        }
        Ok(())
    }

    pub fn fill(&mut self, sample: Uuid, more: u32) -> Result<(), Broken> {
        if !self.bench.samples.contains_key(&sample) {
            return Ok(());
        }
        let again = self.chance.between(60, 480);
        let Some(place) = self.free_place() else {
            self.later(600 * SECOND, Task::Fill(sample, more));
            return Ok(());
        };
        let Fed { made: Some(specimen), done: true } =
            self.act(Do::RegisterSpecimen { sample, place }, None)?
        else {
            return Ok(());
        };
        let Some(digest) = self.bench.samples.get(&sample).map(|known| known.method.clone()) else {
            return Ok(());
        };
        let book = self.book(&digest);
        if book.portion.is_some() || self.chance.one_in(4) {
            self.weigh_portion(specimen, &book)?;
        }
        let soon = self.chance.between(5, 90);
        self.later(soon * SECOND, Task::Attend(specimen));
        if more > 0 {
            self.later(again * SECOND, Task::Fill(sample, more - 1));
        }
        Ok(())
    }

    fn weigh_portion(&mut self, specimen: Uuid, book: &Book) -> Result<(), Broken> {
        if self.chance.one_in(12) {
            return Ok(());
        }
        self.act(Do::AwaitSpecimenMass { specimen }, None)?;
        let grams = Decimal::new(self.chance.between(11_850, 12_350), 2);
        self.weigh(grams)?;
        if book.portion.is_some() && self.chance.one_in(2) {
            let fed = self.act(Do::Measure(measure::Act::AwaitCorrectiveSand { specimen }), None)?;
            if fed.done {
                let grams = Decimal::new(self.chance.between(0, 6_000), 2);
                self.weigh(grams)?;
            }
        }
        Ok(())
    }

    /// How long an interval is kept: mostly within its window, and often just at its limits.
    fn duration(&mut self, min: Option<i64>, max: Option<i64>) -> i64 {
        let (low, high) = match (min, max) {
            (None, None) => return self.chance.between(2, 90) * SECOND + self.chance.between(0, SECOND),
            (min, max) => (min.unwrap_or(0), max.unwrap_or(min.unwrap_or(0) + 600 * SECOND)),
        };
        let tenth = SECOND / 10;
        match self.chance.below(24) {
            0 => low - self.chance.between(1, low.clamp(2, 90 * SECOND)),
            1 => high + self.chance.between(1, 200 * SECOND),
            2 => low,
            3 => high,
            4 => low - tenth / 2 + self.chance.between(-1, 1),
            5 => high + tenth / 2 + self.chance.between(-1, 1),
            6 => high + self.chance.between(0, tenth),
            _ => self.chance.between(low, high),
        }
    }

    /// Somebody turns to a specimen, and does what is next.
    fn attend(&mut self, id: Uuid) -> Result<(), Broken> {
        let Some(specimen) = self.bench.specimens.get(&id) else { return Ok(()) };
        let book = self.book(&specimen.method.clone());
        let marked: Vec<bool> = specimen.points.iter().map(Option::is_some).collect();
        let open_run = specimen.further_runs.last().is_some_and(|run| run.end.is_none());
        let place = specimen.place;
        if specimen.is_over() && !open_run {
            if let Some(step) = book.points.iter().find(|point| point.frees).map(|point| point.step) {
                let step = book.steps[step].name.clone();
                self.act(Do::Mark { specimen: id, step, edge: Edge::Done }, None)?;
            }
            self.later(200 * SECOND, Task::Attend(id));
            return Ok(());
        }
        if open_run {
            self.act(Do::MarkNext { specimen: id }, None)?;
            self.later(20 * SECOND, Task::Attend(id));
            return Ok(());
        }
        let next = marked.iter().rposition(|m| *m).map_or(0, |at| at + 1);
        let mut at = next;
        while book.points.get(at).is_some_and(|point| point.optional) && self.chance.one_in(3) {
            at += 1;
        }
        let Some(point) = book.points.get(at).copied() else { return Ok(()) };
        if let Edge::Value(of) = point.edge {
            return self.enter(id, of, &book);
        }
        if point.edge == Edge::End
            && !book.steps[point.step].interval.as_ref().is_some_and(|i| i.begins_by_press)
            && self.chance.one_in(14)
        {
            self.act(Do::NoLineYet { specimen: id }, None)?;
            let wait = self.chance.between(30, 900);
            self.later(wait * SECOND, Task::Attend(id));
            return Ok(());
        }
        let began = self.world.now_ns;
        self.mark(id, (place, at == next), &book, at)?;
        let window = window_after(&book, at);
        let wait = match window {
            Some((min, max)) => self.duration(min, max),
            None => self.chance.between(2, 60) * SECOND,
        };
        // From the mark on, whatever was done meanwhile.
        self.later(wait - (self.world.now_ns - began), Task::Attend(id));
        Ok(())
    }

    /// Marks a point, by one way or another.
    fn mark(
        &mut self,
        specimen: Uuid,
        (place, is_next): (u32, bool),
        book: &Book,
        at: usize,
    ) -> Result<(), Broken> {
        let point = book.points[at];
        let name = book.steps[point.step].name.clone();
        if point.machine && self.chance.one_in(2) {
            let on = point.edge == Edge::Begin;
            let name = if self.chance.one_in(4) { "start" } else { "shaker" };
            let contact = match (name, on) {
                ("start", _) => Contact::Press,
                (_, true) => Contact::On,
                (_, false) => Contact::Off,
            };
            let fed = self.press(name, Ok(contact))?;
            return self.give(&fed, specimen);
        }
        match self.chance.below(10) {
            0..=2 if is_next => {
                self.press(&format!("place-{place}"), Ok(Contact::Press))?;
            }
            3 if is_next => {
                let fed = self.press("foot", Ok(Contact::Press))?;
                self.give(&fed, specimen)?;
            }
            4 | 5 if is_next => {
                self.act(Do::MarkNext { specimen }, None)?;
            }
            6 if self.chance.one_in(3) => {
                let ago = self.chance.between(0, 40 * SECOND);
                let stated = self.world.moment().wall_ns - ago;
                self.act(Do::Mark { specimen, step: name, edge: point.edge }, Some(stated))?;
            }
            _ => {
                self.act(Do::Mark { specimen, step: name.clone(), edge: point.edge }, None)?;
            }
        }
        if book.steps[point.step].interval.as_ref().is_some_and(|i| i.count.is_some())
            && !self.chance.one_in(6)
        {
            let number = u32::try_from(self.chance.between(88, 101)).expect("a count");
            let step = book.steps[point.step].name.clone();
            self.act(Do::Measure(measure::Act::Count { specimen, step, number }), None)?;
        }
        Ok(())
    }

    /// A press that was kept, since it was not clear whom it meant, is given to the one that was meant.
    fn give(&mut self, pressed: &Fed, specimen: Uuid) -> Result<(), Broken> {
        if let Some(press) = pressed.made.filter(|_| self.chance.one_in(2)) {
            self.act(Do::AssignPress { press, specimens: vec![specimen] }, None)?;
        }
        Ok(())
    }

    /// Enters a level, now and then one that is refused.
    fn enter(&mut self, specimen: Uuid, of: Level, book: &Book) -> Result<(), Broken> {
        let value = self.level(of, book);
        let confirmed = self.chance.one_in(2);
        self.act(Do::EnterReading { specimen, of, value, confirmed }, None)?;
        let wait = self.chance.between(10, 120);
        self.later(wait * SECOND, Task::Attend(specimen));
        Ok(())
    }

    pub fn level(&mut self, of: Level, book: &Book) -> String {
        let inches = book.levels.mark < Decimal::ONE;
        let (low, high) = match (of, inches) {
            (Level::Clay, true) => (700, 1510),
            (Level::Clay, false) => (1800, 3850),
            (Level::Sand, true) => (40, 760),
            (Level::Sand, false) => (150, 1900),
            (Level::Sediment, _) => (50, 1400),
        };
        let mut value = Decimal::new(self.chance.between(low, high), if inches { 2 } else { 1 });
        if of == Level::Sand {
            value += book.offset(&self.bench.settings.foot);
        }
        if self.chance.one_in(40) {
            value = Decimal::new(self.chance.between(0, 2000), 1);
        }
        if self.chance.one_in(2) { value.round_dp(1).to_string() } else { value.to_string() }
    }

    /// What was left lying: samples that want more tins, specimens that nobody turns to, alarms,
    /// presses.
    fn tidy(&mut self) -> Result<(), Broken> {
        let specimens: Vec<Uuid> = self.bench.specimens.keys().copied().collect();
        for id in specimens {
            if self.chance.one_in(3) {
                self.later(SECOND, Task::Attend(id));
            }
        }
        let samples: Vec<(Uuid, bool)> = self
            .bench
            .samples
            .values()
            .filter(|sample| sample.reported.is_none())
            .map(|sample| (sample.id, sample.complete() + at_work(self, sample.id) < sample.wanted()))
            .collect();
        for (id, wants) in samples {
            if wants && self.chance.one_in(2) {
                let by_course = self.follows_course(id);
                self.later(30 * SECOND, if by_course { Task::Course(id) } else { Task::Fill(id, 0) });
            }
        }
        let presses: Vec<Uuid> = self.bench.presses.iter().map(|press| press.id).collect();
        for press in presses {
            if self.chance.one_in(3) {
                self.act(Do::DismissPress { press }, None)?;
            }
        }
        let alarms: Vec<Uuid> = self.bench.alarms.values().map(|alarm| alarm.occurrence).collect();
        for occurrence in alarms {
            if self.chance.one_in(2) {
                self.act(Do::AcknowledgeAlarm { occurrence }, None)?;
            }
        }
        Ok(())
    }

    /// What the network tells the station.
    pub fn network(&mut self, said: post::Said) -> Result<(), Broken> {
        let report = match said {
            post::Said::Connected => NetworkReport::Connected,
            post::Said::Away(why) => NetworkReport::Away { why },
            post::Said::Condition(name, text, active) => {
                let condition = match name {
                    ConditionName::NoSubscriber => NetworkCondition::NoSubscriber,
                    ConditionName::Denied | ConditionName::StateDenied => NetworkCondition::Denied,
                    _ => return Ok(()),
                };
                NetworkReport::Condition { condition, active, text }
            }
        };
        self.feed(What::Network(report), self.world.moment())?;
        Ok(())
    }
}

fn at_work(sim: &Sim, sample: Uuid) -> u32 {
    let own = sim.bench.specimens.values().filter(|s| s.sample == sample && !s.is_over());
    u32::try_from(own.count()).expect("a few")
}

/// The window of the interval that runs once a point was marked.
fn window_after(book: &Book, at: usize) -> Option<(Option<i64>, Option<i64>)> {
    let point = book.points[at];
    let own = book.steps[point.step].interval.as_ref().filter(|_| point.edge == Edge::Begin);
    let next = book.steps.get(point.step + 1).and_then(|step| step.interval.as_ref());
    let follows = next.filter(|interval| point.edge == Edge::End && !interval.begins_by_press);
    own.or(follows).map(|interval| (interval.min_ns, interval.max_ns))
}
