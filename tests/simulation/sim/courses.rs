//! People who prepare a sample step by step, mostly rightly. What they do is drawn from a stream of
//! its own, so that a laboratory that prepares otherwise does what it always did.

use super::book::Book;
use super::broken::Broken;
use super::chance::Chance;
use super::oven::last;
use super::people::Task;
use super::route::Kind;
use super::run::Sim;
use super::store::Trouble;
use super::vial::between;
use super::way::{Moist, Until, Way, numbered};
use rust_decimal::Decimal;
use stillstand::domain::bench::Do;
use stillstand::domain::moment::SECOND;
use stillstand::domain::preparation::{Act, Finding, MassOf};
use stillstand::domain::quantity::Unit;
use stillstand::domain::specimen::Target;
use stillstand::domain::specimen::sample::Preparation;
use uuid::Uuid;

/// Sets the stream of courses apart from the others of its seed.
const APART: u64 = 0x7469_6e73_616e_6473;
/// Marks on the laboratory's tins: fewer than are asked for on a busy day.
const TINS: [&str; 7] = ["T-1", "T-2", "T-3", "T-4", "T-5", "T-6", "T-7"];

/// What courses are drawn from, and whether the laboratory knows them.
pub struct Courses {
    chance: Chance,
    people: Chance,
    tools: Chance,
    trouble: Trouble,
    are_kept: bool,
}

impl Courses {
    pub fn new(seed: u64) -> Self {
        let mut chance = Chance::new(seed ^ APART);
        let are_kept = !chance.one_in(3);
        let (people, tools) = (chance.fork(), chance.fork());
        Self { trouble: Trouble::new(chance.fork()), people, tools, are_kept, chance }
    }
}

impl Sim {
    /// A new bag goes by a course.
    pub fn goes_by_course(&mut self, book: &Book) -> bool {
        self.courses.are_kept && !book.preparing.routes.is_empty() && !self.courses.chance.one_in(3)
    }

    pub fn follows_course(&self, sample: Uuid) -> bool {
        self.bench.samples.get(&sample).is_some_and(|known| known.course.is_some())
    }

    /// From here on everything is drawn from the other streams, and back.
    fn change_streams(&mut self) {
        std::mem::swap(&mut self.chance, &mut self.courses.chance);
        std::mem::swap(&mut self.people.chance, &mut self.courses.people);
        std::mem::swap(&mut self.tools.chance, &mut self.courses.tools);
        std::mem::swap(&mut self.trouble, &mut self.courses.trouble);
    }

    /// Somebody goes on with preparing a sample.
    pub fn course(&mut self, sample: Uuid) -> Result<(), Broken> {
        self.change_streams();
        let done = self.go_on(sample);
        self.change_streams();
        done
    }

    fn prepare(&mut self, act: Act) -> Result<bool, Broken> {
        let last = self.bench.samples.get(&subject(&act)).and_then(|sample| {
            let course = sample.course.as_ref()?;
            Some(course.entries.iter().rev().find(|e| e.taken_back.is_none())?.marked.moment.wall_ns)
        });
        // Now and then the time is stated: since the last entry, or a little before it, or ahead.
        let stated = if self.chance.one_in(14) {
            let now = self.world.moment().wall_ns;
            let from = last.unwrap_or(now - 600 * SECOND).min(now) - 20 * SECOND;
            Some(from + self.chance.between(0, (now - from).max(0) + 5 * SECOND))
        } else {
            None
        };
        Ok(self.act(Do::Preparation(Box::new(act)), stated)?.done)
    }

    fn go_on(&mut self, sample: Uuid) -> Result<(), Broken> {
        self.commit()?;
        let Some(bag) = self.ledger.bags.get(&sample).filter(|bag| !bag.reported && !bag.closed) else {
            return Ok(());
        };
        let Some(way) = bag.way.clone() else {
            let routes: Vec<String> = bag.book.preparing.routes.iter().map(|r| r.name.clone()).collect();
            let course = self.chance.pick(&routes).clone();
            self.prepare(Act::Follow { sample, course })?;
            self.again(sample, 300);
            return Ok(());
        };
        if self.ledger.wanted(sample).is_none_or(|wanted| wanted == 0) && !self.chance.one_in(4) {
            // Whoever finds that more are wanted comes back.
            return Ok(());
        }
        if self.chance.one_in(5) {
            self.otherwise(sample, &way)?;
            self.again(sample, 400);
            return Ok(());
        }
        let now = self.world.moment();
        let stages = way.route.stages.len();
        let stand = |at: usize| self.ledger.stand(sample, at, Until::Now, &now);
        let next = (0..stages).find(|at| !stand(*at).is_complete());
        match next {
            // Tins are given their places while others are filled or dried.
            Some(_) if has_ready(&way) && self.chance.one_in(6) => {
                self.fill(sample, 0)?;
                self.again(sample, 200);
                Ok(())
            }
            Some(at) => self.step(sample, &way, at),
            None => {
                self.fill(sample, 0)?;
                self.again(sample, 200);
                Ok(())
            }
        }
    }

