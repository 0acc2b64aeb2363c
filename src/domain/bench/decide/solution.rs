//! Acts of stock and working solutions: batches from the first weighing to the last drop.

use super::equipment::{field, number, text};
use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Bench, Event, Outcome, Refusal};
use crate::domain::calendar::Calendar;
use crate::domain::moment::Moment;
use crate::domain::quantity::{Kind as Measured, Quantity, Unit};
use crate::domain::shared::Shared;
use crate::domain::solution::{
    Act, Batch, Bought, Doubt, Finished, Followed, Happened, Kind, Lot, Part, Recipe, State, StockUsed,
    Takes, Water, shown,
};
use crate::domain::specimen::{Marked, Target};
use jiff::civil::Date;
use rust_decimal::Decimal;
use std::cmp::Ordering;
use std::collections::BTreeMap;

/// Longest mark on a bottle, in characters.
const MARK_MAX: usize = 32;
/// Less and more than this is no batch of a bench, millilitres (common practice, no source).
const LEAST_ML: i64 = 100;
const MOST_ML: i64 = 100_000;
/// An amount this many times its target was read in another unit.
const ABSURD: i64 = 10;

impl Deciding<'_> {
    /// Recipes come into use at the start, where they are not the same already.
    pub(super) fn adopt_recipes(&mut self, recipes: &[Recipe]) {
        let named: BTreeMap<_, _> = recipes.iter().map(|r| (r.id.clone(), r.clone())).collect();
        if *self.bench.solutions.recipes != named {
            self.solved(Happened::RecipesAdopted { recipes: recipes.to_vec() });
        }
    }

    fn solved(&mut self, happened: Happened) {
        self.emit(Event::Solution(happened));
    }

    pub(super) fn solution(&mut self, act: &Act, marked: Marked) -> Decided {
        if marked.by.person.is_none() {
            return field("who", "what is done with solutions names a person: write your name");
        }
        match act {
            Act::Begin { .. } => self.begin_batch(act, marked),
            Act::Receive { .. } => self.receive_batch(act, marked),
            Act::NoteLot { batch, component, lot, expires, reason } => {
                self.note_lot(batch, component, lot, *expires, reason.as_deref(), marked)
            }
            Act::AwaitComponent { batch, component, further } => {
                self.await_component(batch, component, *further, marked)
            }
            Act::StateComponent { batch, component, value, unit, with, further } => {
                let amount = Quantity::new(number("value", value)?, *unit);
                self.state_component(batch, component, amount, with, *further, marked)
            }
            Act::StepDone { batch, step } => self.step_of_batch_done(batch, step, marked),
            Act::Finish { batch, expires, reason } => {
                self.finish_batch(batch, *expires, reason.as_deref(), marked)
            }
            Act::PutInUse { batch, confirmed } => self.put_in_use(batch, *confirmed, marked),
            Act::TakeAway { kind } => {
                if self.bench.solutions.in_use(*kind).is_none() {
                    return Err(Refusal::Already {
                        what: format!("no bottle of {} is in use", kind.words()),
                    });
                }
                self.solved(Happened::BottleChanged { of: *kind, batch: None, marked });
                Ok(Outcome::done(format!("no bottle of {} is in use now", kind.words())))
            }
            Act::Discard { batch, reason } => self.discard(batch, reason, marked),
        }
    }

    fn recipe(&self, id: &str) -> Result<Recipe, Refusal> {
        let recipes = &self.bench.solutions.recipes;
        if recipes.is_empty() {
            let why = "the station has no recipes: set `station.solutions` to their folder";
            return field("recipe", why);
        }
        recipes.get(id).cloned().ok_or_else(|| unknown("recipe", id, recipes.keys().cloned()))
    }

    fn batch(&self, id: &str) -> Result<Shared<Batch>, Refusal> {
        let batches = &self.bench.solutions.batches;
        let known = || batches.values().filter(|b| b.discarded.is_none()).map(|b| b.id.clone());
        batches.get(id).cloned().ok_or_else(|| unknown("batch of solution", id, known()))
    }

    /// A batch under way.
    fn under_way(&self, id: &str) -> Result<Shared<Batch>, Refusal> {
        let batch = self.batch(id)?;
        if batch.discarded.is_some() {
            return Err(Refusal::Already { what: format!("{id} was discarded") });
        }
        if batch.finished.is_some() {
            return Err(Refusal::Already { what: format!("{id} is made already") });
        }
        Ok(batch)
    }

    /// A component of a batch under way.
    pub(super) fn component(&self, batch: &str, name: &str) -> Result<Part, Refusal> {
        let batch = self.under_way(batch)?;
        let takes = || batch.parts.iter().filter(|part| part.takes != Takes::Nothing);
        let part = takes().find(|part| part.name == name).cloned();
        part.ok_or_else(|| unknown("component of the batch", name, takes().map(|part| part.name.clone())))
    }

    fn begin_batch(&mut self, act: &Act, marked: Marked) -> Decided {
        let Act::Begin { batch, recipe, volume, unit, water, stock, reason } = act else {
            return Ok(Outcome::done(""));
        };
        let (id, recipe) = (self.fresh_mark(batch)?, self.recipe(recipe)?);
        let volume = volume_of(volume, *unit)?;
        let reason = reason.as_deref().filter(|said| !said.trim().is_empty());
        let reason = reason.map(|said| text("reason", said, 1)).transpose()?;
        let water_note = water_for(&recipe, *water, reason.as_deref())?;
        let parts: Option<Vec<Part>> =
            recipe.steps.iter().map(|step| Part::of(&recipe, step, &volume)).collect();
        let Some(parts) = parts else {
            return field("volume", "the amounts cannot be reckoned for it");
        };
        let from = self.stock_for(&parts, stock.as_deref(), &marked.moment)?;
        let doubts = from.as_ref().map(|stock| stock_doubts(stock, &marked.moment, reason.as_deref()));
        let doubts = doubts.transpose()?.unwrap_or_default();
        let warning = from.as_ref().and_then(|stock| little_left(stock, &parts)).unwrap_or_default();
        let note = format!("{id}: {volume} of {}; take what its steps say{warning}", recipe.title);
        let batch = Batch {
            id,
            kind: recipe.kind,
            recipe: Followed::of(&recipe),
            volume,
            water: Some(*water),
            water_note,
            parts,
            stock: from.as_ref().map(|stock| stock_used(stock)),
            bought: None,
            doubts,
            begun: marked,
            finished: None,
            discarded: None,
            drawn_ml: Decimal::ZERO,
            fillings: 0,
        };
        self.solved(Happened::BatchBegun { batch: Box::new(batch) });
        Ok(Outcome::done(note))
    }

    /// The stock solution that a batch is made from, where its recipe takes one.
    fn stock_for(
        &self,
        parts: &[Part],
        named: Option<&str>,
        now: &Moment,
    ) -> Result<Option<Shared<Batch>>, Refusal> {
        if !parts.iter().any(|part| part.takes == Takes::Stock) {
            return Ok(None);
        }
        if let Some(named) = named {
            return self.batch(named).map(Some);
        }
        let known = self.bench.stocks(now);
        let have = if known.is_empty() { "none is noted yet".to_owned() } else { known.join(", ") };
        field("stock", format!("say from which stock solution it is made: {have}"))
    }

    fn receive_batch(&mut self, act: &Act, marked: Marked) -> Decided {
        let Act::Receive { batch, recipe, volume, unit, maker, lot, made, expires } = act else {
            return Ok(Outcome::done(""));
        };
        let (id, recipe) = (self.fresh_mark(batch)?, self.recipe(recipe)?);
        let volume = volume_of(volume, *unit)?;
        let bought = Bought { maker: text("maker", maker, 1)?, lot: text("lot", lot, 1)? };
        let now = marked.moment.wall_ns;
        // What is known is the day: from its beginning on, it grows old.
        let calendar: &Calendar = &self.bench.calendar;
        let begin = |day| calendar.start_of_day(day).ok_or_else(|| beyond(day, "made"));
        let made_wall_ns = made.map(begin).transpose()?;
        if made_wall_ns.is_some_and(|made| made > now) {
            return field("made", "lies in the future");
        }
        let (expires_wall_ns, expires_by) = expiry(calendar, &recipe, made_wall_ns, *expires)?;
        if expires_wall_ns.is_some_and(|end| end < now) {
            return field(
                "expires",
                format!("lot {} is past its date: it is not put on the shelf", bought.lot),
            );
        }
        let note = format!("{id}: {volume} of {}, lot {} of {}", recipe.title, bought.lot, bought.maker);
        let finished = Finished { marked: marked.clone(), made_wall_ns, expires_wall_ns, expires_by };
        let batch = Batch {
            id,
            kind: recipe.kind,
            recipe: Followed::of(&recipe),
            volume,
            water: None,
            water_note: None,
            parts: Vec::new(),
            stock: None,
            bought: Some(bought),
            doubts: Vec::new(),
            begun: marked,
            finished: Some(finished),
            discarded: None,
            drawn_ml: Decimal::ZERO,
            fillings: 0,
        };
        self.solved(Happened::BatchReceived { batch: Box::new(batch) });
        Ok(Outcome::done(note))
    }

    fn note_lot(
        &mut self,
        batch: &str,
        component: &str,
        lot: &str,
        expires: Option<Date>,
        reason: Option<&str>,
        marked: Marked,
    ) -> Decided {
        let part = self.component(batch, component)?;
        if part.takes != Takes::Ingredient {
            return field("component", format!("`{component}` is no ingredient with a lot number"));
        }
        let number = text("lot", lot, 1)?;
        let end = expires.map(|day| day_end(&self.bench.calendar, day)).transpose()?;
        let is_past = end.is_some_and(|end| end < marked.moment.wall_ns);
        let reason = reason.filter(|said| is_past && !said.trim().is_empty());
        let reason = reason.map(|said| text("reason", said, 1)).transpose()?;
        if let (true, None, Some(expires)) = (is_past, &reason, expires) {
            let why = format!(
                "lot {number} is past its date, {expires}: take another, or say why it is used all the same"
            );
            return field("lot", why);
        }
        let note = format!("{batch}, {component}: lot {number}");
        let (batch, component) = (batch.to_owned(), component.to_owned());
        let lot = Lot { number, expires, reason, marked };
        self.solved(Happened::LotNoted { batch, component, lot });
        Ok(Outcome::done(note))
    }

    fn await_component(&mut self, batch: &str, component: &str, further: bool, marked: Marked) -> Decided {
        let part = self.component(batch, component)?;
        let Some(target) = &part.mass else {
            let why = format!("`{component}` is taken by volume: measure it and enter the volume");
            return field("component", why);
        };
        if further && part.sum().is_some_and(|sum| sum.unit.kind() != Measured::Mass) {
            return field("component", "the portions before it were measured by volume: weigh it anew");
        }
        let note =
            format!("{batch}, {component}: waiting for its mass, {}; tare the vessel", shown(&target.amount));
        let (batch, component) = (batch.to_owned(), component.to_owned());
        self.wait_for_mass(Target::Component { batch, component, further }, marked.by)?;
        Ok(Outcome::done(note))
    }

    fn state_component(
        &mut self,
        batch: &str,
        component: &str,
        amount: Quantity,
        with: &str,
        further: bool,
        marked: Marked,
    ) -> Decided {
        let part = self.component(batch, component)?;
        let with = text("with", with, 1)?;
        let kind = amount.unit.kind();
        let Some(target) = part.target(kind) else {
            let possible =
                [Measured::Mass, Measured::Volume].into_iter().filter_map(|kind| part.target(kind));
            let units: Vec<&str> = possible.map(|target| target.amount.unit.code()).collect();
            let why = format!(
                "`{component}` is not taken in {}: give it in {}",
                amount.unit.code(),
                units.join(" or ")
            );
            return field("unit", why);
        };
        sensible(&amount, &target.amount)?;
        if further && part.sum().is_some_and(|sum| sum.unit.kind() != kind) {
            return field("unit", "the portions before it were measured otherwise: measure it anew");
        }
        let note = format!("{batch}, {component}: {amount} by {with}, wanted {}", shown(&target.amount));
        let (batch, component) = (batch.to_owned(), component.to_owned());
        self.solved(Happened::ComponentStated { batch, component, amount, with, further, marked });
        Ok(Outcome::done(note))
    }

    fn step_of_batch_done(&mut self, batch: &str, step: &str, marked: Marked) -> Decided {
        let known = self.under_way(batch)?;
        let steps = || known.parts.iter().filter(|part| part.takes == Takes::Nothing);
        let Some(part) = steps().find(|part| part.name == step) else {
            return Err(unknown("step of the batch", step, steps().map(|part| part.name.clone())));
        };
        if part.done.is_some() {
            return Err(Refusal::Already { what: format!("{batch}: `{step}` is done already") });
        }
        let (batch, step) = (batch.to_owned(), step.to_owned());
        let note = format!("{batch}: {step}");
        self.solved(Happened::StepDone { batch, step, marked });
        Ok(Outcome::done(note))
    }

    fn finish_batch(
        &mut self,
        id: &str,
        expires: Option<Date>,
        reason: Option<&str>,
        marked: Marked,
    ) -> Decided {
        let batch = self.under_way(id)?;
        if batch.begun.moment.wall_ns > marked.moment.wall_ns {
            return Err(Refusal::StatedTime { why: format!("lies before {id} was begun") });
        }
        let faults = batch.faults();
        let reason = reason.filter(|said| !said.trim().is_empty());
        let reason = reason.map(|said| text("reason", said, 1)).transpose()?;
        let doubts = match (faults.is_empty(), reason) {
            (true, _) => Vec::new(),
            (false, Some(reason)) => {
                faults.into_iter().map(|what| Doubt { what, reason: reason.clone() }).collect()
            }
            (false, None) => {
                let why = format!(
                    "{id} is not in order: {}. Mend it, or say why it is used all the same",
                    faults.join("; ")
                );
                return field("reason", why);
            }
        };
        let made = marked.moment.wall_ns;
        let (expires_wall_ns, expires_by) = match self.bench.solutions.recipes.get(&batch.recipe.id) {
            Some(recipe) => expiry(&self.bench.calendar, recipe, Some(made), expires)?,
            None => stated(&self.bench.calendar, expires)?,
        };
        if expires_wall_ns.is_some_and(|end| end < made) {
            return field("expires", "lies before the batch was made");
        }
        let no_lot = batch.without_lot();
        let lots = if no_lot.is_empty() {
            String::new()
        } else {
            format!("; without a lot number: {}", no_lot.join(", "))
        };
        let until = expires_wall_ns.map_or_else(
            || "no last day is known".to_owned(),
            |end| format!("good until {}", day_text(&self.bench.calendar, end)),
        );
        let state = if doubts.is_empty() { "made" } else { "made, but not in order" };
        let finished = Finished { marked, made_wall_ns: Some(made), expires_wall_ns, expires_by };
        self.solved(Happened::BatchFinished { batch: id.to_owned(), finished, doubts });
        Ok(Outcome::done(format!("{id}: {state}, {until}{lots}")))
    }

    fn put_in_use(&mut self, id: &str, confirmed: bool, marked: Marked) -> Decided {
        let batch = self.batch(id)?;
        let of = batch.kind;
        let Some(finished) = &batch.finished else {
            return Err(Refusal::Already { what: format!("{id} is still being made: finish it first") });
        };
        if batch.discarded.is_some() {
            return Err(Refusal::Already { what: format!("{id} was discarded") });
        }
        if self.bench.solutions.in_use_at(of, &marked.moment).is_some_and(|now| now.id == id) {
            return Err(Refusal::Already { what: format!("{id} is in use already") });
        }
        if marked.moment.since(&finished.marked.moment).ns < 0 {
            return Err(Refusal::StatedTime { why: format!("lies before {id} was there") });
        }
        let state = batch.state(&marked.moment);
        if state > State::Making && !confirmed {
            let question = format!(
                "{id} is {}: each specimen filled from it carries a deviation. Put it in use all the same?",
                state.words()
            );
            return Err(Refusal::Confirm { question });
        }
        let left = batch.left().map(|left| format!(", about {left} left")).unwrap_or_default();
        self.solved(Happened::BottleChanged { of, batch: Some(id.to_owned()), marked });
        Ok(Outcome::done(format!("{id} is the {} in use{left}", of.words())))
    }

    fn discard(&mut self, id: &str, reason: &str, marked: Marked) -> Decided {
        let batch = self.batch(id)?;
        if batch.discarded.is_some() {
            return Err(Refusal::Already { what: format!("{id} was discarded already") });
        }
        if marked.moment.since(&batch.begun.moment).ns < 0 {
            return Err(Refusal::StatedTime { why: format!("lies before {id} was there") });
        }
        let reason = text("reason", reason, 1)?;
        let in_use = self.bench.solutions.is_in_use(id);
        self.solved(Happened::BatchDiscarded { batch: id.to_owned(), reason, marked });
        let next = if in_use { "; put another bottle in use" } else { "" };
        Ok(Outcome::done(format!("{id} is discarded{next}")))
    }

    /// A mark for a bottle that no batch ever had.
    fn fresh_mark(&self, mark: &str) -> Result<String, Refusal> {
        let mark = mark.trim();
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '_');
        if mark.is_empty() || mark.len() > MARK_MAX || !mark.chars().all(plain) {
            let why = format!("give 1 to {MARK_MAX} letters, digits, hyphens, dots and underscores");
            return field("batch", why);
        }
        if self.bench.solutions.marks.contains(mark) {
            let what = format!("a batch {mark} was noted already: no mark is given twice");
            return Err(Refusal::Already { what });
        }
        Ok(mark.to_owned())
    }
}

