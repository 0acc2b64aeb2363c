//! Whom an act or a press marks: worked out by the model from what it knows of each vial, and then
//! held against what the station's events say. Never taken from them.

use super::ledger::Ledger;
use super::vial::{Stands, Vial, between};
use serde_json::Value;
use std::collections::BTreeMap;
use stillstand::domain::bench::{Contact, Trigger};
use stillstand::domain::method::Edge;
use stillstand::domain::moment::{MINUTE, Moment, SECOND};
use stillstand::journal::{Batch, EventRow};
use uuid::Uuid;

/// A run that was marked by hand and by its contact within this time is one run.
const ONE_RUN_NS: i64 = 15 * SECOND;
/// A kept press of a button that begins and ends runs is ended by the next press within this time.
const RUN_LONGEST_NS: i64 = 2 * MINUTE;
/// A run that was cut short may go on within this time.
const RESUMES_WITHIN_NS: i64 = 5 * MINUTE;

/// What a switch does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Meaning {
    /// The next act at a place.
    Place(u32),
    /// The next act, wherever one is due.
    Foot,
    /// The shaker runs while it is closed.
    Contact,
    /// A button that begins the shaker's run, and ends it.
    Button,
}

/// The switches, and how the bench is set.
#[derive(Debug, Clone, Default)]
pub struct Rules {
    pub switches: BTreeMap<String, Meaning>,
    pub approach_ns: i64,
    pub shaker_holds: usize,
}

/// A press that was kept without a cylinder.
#[derive(Debug, Clone)]
pub struct Press {
    pub id: Uuid,
    pub name: String,
    pub moment: Moment,
    pub ended: Option<Moment>,
}

/// A mark that is to be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Meant {
    pub specimen: Uuid,
    pub at: usize,
    pub moment: Moment,
}

/// A mark as an event tells it; no point: of a further run.
#[derive(Debug)]
pub struct Told {
    kind: String,
    specimen: Uuid,
    moment: Moment,
    point: Option<usize>,
    step: Option<String>,
    edge: Option<Edge>,
}

impl Told {
    /// It says that a point of a specimen was marked at an instant.
    pub fn is_mark_of(&self, specimen: Uuid, at: usize, moment: &Moment) -> Result<(), String> {
        let same = self.specimen == specimen && self.point == Some(at) && self.moment == *moment;
        if same {
            Ok(())
        } else {
            Err(format!("point {at} of {specimen} at {moment:?}, and it says {self:?}"))
        }
    }
}

/// What a press leads to.
#[derive(Debug, Default)]
struct Leads {
    marks: Vec<Meant>,
    /// It is kept without a cylinder; `None`: the model does not say.
    kept: Option<bool>,
    /// It ends this kept press.
    ends: Option<Uuid>,
}

impl Leads {
    fn nothing() -> Self {
        Self { kept: Some(false), ..Self::default() }
    }

    fn kept() -> Self {
        Self { kept: Some(true), ..Self::default() }
    }
}

impl Ledger {
    /// What a trigger led to is what it had to lead to.
    pub fn trigger(&mut self, trigger: &Trigger, now: &Moment, batch: &Batch) -> Result<(), String> {
        let leads = self.leads(trigger, now);
        let said = |what: String| format!("{} {:?} at {now:?}: {what}", trigger.name, trigger.contact);
        self.take_marks(batch, &leads.marks).map_err(said)?;
        let kept = payloads(batch, "press-kept")?;
        if leads.kept.is_some_and(|wanted| wanted == kept.is_empty()) || kept.len() > 1 {
            return Err(said(format!("kept should be {:?}, and these were: {kept:?}", leads.kept)));
        }
        let ended = payloads(batch, "kept-press-ended")?;
        let told: Vec<Option<Uuid>> = ended.iter().map(|told| id(told, "press")).collect();
        if told != leads.ends.map(Some).into_iter().collect::<Vec<_>>() {
            return Err(said(format!("the end of {:?}, and it ended {told:?}", leads.ends)));
        }
        for press in &mut self.presses {
            if Some(press.id) == leads.ends {
                press.ended = Some(*now);
            }
        }
        for told in &kept {
            let press = id(told, "press").ok_or("a kept press without an identity")?;
            if told["trigger"] != *trigger.name || instant(&told["moment"])? != *now {
                return Err(said(format!("it was kept as {told}")));
            }
            self.presses.push(Press { id: press, name: trigger.name.clone(), moment: *now, ended: None });
        }
        self.judged.pressed += leads.marks.len() as u64;
        self.judged.kept += u64::from(leads.kept == Some(true));
        Ok(())
    }