    /// Somebody comes back to it.
    fn again(&mut self, sample: Uuid, within_s: i64) {
        let wait = self.chance.between(5, within_s);
        self.later(wait * SECOND, Task::Course(sample));
    }

    /// The step whose turn it is.
    fn step(&mut self, sample: Uuid, way: &Way, at: usize) -> Result<(), Broken> {
        let stage = way.route.stages[at].clone();
        let step = stage.name.clone();
        if stage.optional && self.chance.one_in(2) {
            self.prepare(Act::Skip { sample, step, reason: "the agency asks for none".to_owned() })?;
            self.again(sample, 100);
            return Ok(());
        }
        match stage.kind {
            Kind::Done => {
                self.prepare(Act::Done { sample, step })?;
            }
            Kind::Weigh(name) => {
                let fed = self.act(Do::AwaitSampleMass { sample, name }, None)?;
                if fed.done && !self.chance.one_in(10) {
                    let grams = Decimal::new(self.chance.between(98_000, 152_000), 2);
                    self.weigh(grams)?;
                }
            }
            Kind::Cast => self.squeeze(sample, way)?,
            Kind::Temper => {
                let now = self.world.moment();
                let left = way.tempering(Until::Now).map_or(0, |(_, since)| way.tempers_for(&since, &now));
                if self.chance.one_in(5) {
                    // Too early: asked about once, and then a deviation.
                    self.tin(sample, way)?;
                } else {
                    let more = self.chance.between(-1, 90) * SECOND / 2;
                    self.later(left.clamp(0, 3600 * SECOND) + more, Task::Course(sample));
                    return Ok(());
                }
            }
            Kind::Tins { .. } => {
                self.tin(sample, way)?;
                if way.route.dries().is_some() && self.chance.one_in(3) {
                    return self.dry(sample, way);
                }
            }
            Kind::Dry { .. } => return self.dry(sample, way),
        }
        self.again(sample, 300);
        Ok(())
    }

    fn squeeze(&mut self, sample: Uuid, way: &Way) -> Result<(), Broken> {
        let over_wet = way.moist(Until::Now) == Moist::Changing { over_wet: true };
        let finding = match (over_wet, self.chance.below(8)) {
            (true, 0..=4) => Finding::MoreFragile,
            (true, 5 | 6) => Finding::AsFirm,
            (false, 0..=3) => Finding::Good,
            (false, 4) => Finding::TooWet,
            (_, _) => Finding::TooDry,
        };
        self.cast(sample, finding)
    }

    /// A cast is entered, with what was changed where it is not right.
    fn cast(&mut self, sample: Uuid, finding: Finding) -> Result<(), Broken> {
        let right = matches!(finding, Finding::Good | Finding::MoreFragile);
        let says = right == self.chance.one_in(12);
        let changed = says.then(|| "30 mL of water, mixed".to_owned());
        self.prepare(Act::Cast { sample, finding, changed })?;
        Ok(())
    }

    /// One more tin: weighed empty where it is to be dried, filled, struck off.
    fn tin(&mut self, sample: Uuid, way: &Way) -> Result<(), Broken> {
        let mark = (!self.chance.one_in(3)).then(|| (*self.chance.pick(&TINS)).to_owned());
        if way.route.mixes() && !way.is_mixed(usize::MAX) && !self.chance.one_in(7) {
            self.prepare(Act::Remix { sample })?;
        }
        if way.route.dries().is_some() && !self.chance.one_in(8) {
            let weighs = self.prepare(Act::WeighEmptyTin { sample, tin: None, mark: mark.clone() })?;
            if weighs && !self.chance.one_in(20) {
                let grams = Decimal::new(self.chance.between(4_400, 4_600), 2);
                self.weigh(grams)?;
            }
        }
        let asked =
            !self.prepare(Act::FillTin { sample, tin: None, mark: mark.clone(), confirmed: false })?;
        if asked && self.chance.one_in(2) {
            self.prepare(Act::FillTin { sample, tin: None, mark, confirmed: true })?;
        }
        Ok(())
    }

