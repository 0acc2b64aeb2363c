//! Mistakes corrected: the last mark taken back, a time, a level, a record given up, a reason given
//! later. Nothing is overwritten. Where the record has gone out, a new version of it follows, and
//! a new version of the sample's result if what counts has changed.

use super::{Decided, Deciding, point_text, unknown};
use crate::domain::bench::{Act, Bench, ClosedSample, Do, Event, Outcome, Refusal};
use crate::domain::calculation;
use crate::domain::method::{Edge, Level, Method, Point};
use crate::domain::moment::{Moment, Stamp};
use crate::domain::quality;
use crate::domain::specimen::correction::{MOST, Withdrawn};
use crate::domain::specimen::sample::Counted;
use crate::domain::specimen::{By, Marked, ReadingTaken, Specimen, judge};
use std::sync::Arc;
use uuid::Uuid;

/// Longest reason, in characters.
const REASON_MAX: usize = 200;

impl Bench {
    /// The other specimens that the last mark of this one was made on by the same press, while it
    /// is still the last mark of each of them.
    pub fn marked_with(&self, id: Uuid) -> Vec<Uuid> {
        let stands = |(id, version): &(Uuid, u32)| {
            self.specimens
                .get(id)
                .is_some_and(|s| !s.is_over() && s.last_noted_mark().is_some_and(|n| n.version == *version))
        };
        if self.together.iter().any(|(one, _)| *one == id) && self.together.iter().all(stands) {
            return self.together.iter().map(|(one, _)| *one).filter(|one| *one != id).collect();
        }
        Vec::new()
    }
}

/// What was taken back, in words.
pub fn withdrawn_text(what: &Withdrawn, method: &Method, points: &[Point]) -> String {
    let point = |index: &usize| points.get(*index).map_or_else(|| "?".to_owned(), |p| point_text(method, p));
    match what {
        Withdrawn::Point { point: index, .. } => point(index),
        Withdrawn::Reading { of, .. } => format!("the {} reading", of.word()),
        Withdrawn::RunBegan { .. } => "begin of a further run".to_owned(),
        Withdrawn::RunEnded { .. } => "end of the further run".to_owned(),
        Withdrawn::NoLine { .. } => "no line yet".to_owned(),
        Withdrawn::Void { because, .. } => format!("given up ({because})"),
    }
}

/// A specimen, on the bench or in the drawer, with its method and the method's points.
type Found = (Specimen, Arc<Method>, Arc<[Point]>);

