//! The list of equipment, its checks, and what counts the shaker's cycles.

use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::equipment::{
    Act, Began, CheckResult, CheckRule, Cycles, Doubt, Happened, How, Item, Kind, Shown, figures,
};
use crate::domain::method::{Edge, Machine};
use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::{InstrumentKind, Wire};
use crate::domain::shared::Shared;
use crate::domain::specimen::{By, Marked, Weighing};
use rust_decimal::Decimal;
use std::collections::BTreeMap;
use uuid::Uuid;

/// Longest mark, title, reason and note, in characters.
const MARK_MAX: usize = 32;
const TEXT_MAX: usize = 200;

/// A field that cannot be.
pub(super) fn field<T>(field: &'static str, why: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal::Field { field, why: why.into() })
}

impl Deciding<'_> {
    /// Kinds come into use at the start, where they are not the same already.
    pub(super) fn adopt_kinds(&mut self, kinds: &[Kind]) {
        let named: BTreeMap<_, _> = kinds.iter().map(|kind| (kind.kind.clone(), kind.clone())).collect();
        if *self.bench.equipment.kinds != named {
            self.happened(Happened::KindsAdopted { kinds: kinds.to_vec() });
        }
    }

    fn happened(&mut self, happened: Happened) {
        self.emit(Event::Equipment(happened));
    }

    pub(super) fn equipment(&mut self, act: &Act, marked: Marked) -> Decided {
        if marked.by.person.is_none() {
            return field("who", "what is done with the equipment names a person: write your name");
        }
        match act {
            Act::Register { .. } | Act::Change { .. } => self.set_item(act, marked),
            Act::BeginCheck { item, check } => self.begin_check(item, check, marked),
            Act::StopCheck => {
                let Some(began) = &self.bench.equipment.began else {
                    return Err(Refusal::Already { what: "no check is under way".to_owned() });
                };
                let note = format!("{}: the check `{}` was given up", began.item, began.check);
                self.happened(Happened::CheckStopped { marked });
                Ok(Outcome::done(note))
            }
            Act::Check { item, check, found } => {
                let (item, _, rule) = self.item_rule(item, check)?;
                in_time(&item, &rule, &marked)?;
                text("note", &found.note, 0)?;
                let result = self.result(&item, &rule, found, marked)?;
                Ok(self.checked(&item, &rule, result))
            }
            Act::AllInOrder { items } => self.all_in_order(items, &marked),
            Act::LookedThrough { item, check, from_ms, note } => {
                let known = self.item(item)?;
                let note = text("note", note, 0)?;
                let doubt = known.checks.get(check).and_then(|kept| kept.doubt_from(*from_ms));
                let Some(Doubt { from, .. }) = doubt else {
                    return field("from-ms", "nothing is in doubt from then on: look at the page again");
                };
                let (item, check) = (item.clone(), check.clone());
                let said = format!("{item}: what used it in that time was looked through");
                self.happened(Happened::LookedThrough { item, check, from, note, marked });
                Ok(Outcome::done(said))
            }
            Act::TakeOutOfUse { item, reason } => {
                let known = self.item(item)?;
                if known.out_of_use.is_some() {
                    return Err(Refusal::Already { what: format!("{item} is out of use already") });
                }
                let reason = text("reason", reason, 1)?;
                self.happened(Happened::TakenOutOfUse { item: item.clone(), reason, marked });
                let kit = if known.kit { "; put another one into the kit in its place" } else { "" };
                Ok(Outcome::done(format!("{item} is out of use{kit}")))
            }
            Act::PutBack { item } => {
                if self.item(item)?.out_of_use.is_none() {
                    return Err(Refusal::Already { what: format!("{item} is in use") });
                }
                self.happened(Happened::PutBack { item: item.clone(), marked });
                Ok(Outcome::done(format!("{item} may be used again; its checks stand as they did")))
            }
        }
    }

    fn item(&self, id: &str) -> Result<Shared<Item>, Refusal> {
        let items = &self.bench.equipment.items;
        items.get(id).cloned().ok_or_else(|| unknown("item of equipment", id, items.keys().cloned()))
    }

    fn item_rule(&self, id: &str, check: &str) -> Result<(Shared<Item>, Kind, CheckRule), Refusal> {
        let item = self.item(id)?;
        let kind = self.kind(&item.kind)?;
        let rule = kind.checks.iter().find(|rule| rule.name == check).cloned();
        let known = kind.checks.iter().map(|rule| rule.name.clone());
        let rule = rule.ok_or_else(|| unknown("check of this kind", check, known))?;
        Ok((item, kind, rule))
    }

    fn kind(&self, name: &str) -> Result<Kind, Refusal> {
        let kinds = &self.bench.equipment.kinds;
        if kinds.is_empty() {
            let why = "the station has no files of kinds: set `station.equipment` to their folder";
            return field("kind", why);
        }
        kinds.get(name).cloned().ok_or_else(|| unknown("kind of equipment", name, kinds.keys().cloned()))
    }

    fn set_item(&mut self, act: &Act, marked: Marked) -> Decided {
        let (item, new) = match act {
            Act::Register { item, kind, title, place, instrument, class, nominal, kit } => {
                let id = mark(item)?;
                if self.bench.equipment.items.contains_key(&id) {
                    return Err(Refusal::Already { what: format!("{id} is in the list already") });
                }
                let item = Item {
                    id,
                    kind: kind.clone(),
                    title: text("title", title, 0)?,
                    place: *place,
                    instrument: instrument.clone(),
                    class: class.clone(),
                    nominal: nominal.as_deref().map(nominal_mass).transpose()?,
                    kit: *kit,
                    registered: marked.clone(),
                    out_of_use: None,
                    checks: BTreeMap::new(),
                };
                (item, true)
            }
            Act::Change { item, title, place, instrument, class, nominal, kit } => {
                let mut changed = (*self.item(item)?).clone();
                if let Some(title) = title {
                    changed.title = text("title", title, 0)?;
                }
                match place {
                    Some(0) => changed.place = None,
                    Some(place) => changed.place = Some(*place),
                    None => {}
                }
                if let Some(name) = instrument {
                    changed.instrument = Some(name.clone()).filter(|name| !name.is_empty());
                }
                changed.class = class.clone().or(changed.class);
                if let Some(nominal) = nominal {
                    changed.nominal = Some(nominal_mass(nominal)?);
                }
                changed.kit = kit.unwrap_or(changed.kit);
                (changed, false)
            }
            _ => return Ok(Outcome::done("")),
        };
        self.sensible(&item)?;
        let kit = if item.kit { "in the bench's kit" } else { "not in the bench's kit" };
        let note = format!("{} {}, {kit}", item.id, if new { "registered" } else { "changed" });
        self.happened(Happened::ItemSet { item: Box::new(item), marked });
        Ok(Outcome::done(note))
    }

    fn sensible(&self, item: &Item) -> Result<(), Refusal> {
        let kind = self.kind(&item.kind)?;
        if let Some(place) = item.place.filter(|place| !(1..=self.bench.settings.places).contains(place)) {
            let why = format!("does not exist: the bench has places 1 to {}", self.bench.settings.places);
            return Err(Refusal::Place { place, why });
        }
        if let Some(name) = &item.instrument
            && !self.bench.instruments.contains_key(name)
        {
            return Err(unknown("instrument in the settings", name, self.bench.instruments.keys().cloned()));
        }
        let masses = kind.mass_limits.as_ref();
        if let Some(class) = &item.class {
            let of_balance = kind.classes.iter().map(|known| known.name.clone());
            let known: Vec<String> =
                of_balance.chain(masses.into_iter().flat_map(|m| m.classes.clone())).collect();
            if !known.contains(class) {
                return Err(unknown("class of this kind", class, known));
            }
        }
        if let Some(table) = masses {
            let (Some(class), Some(nominal)) = (&item.class, item.nominal) else {
                return field("class", "a check mass needs its class and its nominal value in grams");
            };
            if figures::mass_limit(table, nominal.value, class).is_none() {
                let known: Vec<String> = table.rows.iter().map(|row| row.nominal.to_string()).collect();
                return field(
                    "nominal",
                    format!("the table has no {nominal}; it has {} g", known.join(", ")),
                );
            }
        }
        Ok(())
    }

    fn begin_check(&mut self, item: &str, check: &str, marked: Marked) -> Decided {
        let (item, _, rule) = self.item_rule(item, check)?;
        if let Some(began) = &self.bench.equipment.began
            && self.now().since(&began.marked.moment).ns < 15 * crate::domain::moment::MINUTE
        {
            let what =
                format!("the check `{}` of {} is under way: finish or stop it", began.check, began.item);
            return Err(Refusal::Already { what });
        }
        super::act::not_stated(&marked)?;
        let (wants, words) = match rule.how {
            How::CheckMass => (1, "see that the empty balance shows zero, then put the check mass on"),
            How::Weigh => (1, "put it on the balance"),
            How::WaterVolume => (2, "put the empty, dry tin on the balance; then fill it with water"),
            How::Rate => (0, "the time runs: count complete cycles"),
            How::Thermometer | How::NetworkTime | How::Value | How::Look => {
                return field("check", "this one needs no begin: enter what was found");
            }
        };
        let from = item.instrument.clone().filter(|_| rule.how == How::CheckMass);
        let note = format!("{}: {words}", item.id);
        let began =
            Began { item: item.id.clone(), check: rule.name, wants, from, masses: Vec::new(), marked };
        self.happened(Happened::CheckBegan { began: Box::new(began) });
        Ok(Outcome::done(note))
    }

    /// A stable mass that belongs to the check that was begun; `None`: it does not.
    pub(super) fn mass_of_check(&mut self, mass: &Quantity, wire: &Wire) -> Option<Outcome> {
        if self.bench.awaited.at(&wire.instrument).is_some()
            || !self.bench.equipment.takes_mass(&wire.instrument, self.now())
        {
            return None;
        }
        let id = self.fresh();
        let weighing = Weighing {
            id,
            mass: *mass,
            wire: wire.clone(),
            moment: *self.now(),
            target: None,
            asked: None,
            placed: None,
            confirmed: None,
        };
        self.happened(Happened::MassTaken { weighing: Box::new(weighing) });
        Some(Outcome::made(format!("{mass}: for the check that was begun"), id))
    }

    pub(super) fn checked(&mut self, item: &Item, rule: &CheckRule, mut result: CheckResult) -> Outcome {
        result.due_wall_ns = rule.due(result.good, &result.marked.moment);
        let verdict = if result.good { "good" } else { "not good: do not use it" };
        let note = format!("{}, {}: {verdict} ({})", item.id, rule.title, result.detail);
        let (item, check) = (item.id.clone(), rule.name.clone());
        self.happened(Happened::Checked { item, check, result: Box::new(result) });
        Outcome::done(note)
    }

    fn all_in_order(&mut self, shown: &[Shown], marked: &Marked) -> Decided {
        let mut wanted = self.bench.daily_checks();
        let mut seen = shown.to_vec();
        wanted.sort();
        seen.sort();
        if wanted.is_empty() {
            return field("items", "no item of the kit has a daily check");
        }
        if wanted != seen {
            return field("items", "the list of daily checks is another by now: look at it again");
        }
        for shown in &wanted {
            let (item, _, rule) = self.item_rule(&shown.item, &shown.check)?;
            in_time(&item, &rule, marked)?;
            let result = super::check::looked(true, "in order, by the daily check", "", marked.clone());
            self.checked(&item, &rule, result);
        }
        Ok(Outcome::done(format!("{} daily checks: all in order", wanted.len())))
    }

    /// A switch counted the cycles of a run: they belong to the specimens that were in the
    /// shaker, and to a check of its rate that was begun.
    pub(super) fn cycles(&mut self, name: &str, count: u32, first: Moment, last: Moment) -> Outcome {
        let span = Decimal::from_i128_with_scale(i128::from(last.since(&first).ns), 9);
        let Some(rate) = count.checked_sub(1).filter(|n| *n > 0).and_then(|n| figures::rate(n, span)) else {
            return Outcome::done(format!("{name}: {count} pulses are no run"));
        };
        let by = By::bench(format!("trigger {name}"));
        let specimens: Vec<Uuid> = self
            .bench
            .specimens
            .values()
            .filter(|specimen| self.bench.was_shaken(specimen, &first, &last))
            .map(|specimen| specimen.id)
            .collect();
        let note = format!("{name}: {} cycles, {rate}", count - 1);
        let cycles = Cycles { count: count - 1, rate, first, last, by: by.clone() };
        self.happened(Happened::CyclesCounted { specimens, cycles });
        let began = self.bench.equipment.began.clone();
        if let Some(began) = began
            && let Ok((item, _, rule)) = self.item_rule(&began.item, &began.check)
            && rule.how == How::Rate
            && last.since(&began.marked.moment).ns > 0
            && span >= Decimal::from(figures::COUNT_LEAST_S)
        {
            let detail =
                format!("{} complete cycles in {} s, counted by {name}", count - 1, span.round_dp(2));
            let by = By { person: began.marked.by.person, via: by.via };
            let marked = Marked { moment: last, by };
            let result = self.measured(&rule, rate, detail, marked);
            return self.checked(&item, &rule, result);
        }
        Outcome::done(note)
    }
}

