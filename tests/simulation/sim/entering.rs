//! What a step of preparing leads to, and what the clock makes due of it: worked out by the model,
//! and held against the station's events.

use super::hands::{instant, marks, payloads};
use super::ledger::Ledger;
use super::oven::{Load, last};
use super::vial::Vial;
use super::way::{Noted, Tin, Until, Way, at, numbered};
use super::ways::{Choice, oven_tins, subject};
use rust_decimal::Decimal;
use serde_json::Value;
use stillstand::domain::moment::Moment;
use stillstand::domain::preparation::{Act, MassOf};
use stillstand::domain::quantity::Unit;
use stillstand::domain::specimen::Target;
use stillstand::journal::Batch;
use uuid::Uuid;

impl Ledger {
    /// What an accepted step of preparing does; the station's events say just this.
    pub fn prepared(&mut self, act: &Act, moment: Moment, batch: &Batch) -> Result<(), String> {
        self.judged.prepared += 1;
        if let Act::GiveTin { specimen, tin } = act {
            let sample = self.vial(*specimen)?.sample;
            self.give_tin(sample, *specimen, *tin)?;
            return events(batch, &[format!("tin-given {tin} {specimen}")], &moment);
        }
        let sample = subject(act);
        if let Act::Follow { course, .. } = act {
            let planted = self.planted;
            let bag = self.bags.get_mut(&sample).ok_or("a course of no sample")?;
            let route = bag.book.preparing.routes.iter().find(|route| route.name == *course).cloned();
            let route = route.ok_or("a course that the method does not have")?;
            bag.way = Some(Way::new(bag.book.clone(), route, moment, planted));
            return events(batch, &[format!("course-chosen {course}")], &moment);
        }
        let (expected, awaited) = enter(self.way_mut(sample)?, act, moment)?;
        if let Some(of) = awaited {
            self.awaited = Some(Target::Preparation { sample, of });
        }
        events(batch, &expected, &moment)
    }

    fn give_tin(&mut self, sample: Uuid, specimen: Uuid, tin: u32) -> Result<(), String> {
        let way = self.way_mut(sample)?;
        for other in way.tins.iter_mut().filter(|other| other.vial == Some(specimen)) {
            other.vial = None;
        }
        way.tins.get_mut(at(tin)).ok_or("a tin that nobody knows was given")?.vial = Some(specimen);
        Ok(())
    }

    /// A new specimen takes the tin that waits; its filling is the method's own first mark.
    pub fn take_tin(
        &mut self,
        vial: Uuid,
        sample: Uuid,
        moment: Moment,
        batch: &Batch,
    ) -> Result<(), String> {
        let way = self.bags.get(&sample).and_then(|bag| bag.way.as_ref());
        let tin = way.and_then(|way| Some((way.next_tin()?, marks_first(way))));
        let mut told = marks(batch)?;
        let Some((tin, marks)) = tin else {
            return if told.is_empty() {
                Ok(())
            } else {
                Err(format!("a new specimen was marked: {told:?}"))
            };
        };
        self.give_tin(sample, vial, tin)?;
        events(batch, &[format!("tin-given {tin} {vial}")], &moment)?;
        if !marks {
            return Ok(());
        }
        let filled = self.way_mut(sample)?.filled(tin).ok_or("a tin that was not filled was given")?.1;
        let told = told.pop().filter(|_| told.is_empty()).ok_or("its tin's filling was not marked")?;
        told.is_mark_of(vial, 0, &filled)?;
        self.vial_mut(vial)?.mark(0, filled);
        Ok(())
    }

    /// When a specimen was begun: its first mark after the filling of its tin.
    pub fn begun(&self, vial: &Vial) -> Option<Moment> {
        let way = self.bags.get(&vial.sample).and_then(|bag| bag.way.as_ref());
        let filling = way.is_some_and(|way| way.tin_of(vial.id).is_some() && marks_first(way));
        vial.marks.iter().skip(usize::from(filling)).flatten().next().copied()
    }

    /// What the clock has made due of the ways by an instant is told with the next input, and
    /// nothing else.
    pub fn due(&mut self, now: &Moment, batch: &Batch) -> Result<(), String> {
        let mut told = Vec::new();
        for kind in ["preparation-tempering-over", "preparation-drying-due"] {
            for payload in payloads(batch, kind)? {
                told.push(format!("{kind} {} {}", payload["sample"].as_str().unwrap_or(""), payload["load"]));
            }
        }
        for (id, bag) in self.bags.iter_mut().filter(|(_, bag)| !bag.reported) {
            let (unsure, Some(way)) = (bag.closed, bag.way.as_mut()) else { continue };
            let mut meet = |what: String, since: &Moment, waits: i64| {
                let place = told.iter().position(|told| *told == what);
                match place {
                    Some(place) if waits <= 0 || unsure => {
                        told.swap_remove(place);
                        self.judged.announced += 1;
                        Ok(true)
                    }
                    Some(_) => Err(format!("{what} is told {waits} ns too early")),
                    // Across a restart the wall clock says it, and that is steered meanwhile.
                    None if waits <= 0 && !unsure && since.boot == now.boot => {
                        Err(format!("{what} is not told, {} ns late", -waits))
                    }
                    None => Ok(false),
                }
            };
            if let Some((_, since)) = way.tempering(Until::Now).filter(|(_, at)| way.announced != Some(*at)) {
                let what = format!("preparation-tempering-over {id} null");
                if meet(what, &since, way.tempers_for(&since, now))? {
                    way.announced = Some(since);
                }
            }
            for place in 0..way.loads.len() {
                let number = numbered(place);
                let waits = way.oven(number).map_or(0, |oven| oven.waits(now));
                let weighed = way.loads[place].dried.len();
                let Some(since) = last(&way.loads[place].dried).map(|mass| mass.at) else { continue };
                if way.loads[place].announced >= weighed || way.is_out(number, Until::Now) {
                    continue;
                }
                if meet(format!("preparation-drying-due {id} {number}"), &since, waits)? {
                    way.loads[place].announced = weighed;
                }
            }
        }
        if told.is_empty() { Ok(()) } else { Err(format!("nothing of this is due: {told:?}")) }
    }
}