    /// Tins go into the oven, are weighed again and again, cool.
    fn dry(&mut self, sample: Uuid, way: &Way) -> Result<(), Broken> {
        let waiting = way.ready().into_iter().any(|tin| way.load_of(tin).is_none());
        if waiting && (way.loads.is_empty() || self.chance.one_in(2)) {
            let in_pan = self.chance.one_in(4);
            if !self.prepare(Act::BeginDrying { sample, tins: Vec::new(), in_pan })? {
                self.prepare(Act::BeginDrying { sample, tins: Vec::new(), in_pan: true })?;
            }
            self.again(sample, 60);
            return Ok(());
        }
        let open = (0..way.loads.len()).map(numbered).find(|load| !way.is_over(*load, Until::Now));
        let Some(load) = open else {
            self.again(sample, 300);
            return Ok(());
        };
        let known = &way.loads[super::way::at(load)];
        if way.is_out(load, Until::Now) {
            if !self.chance.one_in(5) {
                self.prepare(Act::Cooled { sample, load })?;
            }
            self.again(sample, 900);
            return Ok(());
        }
        if known.in_pan && known.pan.is_empty() {
            let grams = Decimal::new(self.chance.between(20_000, 21_000), 2);
            self.weigh_load(sample, MassOf::EmptyPan { load }, grams)?;
            self.again(sample, 60);
            return Ok(());
        }
        let tare = way.oven(load).and_then(|oven| oven.tare).unwrap_or(0) / 10_000;
        let tare = i64::try_from(tare).unwrap_or(0);
        if known.before.is_empty() && known.dried.is_empty() && !self.chance.one_in(12) {
            let net = self.chance.between(9_000, 40_000);
            self.weigh_load(sample, MassOf::BeforeDrying { load }, Decimal::new(tare + net, 2))?;
            self.again(sample, 60);
            return Ok(());
        }
        if self.chance.one_in(3) {
            let (low, high, unit) = if self.chance.one_in(4) {
                (2_190, 2_410, Some(Unit::Fahrenheit))
            } else {
                (1_045, 1_155, None)
            };
            let temperature = Decimal::new(self.chance.between(low, high), 1).to_string();
            self.prepare(Act::NoteOven { sample, load, temperature, unit })?;
        }
        self.weigh_dried(sample, way, load, tare)
    }

    /// A load comes out to be weighed, mostly once the method's time is over.
    fn weigh_dried(&mut self, sample: Uuid, way: &Way, load: u32, tare: i64) -> Result<(), Broken> {
        let known = &way.loads[super::way::at(load)];
        let now = self.world.moment();
        let every = way.book.preparing.constancy.and_then(|rule| rule.every_ns).unwrap_or(0);
        let since = last(&known.dried).map(|mass| between(&mass.at, &now).0);
        if since.is_some_and(|since| since < every) && !self.chance.one_in(8) {
            let left = every - since.unwrap_or(0);
            let wait = left.clamp(0, 7200 * SECOND) + self.chance.between(0, 120 * SECOND);
            self.later(wait, Task::Course(sample));
            return Ok(());
        }
        let from = last(&known.dried).or(last(&known.before)).map_or(tare + 20_000, hundredths);
        let net = (from - tare).max(1);
        let lost = match self.chance.below(12) {
            // Just at a tenth of a percent, and beside it.
            0 => net / 1000,
            1 => net / 1000 + 1,
            2 => -1,
            3 => -self.chance.between(0, 60),
            4 => self.chance.between(0, net),
            5 => net + self.chance.between(-2, 2),
            6 | 7 => self.chance.between(0, net / 50),
            _ => self.chance.between(0, net / 1200 + 1),
        };
        self.weigh_load(sample, MassOf::Dried { load }, Decimal::new((from - lost).max(1), 2))?;
        self.again(sample, 200);
        Ok(())
    }

    fn weigh_load(&mut self, sample: Uuid, of: MassOf, grams: Decimal) -> Result<(), Broken> {
        let waits = self.prepare(Act::AwaitDryingMass { sample, of })?;
        if waits && !self.chance.one_in(15) {
            self.weigh(grams)?;
        }
        Ok(())
    }