impl crate::domain::bench::Bench {
    /// The daily checks of the kit, as they are shown and confirmed.
    pub fn daily_checks(&self) -> Vec<Shown> {
        let kit = self.equipment.items.values().filter(|item| item.kit && item.out_of_use.is_none());
        kit.flat_map(|item| {
            let checks = self.equipment.kinds.get(&item.kind).map_or(&[][..], |kind| &kind.checks);
            let daily = checks.iter().filter(|rule| rule.daily);
            daily.map(|rule| Shown { item: item.id.clone(), check: rule.name.clone() })
        })
        .collect()
    }

    /// The specimen's run in the shaker, or a further one, overlaps with the time from `first` to
    /// `last`.
    pub(super) fn was_shaken(
        &self,
        specimen: &crate::domain::specimen::Specimen,
        first: &Moment,
        last: &Moment,
    ) -> bool {
        let Some((_, points)) = self.rule(specimen) else { return false };
        let at = |edge: Edge| {
            let point = points.iter().position(|p| p.machine == Some(Machine::Shaker) && p.edge == edge)?;
            specimen.points.get(point)?.as_ref().map(|marked| marked.moment)
        };
        let further =
            specimen.further_runs.iter().map(|r| (r.begin.moment, r.end.as_ref().map(|e| e.moment)));
        let mut runs = at(Edge::Begin).map(|begin| (begin, at(Edge::End))).into_iter().chain(further);
        runs.any(|(begin, end)| last.since(&begin).ns > 0 && end.is_none_or(|end| end.since(first).ns > 0))
    }