/// The filling of a tin is the first mark of the method.
pub fn marks_first(way: &Way) -> bool {
    let first = way.book.points.first().map(|point| way.book.steps[point.step].name.as_str());
    first.is_some() && first == way.route.marks()
}

/// Enters an act, and says what the events must say, and which mass is waited for.
fn enter(way: &mut Way, act: &Act, moment: Moment) -> Result<(Vec<String>, Option<MassOf>), String> {
    let mut expected = Vec::new();
    let mut take = |way: &mut Way, choice: Choice| match choice {
        Choice::Known(tin) => tin,
        Choice::Another(mark) => {
            let tin = numbered(way.tins.len());
            let said = mark.as_ref().map(|mark| format!(" {mark}")).unwrap_or_default();
            expected.push(format!("tin-taken {tin}{said}"));
            way.tins.push(Tin { mark, ..Tin::default() });
            tin
        }
    };
    let noted = match act {
        Act::Done { step, .. } => Noted::Done(step.clone()),
        Act::Skip { step, .. } => Noted::Skipped(step.clone()),
        Act::Cast { finding, .. } => Noted::Cast(*finding),
        Act::Remix { .. } => Noted::Mixed,
        Act::FillTin { tin, mark, .. } => {
            let choice = Ledger::choose(way, *tin, mark.as_deref(), false);
            Noted::Filled(take(way, choice))
        }
        Act::WeighEmptyTin { tin, mark, .. } => {
            let choice = Ledger::choose(way, *tin, mark.as_deref(), true);
            let tin = take(way, choice);
            return Ok((expected, Some(MassOf::EmptyTin { tin })));
        }
        Act::AwaitDryingMass { of, .. } => return Ok((expected, Some(*of))),
        Act::BeginDrying { tins, in_pan, .. } => {
            let load = Load { tins: oven_tins(way, tins), in_pan: *in_pan, ..Load::default() };
            way.loads.push(load);
            Noted::Began(numbered(way.loads.len() - 1))
        }
        Act::NoteOven { load, temperature, unit, .. } => {
            let value: Decimal = temperature.parse().map_err(|_| "a temperature without digits")?;
            let fahrenheit = *unit == Some(Unit::Fahrenheit);
            let ninths = if fahrenheit {
                (value - Decimal::from(32)) * Decimal::from(5)
            } else {
                value * Decimal::from(9)
            };
            Noted::Oven(*load, ninths)
        }
        Act::Cooled { load, .. } => Noted::Cooled(*load),
        Act::StopDrying { load, .. } => Noted::Stopped(*load),
        Act::TakeBack { .. } => {
            let place = way.last_entry().ok_or("nothing was entered, and it was taken back")?;
            way.entries[place].taken_back = true;
            let what = way.entries[place].what.clone();
            expected.push(format!("entry-taken-back {}", words(way, &what)));
            if matches!(what, Noted::Began(_)) {
                way.loads.pop();
            }
            return Ok((expected, None));
        }
        Act::Follow { .. } | Act::GiveTin { .. } => return Err("no entry".to_owned()),
    };
    expected.push(format!("noted {}", words(way, &noted)));
    way.note(noted, moment);
    Ok((expected, None))
}

/// An entry as an event tells it.
fn words(way: &Way, noted: &Noted) -> String {
    match noted {
        Noted::Done(step) => format!("done {step}"),
        Noted::Skipped(step) => format!("skipped {step}"),
        Noted::Cast(finding) => {
            let word = serde_json::to_value(finding).unwrap_or_default();
            format!("cast {}", word.as_str().unwrap_or_default())
        }
        Noted::Mixed => "remixed".to_owned(),
        Noted::Filled(tin) => format!("filled {tin}"),
        Noted::Began(number) => {
            let load = &way.loads[at(*number)];
            let tins: Vec<String> = load.tins.iter().map(ToString::to_string).collect();
            format!("drying-began {number} [{}] {}", tins.join(","), load.in_pan)
        }
        Noted::Oven(load, _) => format!("oven-noted {load}"),
        Noted::Cooled(load) => format!("cooled {load}"),
        Noted::Stopped(load) => format!("drying-stopped {load}"),
    }
}

/// The events of people's preparing in a batch are just these, at that instant.
fn events(batch: &Batch, expected: &[String], moment: &Moment) -> Result<(), String> {
    let mut told = Vec::new();
    for kind in ["course-chosen", "tin-taken", "tin-given", "noted", "entry-taken-back"] {
        for payload in payloads(batch, &format!("preparation-{kind}"))? {
            if instant(&payload["marked"]["moment"])? != *moment {
                return Err(format!("{kind}: the input says {moment:?}, and it is {payload}"));
            }
            let keys =
                ["entered", "step", "finding", "tin", "load", "tins", "in-pan", "course", "mark", "specimen"];
            let of = if payload["entered"].is_object() { &payload["entered"] } else { &payload };
            let text = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_owned);
            let parts = keys.iter().filter_map(|key| of.get(*key)).filter(|value| !value.is_null());
            let parts: Vec<String> = parts.map(text).collect();
            told.push(format!("{kind} {}", parts.join(" ")));
        }
    }
    if told == expected { Ok(()) } else { Err(format!("{expected:?} had to happen, and {told:?} did")) }
}