impl Deciding<'_> {
    /// A specimen on the bench or gone from it, with its method.
    pub(super) fn anywhere(&self, id: Uuid) -> Result<Found, Refusal> {
        let specimen = self
            .bench
            .find(id)
            .ok_or_else(|| unknown("specimen", id, self.bench.specimens.values().map(|s| s.label.clone())))?;
        let (method, points) = self
            .bench
            .rule(specimen)
            .ok_or_else(|| unknown("method", &specimen.method, self.bench.current.keys().cloned()))?;
        Ok((specimen.clone(), method.clone(), points))
    }

    /// The acts that correct; `None`: another act.
    pub(super) fn correction(&mut self, act: &Act, by: &By, stated: &Marked) -> Option<Decided> {
        let now = Marked { moment: *self.now(), by: by.clone() };
        Some(match &act.what {
            Do::WithdrawLast { specimen, together, for_another, reason } => {
                self.withdraw_last(*specimen, (*together, *for_another), reason.as_deref(), stated)
            }
            Do::CorrectTime { specimen, step, edge, reason } => {
                self.correct_time(*specimen, (step, *edge), act.stated_wall_ns, reason.as_deref(), &now)
            }
            Do::CorrectReading { specimen, of, value, confirmed, reason } => {
                self.correct_reading(*specimen, *of, (value, *confirmed), reason.as_deref(), stated)
            }
            Do::GiveReason { specimen, correction, reason } => {
                self.give_reason(*specimen, *correction, reason, stated)
            }
            _ => return None,
        })
    }

    fn withdraw_last(
        &mut self,
        id: Uuid,
        (together, for_another): (bool, bool),
        reason: Option<&str>,
        marked: &Marked,
    ) -> Decided {
        let reason = correction_of(reason, marked)?;
        let press = self.press_behind(&self.anywhere(id)?);
        if for_another && press.is_none() {
            let why = "only a press of a switch that began something is kept for another cylinder".to_owned();
            return Err(Refusal::Field { field: "for-another", why });
        }
        let mut all = vec![id];
        if together {
            all.extend(self.bench.marked_with(id));
            if all.len() == 1 {
                let what = "its last mark was made alone, or others have gone on since".to_owned();
                return Err(Refusal::Already { what });
            }
        }
        let mut notes = Vec::new();
        for id in all {
            let (specimen, method, points) = self.may_correct(id)?;
            let label = &specimen.label;
            if !self.bench.specimens.contains_key(&id) {
                let what =
                    format!("{label} has left its place: correct a time or a reading of it, or give it up");
                return Err(Refusal::Already { what });
            }
            if specimen.is_complete() {
                let what = format!("{label} is complete: correct a time or a reading of it, or give it up");
                return Err(Refusal::Already { what });
            }
            let what = specimen.last_mark().ok_or_else(|| Refusal::Already {
                what: format!("nothing is marked on {label} that could be taken back"),
            })?;
            let answered = self.bench.find_sample(specimen.sample).is_some_and(|s| s.reported.is_some());
            if answered && matches!(what, Withdrawn::Void { .. }) {
                let what = format!("the sample of {label} has its result without it: it stays given up");
                return Err(Refusal::Already { what });
            }
            notes.push(format!("{label}: {} taken back", withdrawn_text(&what, &method, &points)));
            let (correction, marked, reason) = (self.fresh(), marked.clone(), reason.clone());
            self.emit(Event::MarkWithdrawn { specimen: id, correction, what, marked, reason });
            self.review_late(id);
        }
        if let Some(press) = press.filter(|_| for_another) {
            self.keep_for_another(press);
            notes.push("the press is kept for another cylinder".to_owned());
        }
        Ok(Outcome::done(notes.join("; ")))
    }

    fn correct_time(
        &mut self,
        id: Uuid,
        (step, edge): (&str, Edge),
        stated_wall_ns: Option<i64>,
        reason: Option<&str>,
        marked: &Marked,
    ) -> Decided {
        let reason = correction_of(reason, marked)?;
        let (specimen, method, points) = self.may_correct(id)?;
        let index = method
            .step_index(step)
            .ok_or_else(|| unknown("step", step, method.steps.iter().map(|s| s.name.clone())))?;
        let own = points.iter().position(|p| p.step == index && p.edge == edge);
        let point = own.or_else(|| neighbours_point(&specimen, &method, &points, index, edge));
        let mark = point.and_then(|at| Some((at, points.get(at)?, specimen.points.get(at)?.clone()?)));
        let Some((point, wanted, from)) = mark else {
            let what =
                format!("that instant of {step} is not marked on {}: state it as missed", specimen.label);
            return Err(Refusal::Already { what });
        };
        let Some(wall_ns) = stated_wall_ns else {
            return Err(Refusal::StatedTime { why: "is missing: say when it was".to_owned() });
        };
        // Placed by its distance from the original, so that both ends of an interval stay on the
        // boot clock that measured them.
        let to = Marked { moment: from.moment.stated(wall_ns), by: marked.by.clone() };
        between_neighbours(&specimen, &points, point, &from.moment, &to.moment)?;
        let note = format!("{}: time of '{}' corrected", specimen.label, point_text(&method, wanted));
        let (correction, step) = (self.fresh(), step.to_owned());
        let marked = marked.clone();
        self.emit(Event::TimeCorrected { specimen: id, correction, point, step, from, to, marked, reason });
        self.review_late(id);
        self.amended(id, note, correction, false)
    }

    fn correct_reading(
        &mut self,
        id: Uuid,
        of: Level,
        (text, confirmed): (&str, bool),
        reason: Option<&str>,
        marked: &Marked,
    ) -> Decided {
        let reason = correction_of(reason, marked)?;
        let (specimen, method, _) = self.may_correct(id)?;
        let Some(from) = specimen.reading(of).cloned() else {
            let what = format!("the {} reading of {} has not been entered", of.word(), specimen.label);
            return Err(Refusal::Already { what });
        };
        // The foot that stood on the sand then, whatever is set now.
        let foot = from.foot.clone().filter(|_| of == Level::Sand);
        let level = super::reading::level_of(of, text, foot.as_deref(), &method)?;
        if level == from.level {
            let what = format!("the {} reading is {} already", of.word(), level.recorded);
            return Err(Refusal::Already { what });
        }
        let (sand, clay) = match of {
            Level::Clay => (specimen.sand.as_ref().map(|s| s.level), Some(level)),
            Level::Sand => (Some(level), specimen.clay.as_ref().map(|c| c.level)),
            Level::Sediment => (None, None),
        };
        if let (Some(sand), Some(clay)) = (sand, clay) {
            super::reading::ask_if_swapped(&sand, &clay, confirmed, &method)?;
        }
        let to = ReadingTaken {
            text: text.trim().to_owned(),
            level,
            foot,
            moment: from.moment,
            by: marked.by.clone(),
        };
        let note = format!(
            "{}: {} reading corrected from {} to {} {}",
            specimen.label,
            of.word(),
            from.level.recorded,
            level.recorded,
            method.readings.unit
        );
        let (correction, readings, marked) = (self.fresh(), Box::new([from, to]), marked.clone());
        self.emit(Event::ReadingCorrected { specimen: id, correction, of, readings, marked, reason });
        self.amended(id, note, correction, false)
    }

    /// A complete specimen is given up.
    pub(super) fn void_record(&mut self, id: Uuid, reason: &str, marked: &Marked) -> Decided {
        let reason = correction_of(Some(reason), marked)?;
        let (specimen, _, _) = self.may_correct(id)?;
        let note = format!("{} is void and does not count", specimen.label);
        let (correction, marked) = (self.fresh(), marked.clone());
        self.emit(Event::RecordVoided { specimen: id, correction, marked, reason });
        self.amended(id, note, correction, true)
    }

    fn give_reason(&mut self, id: Uuid, correction: Uuid, reason: &str, marked: &Marked) -> Decided {
        let Some(reason) = correction_of(Some(reason), marked)? else {
            return Err(bad_reason());
        };
        let (specimen, _, _) = self.anywhere(id)?;
        let pending = || specimen.corrections.iter().filter(|c| c.reason.is_none()).map(|c| c.id.to_string());
        let known = specimen.corrections.iter().find(|c| c.id == correction);
        let known = known.ok_or_else(|| unknown("correction without its reason", correction, pending()))?;
        if known.reason.is_some() {
            return Err(Refusal::Already { what: "its reason has been given".to_owned() });
        }
        let note = format!("{}: the reason is kept", specimen.label);
        let marked = marked.clone();
        self.emit(Event::ReasonGiven { specimen: id, correction, reason, marked });
        self.amended(id, note, correction, false)
    }

    /// A sample that had left the bench comes back into sight, unless it is.
    pub(super) fn recalled(&mut self, closed: &ClosedSample) -> Outcome {
        if self.bench.find_sample(closed.sample.id).is_none() {
            self.emit(Event::SampleRecalled { closed: Box::new(closed.clone()) });
        }
        Outcome::done("")
    }

    fn may_correct(&self, id: Uuid) -> Result<Found, Refusal> {
        let found = self.anywhere(id)?;
        let (specimen, _, _) = &found;
        if specimen.is_complete() && specimen.voided.is_some() {
            return Err(Refusal::Already { what: format!("{} is void already", specimen.label) });
        }
        if specimen.corrections.len() >= MOST {
            let what = format!("{} has been corrected {MOST} times: give it up", specimen.label);
            return Err(Refusal::Already { what });
        }
        Ok(found)
    }

    /// After a correction of a complete specimen: the new version of its record, and of its
    /// sample's result if what counts has changed.
    pub(super) fn amended(
        &mut self,
        id: Uuid,
        note: String,
        correction: Uuid,
        counts_no_more: bool,
    ) -> Decided {
        let (specimen, _, _) = self.anywhere(id)?;
        if specimen.levels().is_none() || !specimen.is_complete() {
            return Ok(Outcome::made(note, correction));
        }
        let of_sample = |bench: &Bench| bench.find_sample(specimen.sample).map(|s| s.counted.clone());
        let before = of_sample(self.bench).unwrap_or_default();
        self.reissue(id)?;
        let after = of_sample(self.bench).unwrap_or_default();
        let mut note = format!("{note}; a new version of its record follows");
        if (counts_no_more || !same_figures(&before, &after)) && self.amend_result(specimen.sample) {
            note.push_str(", and of its sample's result");
        } else if self.reopen_result(specimen.sample) {
            note.push_str(", and of its sample's result, which is preliminary again");
        }
        Ok(Outcome::made(note, correction))
    }

    /// A new version of a complete specimen's record, as everything stands now.
    pub(super) fn reissue(&mut self, id: Uuid) -> Result<(), Refusal> {
        let (specimen, method, points) = self.anywhere(id)?;
        let Some(levels) = specimen.levels() else { return Ok(()) };
        let number = calculation::from_levels(levels, &method.calculation)
            .map_err(|e| Refusal::Level { why: e.to_string() })?;
        let deviations = judge::deviations(&specimen, &method, &points).len()
            + self
                .bench
                .find_sample(specimen.sample)
                .map_or(0, |s| s.deviations_of(&method, &specimen).len());
        let record = self.fresh();
        self.emit(Event::RecordAmended {
            specimen: id,
            record,
            calculation: number,
            deviations: u32::try_from(deviations).unwrap_or(u32::MAX),
        });
        Ok(())
    }

    /// A new version of a result that went out. `false`: none has, or none stands that could change.
    pub(super) fn amend_result(&mut self, id: Uuid) -> bool {
        let Some(sample) = self.bench.find_sample(id) else { return false };
        if sample.reported.is_none() {
            // Its result was void, or is still to come: it may be complete without the void one.
            self.complete_sample(id);
            return self.bench.find_sample(id).is_some_and(|s| s.reported.is_some());
        }
        let average = if quality::is_ready(sample) { self.average_of(id) } else { None };
        let document = self.fresh();
        self.emit(Event::ResultAmended { sample: id, document, average });
        true
    }
}