    fn leads(&self, trigger: &Trigger, now: &Moment) -> Leads {
        let (Some(meaning), Ok(contact)) = (self.rules.switches.get(&trigger.name), &trigger.contact) else {
            return Leads::nothing();
        };
        match (meaning, contact) {
            (Meaning::Contact, Contact::On) => self.shaker_begins(now),
            (Meaning::Contact, Contact::Off) => self.shaker_ends(&trigger.name, now),
            (Meaning::Contact, Contact::Press) | (_, Contact::Off) => Leads::nothing(),
            (Meaning::Place(place), _) => {
                let at = self.on_bench().find(|vial| vial.place == *place);
                at.map_or_else(Leads::kept, |vial| all(&[vial], now, |vial| vial.next(now)))
            }
            (Meaning::Foot, _) => {
                let begun = self.on_bench().filter(|vial| self.begun(vial).is_some() && !vial.is_over());
                let due: Vec<&Vial> =
                    begun.filter(|v| v.due(now, self.rules.approach_ns).is_some()).collect();
                match due.as_slice() {
                    [vial] => all(&[vial], now, |vial| vial.next(now)),
                    _ => Leads::kept(),
                }
            }
            (Meaning::Button, _) => {
                let recent = self.open_press(&trigger.name);
                let runs = recent.is_some_and(|press| between(&press.moment, now).0 < RUN_LONGEST_NS);
                if runs || self.on_bench().any(Vial::is_shaking) {
                    self.shaker_ends(&trigger.name, now)
                } else {
                    self.shaker_begins(now)
                }
            }
        }
    }

    fn on_bench(&self) -> impl Iterator<Item = &Vial> {
        self.vials.values().filter(|vial| !self.cleaned.contains(&vial.id))
    }

    /// The newest kept press of a switch whose end has not come.
    fn open_press(&self, name: &str) -> Option<&Press> {
        self.presses.iter().rev().find(|press| press.name == name && press.ended.is_none())
    }

    fn shaker_ends(&self, name: &str, now: &Moment) -> Leads {
        if let Some(press) = self.open_press(name) {
            return Leads { ends: Some(press.id), ..Leads::nothing() };
        }
        let inside: Vec<&Vial> = self.on_bench().filter(|vial| vial.is_shaking()).collect();
        all(&inside, now, |vial| vial.book.machine_point(Edge::End))
    }

    fn shaker_begins(&self, now: &Moment) -> Leads {
        let mut inside = self.on_bench().filter_map(Vial::shaking_since).peekable();
        if inside.peek().is_some() {
            // Just begun: by another hand, and it is the same run; or by the same contact, and its end
            // was missed. Nothing is marked.
            let just_now = inside.any(|begin| between(&begin, now).0 < ONE_RUN_NS);
            return Leads { kept: (!just_now).then_some(true), ..Leads::default() };
        }
        let begins = |vial: &&Vial| {
            let begin = vial.book.machine_point(Edge::Begin);
            begin.is_some_and(|at| vial.possible().contains(&at))
                && vial.due(now, self.rules.approach_ns).is_some()
        };
        let (first, others): (Vec<&Vial>, Vec<&Vial>) = self.on_bench().partition(begins);
        let again: Vec<&Vial> = others.into_iter().filter(|vial| vial.may_run_again()).collect();
        // A run that was cut short may go on, unless somebody has turned to the other cylinder since.
        let may_go_on = |short: &Vial| {
            let turned = |vial: &&Vial| between(&short.last_moment(), &vial.last_moment()).0 > 0;
            was_cut_short(short, now) && !first.iter().all(turned)
        };
        if again.iter().any(|vial| may_go_on(vial)) {
            return Leads::kept();
        }
        let due = if first.is_empty() { again } else { first };
        if due.is_empty() || due.len() > self.rules.shaker_holds {
            return Leads::kept();
        }
        all(&due, now, |vial| vial.book.machine_point(Edge::Begin))
    }

    /// The marks that giving a kept press to specimens makes; `None`: it must be refused.
    pub fn would_give(&self, press: Uuid, specimens: &[Uuid]) -> Option<Vec<Meant>> {
        let press = self.presses.iter().find(|kept| kept.id == press)?;
        let named: std::collections::BTreeSet<&Uuid> = specimens.iter().collect();
        if specimens.is_empty() || named.len() != specimens.len() {
            return None;
        }
        let shaker = matches!(self.rules.switches.get(&press.name), Some(Meaning::Contact | Meaning::Button));
        let mut marks = Vec::new();
        for specimen in specimens {
            let mut vial = self.on_bench().find(|vial| vial.id == *specimen)?.clone();
            let mut mark = |vial: &mut Vial, at: Option<usize>, moment: Moment| {
                let at = at.filter(|at| vial.may_mark(*at, &moment))?;
                vial.mark(at, moment);
                marks.push(Meant { specimen: *specimen, at, moment });
                Some(())
            };
            let at = if shaker { vial.book.machine_point(Edge::Begin) } else { vial.next(&press.moment) };
            mark(&mut vial, at, press.moment)?;
            if let (true, Some(ended)) = (shaker, press.ended) {
                let at = vial.book.machine_point(Edge::End);
                mark(&mut vial, at, ended)?;
            }
        }
        Some(marks)
    }