    /// Something else than the step whose turn it is.
    fn otherwise(&mut self, sample: Uuid, way: &Way) -> Result<(), Broken> {
        let step = self.chance.pick(&way.route.stages).name.clone();
        let number = u32::try_from(self.chance.between(1, 3)).expect("a few");
        let reason = if self.chance.one_in(8) { " " } else { "it was another portion" }.to_owned();
        match self.chance.below(17) {
            0 => self.prepare(Act::Done { sample, step })?,
            1 => self.prepare(Act::Skip { sample, step, reason })?,
            2 => {
                let all =
                    [Finding::Good, Finding::TooDry, Finding::TooWet, Finding::MoreFragile, Finding::AsFirm];
                let finding = *self.chance.pick(&all);
                return self.cast(sample, finding);
            }
            3 => self.prepare(Act::Remix { sample })?,
            4 => return self.tin(sample, way),
            5 | 6 => self.prepare(Act::TakeBack { sample, reason })?,
            7 => {
                let tins = vec![number; usize::try_from(self.chance.below(3)).expect("a few")];
                self.prepare(Act::BeginDrying { sample, tins, in_pan: number == 3 })?
            }
            8 => {
                let load = number;
                let of = [MassOf::EmptyPan { load }, MassOf::BeforeDrying { load }, MassOf::Dried { load }];
                let of = *self.chance.pick(&of);
                self.prepare(Act::AwaitDryingMass { sample, of })?
            }
            9 => self.prepare(Act::Cooled { sample, load: number })?,
            10 => self.prepare(Act::StopDrying { sample, load: number, reason })?,
            11 => {
                let routes: Vec<String> = way.book.preparing.routes.iter().map(|r| r.name.clone()).collect();
                let course = self.chance.pick(&routes).clone();
                self.prepare(Act::Follow { sample, course })?
            }
            12 => {
                let own = self.bench.specimens.values().filter(|specimen| specimen.sample == sample);
                let own: Vec<Uuid> = own.map(|specimen| specimen.id).collect();
                let Some(specimen) = own.first().map(|_| *self.chance.pick(&own)) else { return Ok(()) };
                self.prepare(Act::GiveTin { specimen, tin: number })?
            }
            13 => {
                let tin = Some(number);
                self.prepare(Act::WeighEmptyTin { sample, tin, mark: None })?
            }
            14 => return self.give_weighing(sample, number),
            15 => self.act(Do::Prepare { sample, what: Preparation::MoistureChanged }, None)?.done,
            _ => {
                // What passed is weighed once more.
                let fed = self.act(Do::AwaitSampleMass { sample, name: "passing".to_owned() }, None)?;
                if fed.done {
                    let grams = Decimal::new(self.chance.between(98_000, 152_000), 2);
                    self.weigh(grams)?;
                }
                return Ok(());
            }
        };
        Ok(())
    }

    /// A weighing is given to a tin or a load, or is that of another.
    fn give_weighing(&mut self, sample: Uuid, number: u32) -> Result<(), Broken> {
        let (tin, load) = (number, number);
        let of = [
            MassOf::EmptyTin { tin },
            MassOf::EmptyPan { load },
            MassOf::BeforeDrying { load },
            MassOf::Dried { load },
        ];
        let target = Target::Preparation { sample, of: *self.chance.pick(&of) };
        let kept: Vec<Uuid> = self.bench.kept_weighings.iter().rev().take(4).map(|w| w.id).collect();
        let given: Vec<Uuid> = self.bench.given_weighings().map(|w| w.id).collect();
        let from = if self.chance.one_in(2) { &kept } else { &given };
        let Some(weighing) = from.first().map(|_| *self.chance.pick(from)) else { return Ok(()) };
        let what = if kept.contains(&weighing) {
            Do::PlaceWeighing { weighing, target }
        } else {
            Do::ReassignWeighing { weighing, target }
        };
        self.act(what, None)?;
        Ok(())
    }
}

/// A tin waits that is ready for its specimen.
fn has_ready(way: &Way) -> bool {
    let ready = way.ready();
    !ready.is_empty()
        && (way.route.dries().is_none()
            || ready.iter().any(|tin| way.load_of(*tin).is_some_and(|load| way.is_over(load, Until::Now))))
}

/// Hundredths of a gram.
fn hundredths(mass: &super::oven::Mass) -> i64 {
    let grams = mass.grams().unwrap_or_default() * Decimal::ONE_HUNDRED;
    grams.trunc().to_string().parse().unwrap_or(0)
}

fn subject(act: &Act) -> Uuid {
    super::ways::subject(act)
}