impl Bench {
    /// Stock solutions that a working one may be made from, by their marks.
    pub fn stocks(&self, now: &Moment) -> Vec<String> {
        let stocks = self.solutions.batches.values().filter(|batch| batch.kind == Kind::Stock);
        let usable = stocks.filter(|batch| !matches!(batch.state(now), State::Making | State::Discarded));
        usable.map(|batch| batch.id.clone()).collect()
    }
}

/// A volume that somebody could want.
fn volume_of(digits: &str, unit: Unit) -> Result<Quantity, Refusal> {
    if unit.kind() != Measured::Volume {
        return field("unit", format!("{} is no unit of a volume: give mL or L", unit.code()));
    }
    let volume = Quantity::new(number("volume", digits)?, unit);
    let bound = |ml: i64| Quantity::new(Decimal::from(ml), Unit::Millilitre);
    let over = volume.compare(&bound(LEAST_ML)).is_some_and(Ordering::is_ge);
    if !over || volume.compare(&bound(MOST_ML)).is_none_or(Ordering::is_gt) {
        let why = format!("{volume} is no batch of a bench: give {LEAST_ML} mL to {} L", MOST_ML / 1000);
        return field("volume", why);
    }
    Ok(volume)
}

/// What is measured is something, and not another unit's digits.
fn sensible(amount: &Quantity, target: &Quantity) -> Result<(), Refusal> {
    let nothing = Quantity::new(Decimal::ZERO, amount.unit);
    if amount.compare(&nothing).is_none_or(Ordering::is_le) {
        return field("value", format!("{amount} is nothing: give what was measured"));
    }
    let most = target.value.checked_mul(Decimal::from(ABSURD));
    let most = most.map(|most| Quantity::new(most, target.unit));
    if most.and_then(|most| amount.compare(&most)).is_none_or(Ordering::is_gt) {
        let why =
            format!("{amount} is more than {ABSURD} times the {} wanted: is the unit right?", shown(target));
        return field("value", why);
    }
    Ok(())
}