/// Where a step begins or ends with its neighbour's press, that press.
fn neighbours_point(
    specimen: &Specimen,
    method: &Method,
    points: &[Point],
    step: usize,
    edge: Edge,
) -> Option<usize> {
    let span = specimen.span(method, points, step)?;
    let end = match edge {
        Edge::Begin => span.begin,
        Edge::End => span.end?,
        Edge::Done | Edge::Value(_) => return None,
    };
    specimen.points.iter().position(|marked| !end.bound && marked.as_ref() == Some(end.marked))
}

/// Nothing that a result shows of its specimens differs.
fn same_figures(
    before: &[crate::domain::specimen::sample::Counted],
    after: &[crate::domain::specimen::sample::Counted],
) -> bool {
    let figures = |c: &Counted| (c.specimen, c.calculation, c.deviations, c.settled);
    before.iter().map(figures).eq(after.iter().map(figures))
}

/// A correction is made now, by somebody; its reason may be pending.
fn correction_of(reason: Option<&str>, marked: &Marked) -> Result<Option<String>, Refusal> {
    if marked.by.person.is_none() {
        let why = "a correction names a person".to_owned();
        return Err(Refusal::Field { field: "who", why });
    }
    if marked.moment.stamp == Stamp::Entered {
        let why = "is for what happened at the bench; this is done now".to_owned();
        return Err(Refusal::StatedTime { why });
    }
    let Some(reason) = reason.map(str::trim).filter(|r| !r.is_empty()) else { return Ok(None) };
    if reason.chars().count() > REASON_MAX || reason.chars().any(char::is_control) {
        return Err(bad_reason());
    }
    Ok(Some(reason.to_owned()))
}