    /// A kept press was given to specimens.
    pub fn give_press(&mut self, press: Uuid, specimens: &[Uuid], batch: &Batch) -> Result<(), String> {
        let meant = self.would_give(press, specimens).ok_or("a press was given that cannot be")?;
        self.take_marks(batch, &meant)?;
        self.presses.retain(|kept| kept.id != press);
        self.judged.given += meant.len() as u64;
        Ok(())
    }

    /// The marks of a batch are those that were meant, and the model makes them.
    pub fn take_marks(&mut self, batch: &Batch, meant: &[Meant]) -> Result<(), String> {
        let told = marks(batch)?;
        if told.len() != meant.len() {
            return Err(format!("meant were {meant:?}, and these were marked: {told:?}"));
        }
        for (told, meant) in told.iter().zip(meant) {
            self.take_mark(told, meant)?;
        }
        Ok(())
    }

    fn take_mark(&mut self, told: &Told, meant: &Meant) -> Result<(), String> {
        let Meant { specimen, at, moment } = *meant;
        if told.specimen != specimen {
            return Err(format!("specimen {specimen} was meant, and {} was marked", told.specimen));
        }
        if told.moment != moment {
            return Err(format!("marked at {:?}, and the input says {moment:?}", told.moment));
        }
        let vial = self.vial_mut(specimen)?;
        let (again, book) = (vial.goes_again(at), vial.book.clone());
        let (point, edge) = (book.points[at], book.points[at].edge);
        let kind = match (again, edge) {
            (true, Edge::Begin) => "further-run-began",
            (true, _) => "further-run-ended",
            (false, _) => "point-marked",
        };
        let named = told.point.zip(told.step.as_deref()).zip(told.edge);
        let wanted = (!again).then_some(((at, book.steps[point.step].name.as_str()), edge));
        if told.kind != kind || named != wanted {
            return Err(format!("point {at} was meant as {kind} {wanted:?}, and it was {told:?}"));
        }
        if !vial.may_mark(at, &moment) {
            return Err(format!(
                "point {at} was marked out of order at {moment:?}: possible are {:?}",
                vial.possible()
            ));
        }
        vial.mark(at, moment);
        if point.step == book.from && self.warmth.overtook(&moment) {
            self.vial_mut(specimen)?.loose = true;
        }
        if point.frees {
            self.clean(specimen);
        }
        Ok(())
    }
}

/// One press, one after the other; what one of them refuses is kept.
fn all(vials: &[&Vial], now: &Moment, at: impl Fn(&Vial) -> Option<usize>) -> Leads {
    let mut leads = Leads::nothing();
    for vial in vials {
        match at(vial).filter(|at| vial.may_mark(*at, now)) {
            Some(at) => leads.marks.push(Meant { specimen: vial.id, at, moment: *now }),
            None => return Leads { kept: Some(true), ..leads },
        }
    }
    leads
}

/// The machine's only run ended before the method's shortest time, and little time ago.
fn was_cut_short(vial: &Vial, now: &Moment) -> bool {
    let short = vial.book.machine().is_some_and(|step| matches!(vial.stands(step), Stands::Short(_)));
    vial.runs.is_empty() && short && between(&vial.last_moment(), now).0 < RESUMES_WITHIN_NS
}

fn id(payload: &Value, key: &str) -> Option<Uuid> {
    payload[key].as_str()?.parse().ok()
}

pub fn instant(told: &Value) -> Result<Moment, String> {
    serde_json::from_value(told.clone()).map_err(|e| format!("{e}: {told}"))
}

fn payload(row: &EventRow) -> Result<Value, String> {
    serde_json::from_str(row.payload.as_deref().unwrap_or_default()).map_err(|e| e.to_string())
}

/// Payloads of the events of a kind.
pub fn payloads(batch: &Batch, kind: &str) -> Result<Vec<Value>, String> {
    batch.events.iter().filter(|row| row.kind == kind).map(payload).collect()
}

/// Each mark that a batch tells of.
pub fn marks(batch: &Batch) -> Result<Vec<Told>, String> {
    let kinds = ["point-marked", "further-run-began", "further-run-ended"];
    let rows = batch.events.iter().filter(|row| kinds.contains(&row.kind.as_str()));
    rows.map(|row| {
        let value = payload(row)?;
        Ok(Told {
            kind: row.kind.clone(),
            specimen: id(&value, "specimen").ok_or("a mark of nothing")?,
            moment: instant(&value["marked"]["moment"])?,
            point: value["point"].as_u64().and_then(|at| usize::try_from(at).ok()),
            step: value["step"].as_str().map(str::to_owned),
            edge: serde_json::from_value(value["edge"].clone()).ok(),
        })
    })
    .collect()
}