    /// Name of the balance or probe of a kind that is the only one.
    pub(super) fn only_instrument(&self, kind: InstrumentKind) -> Option<&String> {
        let mut of_kind = self.instruments.iter().filter(|(_, known)| **known == kind).map(|(name, _)| name);
        of_kind.next().filter(|_| of_kind.next().is_none())
    }
}

/// A later result is never overtaken by one of an earlier day.
fn in_time(item: &Item, rule: &CheckRule, marked: &Marked) -> Result<(), Refusal> {
    let last = item.checks.get(&rule.name).and_then(|kept| kept.last());
    if last.is_some_and(|last| last.marked.moment.wall_ns > marked.moment.wall_ns) {
        let why = format!("lies before the last result of `{}` of {}", rule.name, item.id);
        return Err(Refusal::StatedTime { why });
    }
    Ok(())
}

/// A mark on an item: what fits on a label and into an address.
fn mark(text: &str) -> Result<String, Refusal> {
    let text = text.trim();
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '_');
    if text.is_empty() || text.len() > MARK_MAX || !text.chars().all(plain) {
        return field("item", format!("give 1 to {MARK_MAX} letters, digits, hyphens, dots and underscores"));
    }
    Ok(text.to_owned())
}

fn nominal_mass(digits: &str) -> Result<Quantity, Refusal> {
    Ok(Quantity::new(number("nominal", digits)?, Unit::Gram))
}