fn bad_reason() -> Refusal {
    Refusal::Field { field: "reason", why: format!("say in 1 to {REASON_MAX} characters why") }
}

/// A corrected time lies between what came before it and what came after it on the specimen.
fn between_neighbours(
    specimen: &Specimen,
    points: &[Point],
    point: usize,
    was: &Moment,
    new: &Moment,
) -> Result<(), Refusal> {
    let order = |at: usize, marked: &Marked| (at < point, marked.moment);
    let marks = specimen.points.iter().enumerate().filter(|(at, _)| *at != point);
    let marks = marks.filter_map(|(at, marked)| Some(order(at, marked.as_ref()?)));
    // Further runs follow the end of the machine's run; a 'no line yet' stands where it was said.
    let machine_end = points.iter().position(|p| p.machine.is_some() && p.edge == Edge::End).unwrap_or(0);
    let runs = specimen.further_runs.iter().flat_map(|run| [Some(&run.begin), run.end.as_ref()]).flatten();
    let runs = runs.map(|marked| (machine_end < point, marked.moment));
    let said = specimen.no_line.iter().map(|marked| (marked.moment.since(was).ns < 0, marked.moment));
    // A tin was filled before its specimen was registered.
    let registered = Some((true, specimen.registered.moment));
    let registered = registered.filter(|(_, registered)| was.since(registered).ns >= 0);
    for (before, other) in registered.into_iter().chain(marks).chain(runs).chain(said) {
        let after_other_ns = new.since(&other).ns;
        let why = match before {
            true if after_other_ns < 0 => "before what came before it",
            false if after_other_ns > 0 => "after what followed it",
            _ => continue,
        };
        return Err(Refusal::StatedTime { why: format!("lies {why} on {}", specimen.label) });
    }
    Ok(())
}