/// The water is one that the recipe allows; what was said of its condition.
fn water_for(recipe: &Recipe, water: Water, reason: Option<&str>) -> Result<Option<String>, Refusal> {
    if recipe.water.kinds.contains(&water) {
        return Ok(None);
    }
    let allowed: Vec<&str> = recipe.water.kinds.iter().map(|kind| kind.words()).collect();
    match (&recipe.water.tap_if, reason) {
        (Some(_), Some(reason)) if water == Water::Tap => Ok(Some(reason.to_owned())),
        (Some(condition), None) if water == Water::Tap => {
            field("reason", format!("tap water has a condition: {condition} Say where that is shown"))
        }
        _ => {
            let why = format!("{} is not allowed here: take {}", water.words(), allowed.join(" or "));
            field("water", why)
        }
    }
}

/// What is wrong with a stock solution; refused where no reason was given.
fn stock_doubts(stock: &Batch, now: &Moment, reason: Option<&str>) -> Result<Vec<Doubt>, Refusal> {
    if stock.kind != Kind::Stock {
        return field("stock", format!("{} is a working solution", stock.id));
    }
    let state = stock.state(now);
    let what = match state {
        State::Good | State::DueSoon => return Ok(Vec::new()),
        State::Making | State::Discarded => {
            return field("stock", format!("{} is {}", stock.id, state.words()));
        }
        State::NotInOrder | State::PastDate => {
            format!("the stock solution {} was {}", stock.id, state.words())
        }
    };
    match reason {
        Some(reason) => Ok(vec![Doubt { what, reason: reason.to_owned() }]),
        None => field("stock", format!("{what}: take another, or say why it is used all the same")),
    }
}

