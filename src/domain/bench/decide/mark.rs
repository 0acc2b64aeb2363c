//! Marking an instant of the method. Out of time is accepted and becomes a deviation; out of
//! order is refused, with what is possible now.

use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Bench, Event, Outcome, Refusal};
use crate::domain::method::{Edge, Machine, Method, Point};
use crate::domain::moment::{Moment, SECOND, Stamp};
use crate::domain::shared::Shared;
use crate::domain::specimen::{By, Marked, Specimen};
use std::sync::Arc;
use uuid::Uuid;

/// How far a stamp may lie before the specimen's last instant and still count as simultaneous:
/// a kernel stamp is a little older than a message that overtook it.
const SIMULTANEOUS_NS: i64 = SECOND;

/// What ends a further run of the machine.
const FURTHER_RUN_ENDS: &str = "end of the further run";

impl Bench {
    /// What a press without further words marks next on a specimen, in words.
    pub fn next_text(&self, specimen: &Specimen) -> Option<String> {
        let (method, points) = self.rule(specimen)?;
        if specimen.open_further_run().is_some() {
            return Some(FURTHER_RUN_ENDS.to_owned());
        }
        let point = points.get(*specimen.possible(&points).first()?)?;
        Some(point_text(method, point))
    }

    /// That nobody knows how long a specimen's interval has run, and why, in words.
    pub fn unknown_text(&self, specimen: &Specimen, now: &Moment) -> Option<String> {
        let (method, points) = self.rule(specimen)?;
        let (step, span) = specimen.running(method, &points)?;
        let name = &method.steps.get(step)?.name;
        // Short enough for a strip of another station's page, with what to do.
        let words = || format!("how long {name} has run is not known until the machine's clock is set");
        span.known(now).is_none().then(words)
    }

    /// What is possible for a specimen, in words.
    pub fn possible_text(&self, specimen: &Specimen) -> String {
        let Some((method, points)) = self.rule(specimen) else { return "nothing".to_owned() };
        if specimen.open_further_run().is_some() {
            return FURTHER_RUN_ENDS.to_owned();
        }
        let mut words: Vec<String> = specimen
            .possible(&points)
            .into_iter()
            .filter_map(|i| Some(point_text(method, points.get(i)?)))
            .collect();
        if specimen.may_run_again(&points, Machine::Shaker) {
            words.push("a further run of the shaker".to_owned());
        }
        words.join("; ")
    }
}

/// A point in words.
pub fn point_text(method: &Method, point: &Point) -> String {
    let name = method.steps.get(point.step).map_or("?", |s| s.name.as_str());
    match point.edge {
        Edge::Done => format!("{name} done"),
        Edge::Begin => format!("{name} begins"),
        Edge::End => format!("{name} ends"),
        Edge::Value(_) => format!("enter the {name}"),
    }
}

/// A specimen with its method, and the method's points.
type Followed = (Shared<Specimen>, Arc<Method>, Arc<[Point]>);