pub(super) fn text(name: &'static str, text: &str, least: usize) -> Result<String, Refusal> {
    let text = text.trim();
    let length = text.chars().count();
    if length < least || length > TEXT_MAX || text.chars().any(char::is_control) {
        return field(name, format!("give {least} to {TEXT_MAX} characters"));
    }
    Ok(text.to_owned())
}

/// Digits as a person writes them; none of them is lost.
pub(super) fn number(name: &'static str, text: &str) -> Result<Decimal, Refusal> {
    let text = text.trim();
    let plain = text.len() <= 16 && text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-'));
    let read = plain.then(|| Decimal::from_str_exact(text).ok()).flatten();
    read.ok_or(()).or_else(|()| field(name, format!("`{text}` is no number; write digits such as 999.8")))
}

/// A quantity in the unit that is given, or in that of the limits.
pub(super) fn quantity(
    name: &'static str,
    digits: &str,
    unit: Option<Unit>,
    usual: Unit,
) -> Result<Quantity, Refusal> {
    let unit = unit.unwrap_or(usual);
    if unit != usual && (unit.kind() != usual.kind() || unit.kind() == crate::domain::quantity::Kind::Other) {
        return field("unit", format!("{} cannot be held to limits in {}", unit.code(), usual.code()));
    }
    Ok(Quantity::new(number(name, digits)?, unit))
}