/// A word where less than is needed may be left of a stock solution: an estimate, so no refusal.
fn little_left(stock: &Batch, parts: &[Part]) -> Option<String> {
    let of_stock = parts.iter().filter(|part| part.takes == Takes::Stock);
    let mut needs = of_stock.filter_map(|part| part.volume.as_ref()?.amount.convert(Unit::Millilitre));
    let needs = needs.try_fold(Decimal::ZERO, |sum, part| sum.checked_add(part.value))?;
    (stock.left_ml()? < needs).then(|| format!("; little may be left of {}: look", stock.id))
}

fn stock_used(stock: &Batch) -> StockUsed {
    StockUsed {
        id: stock.id.clone(),
        title: stock.recipe.title.clone(),
        made_wall_ns: stock.made_wall_ns(),
        expires_wall_ns: stock.expires_wall_ns(),
    }
}

/// Until when a solution is good, and where that comes from: what is stated, but never longer
/// than its recipe says.
fn expiry(
    calendar: &Calendar,
    recipe: &Recipe,
    made: Option<i64>,
    expires: Option<Date>,
) -> Result<(Option<i64>, String), Refusal> {
    let keeps = recipe.shelf_life_ns.value;
    let by_recipe = keeps.zip(made).and_then(|(keeps, made)| made.checked_add(keeps));
    match (by_recipe, expires) {
        (Some(end), None) => Ok((Some(end), recipe.shelf_life_ns.source.clone())),
        (Some(end), Some(day)) if calendar.start_of_day(day).is_none_or(|begin| begin > end) => {
            let last = day_text(calendar, end);
            field(
                "expires",
                format!("its recipe lets it keep until {last}: state that day or an earlier one"),
            )
        }
        (Some(end), Some(day)) => Ok((Some(end.min(day_end(calendar, day)?)), "as stated".to_owned())),
        (None, expires) => stated(calendar, expires),
    }
}

/// The laboratory's day in which something ends.
fn day_text(calendar: &Calendar, end_ns: i64) -> String {
    calendar.day_of(end_ns).map_or_else(|| crate::domain::report::time(end_ns), |day| day.to_string())
}

fn stated(calendar: &Calendar, expires: Option<Date>) -> Result<(Option<i64>, String), Refusal> {
    match expires {
        Some(day) => Ok((Some(day_end(calendar, day)?), "as stated".to_owned())),
        None => Ok((None, "not known".to_owned())),
    }
}

/// The end of a last day.
fn day_end(calendar: &Calendar, day: Date) -> Result<i64, Refusal> {
    calendar.end_of_day(day).ok_or_else(|| beyond(day, "expires"))
}

fn beyond(day: Date, name: &'static str) -> Refusal {
    Refusal::Field { field: name, why: format!("{day} is beyond the calendar") }
}