impl Deciding<'_> {
    pub(super) fn specimen(&self, id: Uuid) -> Result<Followed, Refusal> {
        let specimen = self.bench.specimens.get(&id).ok_or_else(|| {
            unknown("specimen on the bench", id, self.bench.specimens.values().map(|s| s.label.clone()))
        })?;
        let (method, points) = self
            .bench
            .rule(specimen)
            .ok_or_else(|| unknown("method", &specimen.method, self.bench.current.keys().cloned()))?;
        Ok((specimen.clone(), method.clone(), points))
    }

    /// Marks a step's instant by name.
    pub(super) fn mark_named(&mut self, id: Uuid, step: &str, edge: Edge, marked: Marked) -> Decided {
        let (specimen, method, points) = self.specimen(id)?;
        let index = method
            .step_index(step)
            .ok_or_else(|| unknown("step", step, method.steps.iter().map(|s| s.name.clone())))?;
        let Some(point) = points.iter().position(|p| p.step == index && p.edge == edge) else {
            return Err(out_of_order(self.bench, &specimen, &format!("{step} {edge:?}").to_lowercase()));
        };
        self.mark_point(id, point, marked)
    }

    /// Marks the first possible instant.
    pub(super) fn mark_next(&mut self, id: Uuid, marked: Marked) -> Decided {
        let (specimen, _, points) = self.specimen(id)?;
        if specimen.open_further_run().is_some() {
            return self.end_further_run(id, marked);
        }
        match specimen.possible(&points).first() {
            Some(&point) => self.mark_point(id, point, marked),
            None => Err(out_of_order(self.bench, &specimen, "next")),
        }
    }

    /// Marks one point, if order allows.
    pub(super) fn mark_point(&mut self, id: Uuid, index: usize, marked: Marked) -> Decided {
        let (specimen, method, points) = self.specimen(id)?;
        let Some(point) = points.get(index).copied() else {
            return Err(out_of_order(self.bench, &specimen, "that"));
        };
        let wanted = point_text(&method, &point);
        if point.machine.is_some() && specimen.open_further_run().is_some() && point.edge == Edge::End {
            return self.end_further_run(id, marked);
        }
        if let Some(machine) = point.machine
            && point.edge == Edge::Begin
            && specimen.may_run_again(&points, machine)
        {
            return self.begin_further_run(id, marked);
        }
        if matches!(point.edge, Edge::Value(_)) {
            return Err(out_of_order(self.bench, &specimen, &format!("{wanted} without its value")));
        }
        let passed = specimen.last_marked().is_some_and(|last| index <= last);
        if passed {
            self.fill_gap(&specimen, index, &marked, &wanted)?;
        } else if specimen.possible(&points).contains(&index) {
            in_time_order(&specimen, specimen.last_moment(), &marked.moment)?;
        } else {
            return Err(out_of_order(self.bench, &specimen, &wanted));
        }
        let step = method.steps.get(point.step).map(|s| s.name.clone()).unwrap_or_default();
        self.emit(Event::PointMarked { specimen: id, point: index, step, edge: point.edge, marked });
        self.review_late(id);
        Ok(Outcome::done(format!("{}: {wanted}", specimen.label)))
    }

    /// A point that was passed may be stated later, between its neighbours in time.
    fn fill_gap(
        &self,
        specimen: &Specimen,
        index: usize,
        marked: &Marked,
        wanted: &str,
    ) -> Result<(), Refusal> {
        if specimen.points.get(index).is_some_and(Option::is_some) {
            return Err(Refusal::Already { what: format!("{}: {wanted} is marked already", specimen.label) });
        }
        if marked.moment.stamp != Stamp::Entered {
            return Err(out_of_order(self.bench, specimen, &format!("{wanted} without a stated time")));
        }
        if specimen.is_over() {
            let what = format!("{} is complete or void: nothing more is marked on it", specimen.label);
            return Err(Refusal::Already { what });
        }
        let neighbours = |range: &mut dyn Iterator<Item = &Option<Marked>>| range.flatten().next().cloned();
        if let Some(before) = neighbours(&mut specimen.points.iter().take(index).rev()) {
            in_time_order(specimen, &before.moment, &marked.moment)?;
        }
        if let Some(after) = neighbours(&mut specimen.points.iter().skip(index + 1))
            && after.moment.since(&marked.moment).ns < 0
        {
            return Err(Refusal::StatedTime {
                why: format!("lies after what followed it on {}", specimen.label),
            });
        }
        Ok(())
    }

    pub(super) fn begin_further_run(&mut self, id: Uuid, marked: Marked) -> Decided {
        let (specimen, _, _) = self.specimen(id)?;
        in_time_order(&specimen, specimen.last_moment(), &marked.moment)?;
        self.emit(Event::FurtherRunBegan { specimen: id, marked });
        Ok(Outcome::done(format!("{}: a further run began; it is kept and marked", specimen.label)))
    }

    pub(super) fn end_further_run(&mut self, id: Uuid, marked: Marked) -> Decided {
        let (specimen, _, _) = self.specimen(id)?;
        in_time_order(&specimen, specimen.last_moment(), &marked.moment)?;
        self.emit(Event::FurtherRunEnded { specimen: id, marked });
        Ok(Outcome::done(format!("{}: the further run ended", specimen.label)))
    }

    /// 'No line yet' is said while the last interval before the clay reading runs.
    pub(super) fn no_line_yet(&mut self, id: Uuid, marked: Marked) -> Decided {
        let (specimen, method, points) = self.specimen(id)?;
        let settling = specimen
            .running(&method, &points)
            .is_some_and(|(step, _)| crate::domain::specimen::judge::follows_on(&method, step));
        if !settling || specimen.clay.is_some() || specimen.sediment.is_some() {
            return Err(out_of_order(self.bench, &specimen, "no line yet"));
        }
        in_time_order(&specimen, specimen.last_moment(), &marked.moment)?;
        if let Some((step, span)) = specimen.running(&method, &points)
            && let (Some(opens), _) = specimen.window(&method, step)
            && marked.moment.since(&span.begin.marked.moment).ns < opens
        {
            return Err(out_of_order(self.bench, &specimen, "no line yet, before the window opens"));
        }
        self.emit(Event::NoLineNoted { specimen: id, marked });
        self.review_late(id);
        let repeat = self.repeat_text(id);
        Ok(Outcome::done(format!("{}: no line yet; leave it undisturbed{repeat}", specimen.label)))
    }

    /// The instant of an act: now, or a stated time that is neither in the future nor from
    /// before the specimen.
    pub(super) fn marked(&self, stated_wall_ns: Option<i64>, by: By) -> Result<Marked, Refusal> {
        let now = *self.now();
        let moment = match stated_wall_ns {
            None => now,
            Some(wall) if wall > now.wall_ns.saturating_add(SIMULTANEOUS_NS) => {
                return Err(Refusal::StatedTime { why: "lies in the future".to_owned() });
            }
            Some(wall) => now.stated(wall),
        };
        Ok(Marked { moment, by })
    }
}

pub(super) fn out_of_order(bench: &Bench, specimen: &Specimen, wanted: &str) -> Refusal {
    Refusal::OutOfOrder {
        label: specimen.label.clone(),
        wanted: wanted.to_owned(),
        possible: bench.possible_text(specimen),
    }
}

/// Refuses an instant that lies before `last`. A machine's stamp may be a little older than a
/// message that overtook it; a person's stated time may not. After a reboot a stamp is never
/// refused: the wall clock of a machine may wake up late, and the interval then shows it.
pub(super) fn in_time_order(specimen: &Specimen, last: &Moment, new: &Moment) -> Result<(), Refusal> {
    let stated = new.stamp == Stamp::Entered;
    let tolerated = if stated { 0 } else { SIMULTANEOUS_NS };
    if (stated || new.boot == last.boot) && new.since(last).ns < -tolerated {
        let why = format!("lies before what {} did last", specimen.label);
        return Err(if stated { Refusal::StatedTime { why } } else { Refusal::Stamp { why } });
    }
    Ok(())
}
