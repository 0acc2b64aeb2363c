//! Acts of a sample's preparation: the course, its steps, casts and tins.

use super::note::{named, reason};
use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::method::{CourseKind, CourseStep, Method};
use crate::domain::moment::{Moment, Stamp};
use crate::domain::preparation::constant::minutes;
use crate::domain::preparation::{Act, Course, Entered, Finding, Happened, MassOf, Moisture, OnCourse, Tin};
use crate::domain::quantity::Quantity;
use crate::domain::shared::Shared;
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Marked, Target};
use std::sync::Arc;
use uuid::Uuid;

/// Longest mark on a tin, in characters.
const MARK_MAX: usize = 32;
/// Tins of one sample: more than its specimens and a few that failed.
const MOST_TINS: usize = 60;

/// A sample that follows a course, with its method.
pub(super) struct Walking {
    pub(super) sample: Shared<Sample>,
    pub(super) method: Arc<Method>,
}

impl Walking {
    /// Where it stands; `None` only if its method no longer has the course.
    pub(super) fn on(&self) -> Result<OnCourse<'_>, Refusal> {
        self.sample.on_course(&self.method).ok_or_else(|| Refusal::Already {
            what: format!("the method of {} has no course that it follows", self.sample.label),
        })
    }

    pub(super) fn out_of_order(&self, wanted: &str, now: &Moment) -> Refusal {
        let possible = self.on().map_or_else(|_| "nothing".to_owned(), |on| on.possible_text(now));
        Refusal::OutOfOrder { label: self.sample.label.clone(), wanted: wanted.to_owned(), possible }
    }
}

impl Deciding<'_> {
    pub(super) fn preparation(&mut self, act: &Act, marked: Marked) -> Decided {
        match act {
            Act::Follow { sample, course } => self.follow(*sample, course, marked),
            Act::Done { sample, step } => self.step_done(*sample, step, marked),
            Act::Skip { sample, step, reason } => self.skip_step(*sample, step, reason, marked),
            Act::Cast { sample, finding, changed } => {
                self.cast(*sample, *finding, changed.as_deref(), marked)
            }
            Act::Remix { sample } => self.remix(*sample, marked),
            Act::WeighEmptyTin { sample, tin, mark } => {
                self.weigh_empty_tin(*sample, *tin, mark.as_deref(), marked)
            }
            Act::FillTin { sample, tin, mark, confirmed } => {
                self.fill_tin(*sample, *tin, mark.as_deref(), *confirmed, marked)
            }
            Act::GiveTin { specimen, tin } => self.give_tin(*specimen, *tin, marked),
            Act::TakeBack { sample, reason } => self.take_entry_back(*sample, reason, marked),
            Act::BeginDrying { .. }
            | Act::AwaitDryingMass { .. }
            | Act::NoteOven { .. }
            | Act::Cooled { .. }
            | Act::StopDrying { .. } => self.drying(act, marked),
        }
    }

    /// A sample that follows a course and has no result yet.
    pub(super) fn walking(&self, id: Uuid) -> Result<Walking, Refusal> {
        let (sample, method) = self.sample_at_work(id)?;
        if sample.course.is_none() {
            let courses: Vec<String> = method.preparation.courses.iter().map(|c| c.name.clone()).collect();
            let what = if courses.is_empty() {
                format!("the method of {} has no course of preparation", sample.label)
            } else {
                format!("{} follows no course yet; its method knows {}", sample.label, courses.join(", "))
            };
            return Err(Refusal::Already { what });
        }
        Ok(Walking { sample, method })
    }

    fn sample_at_work(&self, id: Uuid) -> Result<(Shared<Sample>, Arc<Method>), Refusal> {
        self.sample_label(id)?;
        let sample = self.bench.samples.get(&id).ok_or_else(|| unknown("sample", id, []))?;
        if sample.reported.is_some() {
            return Err(Refusal::Already { what: format!("sample {} has its result", sample.label) });
        }
        let known = || self.bench.current.keys().cloned();
        let method = self.bench.methods.get(&sample.method);
        let method = method.ok_or_else(|| unknown("method", &sample.method, known()))?;
        Ok((sample.clone(), method.clone()))
    }

    pub(super) fn enter(&mut self, sample: Uuid, entered: Entered, marked: Marked) {
        self.emit(Event::Preparation(Happened::Noted { sample, entered, marked }));
    }

    fn follow(&mut self, id: Uuid, name: &str, marked: Marked) -> Decided {
        let (sample, method) = self.sample_at_work(id)?;
        let Some(rule) = method.course(name) else {
            let known = method.preparation.courses.iter().map(|course| course.name.clone());
            return Err(unknown("course in the method", name, known));
        };
        let begun = |course: &Course| {
            course.standing().next().is_some() || course.tins.iter().any(|tin| tin.tare.is_some())
        };
        if let Some(course) = sample.course.as_ref().filter(|course| begun(course)) {
            let what = format!(
                "{} follows {} and was begun; take back what was entered first",
                sample.label, course.name
            );
            return Err(Refusal::Already { what });
        }
        let note = format!("{}: {}", sample.label, rule.title);
        self.emit(Event::Preparation(Happened::CourseChosen { sample: id, course: name.to_owned(), marked }));
        Ok(Outcome::done(format!("{note}; next: {}", self.next_text(id))))
    }

    /// What can be done next, in words.
    pub(super) fn next_text(&self, id: Uuid) -> String {
        let now = self.now();
        self.walking(id)
            .and_then(|walking| Ok(walking.on()?.possible_text(now)))
            .unwrap_or_else(|_| "nothing".to_owned())
    }

    /// What was entered, and what is next.
    pub(super) fn entered_text(&self, walking: &Walking, what: &str) -> Outcome {
        let next = self.next_text(walking.sample.id);
        Outcome::done(format!("{}: {what}; next: {next}", walking.sample.label))
    }

    /// A step by its name, with what must be done before it.
    fn named_step<'a>(&self, on: &OnCourse<'a>, name: &str) -> Result<(usize, &'a CourseStep), Refusal> {
        let known = || on.rule.steps.iter().map(|step| step.name.clone());
        let at = on.rule.step_index(name).ok_or_else(|| unknown("step of the course", name, known()))?;
        let step = on.rule.steps.get(at).ok_or_else(|| unknown("step of the course", name, known()))?;
        let standing = on.standing(at, self.now());
        if standing.is_complete() {
            let what = format!("{}: `{name}` is complete already", on.sample.label);
            return Err(Refusal::Already { what });
        }
        Ok((at, step))
    }

    /// Refuses what is out of order, and a stated time before the last entry.
    pub(super) fn in_order(
        &self,
        walking: &Walking,
        at: usize,
        wanted: &str,
        marked: &Marked,
    ) -> Result<(), Refusal> {
        let on = walking.on()?;
        if on.blocked_by(at, self.now()).is_some() {
            return Err(walking.out_of_order(wanted, self.now()));
        }
        after_the_last(&on, marked)
    }

    /// The step of a kind, if the course has one.
    pub(super) fn step_of_kind(
        on: &OnCourse<'_>,
        is_it: impl Fn(&CourseKind) -> bool,
        what: &str,
    ) -> Result<usize, Refusal> {
        let at = on.rule.steps.iter().position(|step| is_it(&step.kind));
        at.ok_or_else(|| Refusal::Already { what: format!("the course {} has no {what}", on.rule.name) })
    }

    fn step_done(&mut self, id: Uuid, name: &str, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        let on = walking.on()?;
        let (at, step) = self.named_step(&on, name)?;
        if !matches!(step.kind, CourseKind::Done { .. }) {
            let why = format!("`{name}` is not one press; possible: {}", on.possible_text(self.now()));
            return Err(Refusal::Field { field: "step", why });
        }
        self.in_order(&walking, at, name, &marked)?;
        self.enter(id, Entered::Done { step: name.to_owned() }, marked);
        Ok(self.entered_text(&walking, &format!("{name} done")))
    }

    fn skip_step(&mut self, id: Uuid, name: &str, why: &str, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        let on = walking.on()?;
        let (at, step) = self.named_step(&on, name)?;
        if !step.optional {
            let optional = on.rule.steps.iter().filter(|step| step.optional);
            let optional: Vec<String> = optional.map(|step| format!("`{}`", step.name)).collect();
            let may = if optional.is_empty() { "none".to_owned() } else { optional.join(", ") };
            let why = format!("the method does not let `{name}` be skipped; those that may be: {may}");
            return Err(Refusal::Field { field: "step", why });
        }
        named(&marked, "skipping a step names a person: write your name")?;
        let reason = reason(why)?;
        self.in_order(&walking, at, &format!("skip {name}"), &marked)?;
        self.enter(id, Entered::Skipped { step: name.to_owned(), reason }, marked);
        Ok(self.entered_text(&walking, &format!("{name} skipped")))
    }

    fn cast(&mut self, id: Uuid, finding: Finding, changed: Option<&str>, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        let on = walking.on()?;
        let at = Self::step_of_kind(&on, |kind| *kind == CourseKind::Cast, "cast to judge")?;
        self.in_order(&walking, at, "a cast", &marked)?;
        let over_wet = matches!(on.moisture(), Moisture::Changing { over_wet: true });
        let asked = |why: &str| Err(Refusal::Field { field: "finding", why: why.to_owned() });
        match finding {
            Finding::Good if over_wet => {
                return asked(
                    "the material was too wet, and wet material makes a good cast: dry it on until a cast is more \
                     fragile than the first, then say `more-fragile`; if it is as firm, say `as-firm`",
                );
            }
            Finding::MoreFragile | Finding::AsFirm if !over_wet => {
                return asked(
                    "there is no first cast of too wet material to compare it with: say `good`, `too-dry` or `too-wet`",
                );
            }
            _ => {}
        }
        let changed = match (finding.is_accepted(), changed.map(str::trim).filter(|text| !text.is_empty())) {
            (true, Some(_)) => {
                let why =
                    "nothing is changed where the moisture is right: leave it out, or judge another cast";
                return Err(Refusal::Field { field: "changed", why: why.to_owned() });
            }
            (true, None) => None,
            (false, text) => Some(reason(text.unwrap_or_default()).map_err(|_| Refusal::Field {
                field: "changed",
                why: "say in 1 to 200 characters what was done, such as `water added, mixed`".to_owned(),
            })?),
        };
        let text = format!("cast {}", finding.word());
        self.enter(id, Entered::Cast { finding, changed }, marked);
        Ok(self.entered_text(&walking, &text))
    }

    fn remix(&mut self, id: Uuid, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        let on = walking.on()?;
        let at =
            Self::step_of_kind(&on, |kind| matches!(kind, CourseKind::Tins { remix: true, .. }), "mixing")?;
        self.in_order(&walking, at, "mixing", &marked)?;
        if on.is_mixed() {
            let what = format!("{} is mixed already; fill the tin", walking.sample.label);
            return Err(Refusal::Already { what });
        }
        self.enter(id, Entered::Remixed, marked);
        Ok(self.entered_text(&walking, "mixed"))
    }

    fn weigh_empty_tin(&mut self, id: Uuid, tin: Option<u32>, mark: Option<&str>, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        let course = walking.on()?.course;
        let tin = match (tin, mark) {
            (Some(tin), _) => tin,
            // One that was named and not weighed yet.
            (None, None) => {
                let mut open = course
                    .numbered_tins()
                    .filter(|(n, t)| t.tare.is_none() && t.mark.is_none() && course.filled(*n).is_none());
                match open.next() {
                    Some((tin, _)) => tin,
                    None => self.take_tin(&walking, None, &marked)?,
                }
            }
            (None, Some(mark)) => match empty_tin(course, Some(mark)) {
                Some(tin) => tin,
                None => self.take_tin(&walking, Some(mark), &marked)?,
            },
        };
        if course.tin(tin).is_some() && course.filled(tin).is_some() {
            let what =
                format!("tin {tin} is filled: its empty mass can no longer be weighed; dry it in a pan");
            return Err(Refusal::Already { what });
        }
        self.mass_of_course(id, MassOf::EmptyTin { tin })?;
        let of = MassOf::EmptyTin { tin };
        self.wait_for_mass(Target::Preparation { sample: id, of }, marked.by)?;
        Ok(Outcome::done(format!("{}: waiting for the mass of tin {tin}, empty", walking.sample.label)))
    }

    fn fill_tin(
        &mut self,
        id: Uuid,
        tin: Option<u32>,
        mark: Option<&str>,
        confirmed: bool,
        marked: Marked,
    ) -> Decided {
        let walking = self.walking(id)?;
        let on = walking.on()?;
        let at = Self::step_of_kind(&on, |kind| matches!(kind, CourseKind::Tins { .. }), "tins to fill")?;
        self.in_order(&walking, at, "filling a tin", &marked)?;
        if !confirmed {
            asks_before_filling(&on, &marked.moment)?;
        }
        let course = on.course;
        let mark = mark.map(str::trim).filter(|mark| !mark.is_empty());
        let tin = match tin.or_else(|| empty_tin(course, mark)) {
            Some(tin) => tin,
            None => self.take_tin(&walking, mark, &marked)?,
        };
        self.mass_of_course(id, MassOf::EmptyTin { tin })?;
        if course.filled(tin).is_some() {
            return Err(Refusal::Already {
                what: format!("tin {tin} of {} is filled already", walking.sample.label),
            });
        }
        self.enter(id, Entered::Filled { tin }, marked);
        Ok(self.entered_text(&walking, &format!("tin {tin} filled and struck off")))
    }

    /// Another tin of the sample; a mark that is in use elsewhere is refused.
    fn take_tin(&mut self, walking: &Walking, mark: Option<&str>, marked: &Marked) -> Result<u32, Refusal> {
        let mark = mark.map(str::trim).filter(|mark| !mark.is_empty());
        if let Some(mark) = mark {
            if mark.chars().count() > MARK_MAX || mark.chars().any(char::is_control) {
                let why = format!("give 1 to {MARK_MAX} characters, as they stand on the tin");
                return Err(Refusal::Field { field: "mark", why });
            }
            if let Some(holder) = self.bench.tin_in_use(mark) {
                return Err(Refusal::Already { what: format!("tin `{mark}` is in use: {holder}") });
            }
        }
        let course = walking.on()?.course;
        if course.tins.len() >= MOST_TINS {
            return Err(Refusal::Already {
                what: format!("{} has {MOST_TINS} tins already", walking.sample.label),
            });
        }
        let tin = u32::try_from(course.tins.len()).unwrap_or(u32::MAX).saturating_add(1);
        let taken = Happened::TinTaken {
            sample: walking.sample.id,
            tin,
            mark: mark.map(str::to_owned),
            marked: marked.clone(),
        };
        self.emit(Event::Preparation(taken));
        Ok(tin)
    }

    fn give_tin(&mut self, specimen: Uuid, tin: u32, marked: Marked) -> Decided {
        let (known, _, _) = self.specimen(specimen)?;
        let walking = self.walking(known.sample)?;
        let course = walking.on()?.course;
        self.mass_of_course(known.sample, MassOf::EmptyTin { tin })?;
        if course.filled(tin).is_none() {
            return Err(Refusal::Already { what: format!("tin {tin} was not filled") });
        }
        if known.is_over() {
            return Err(Refusal::Already { what: format!("{} is complete or void", known.label) });
        }
        if let Some(other) = course.tin(tin).and_then(|t| t.specimen) {
            let label = self.bench.find(other).map_or("another specimen", |s| s.label.as_str());
            return Err(Refusal::Already { what: format!("tin {tin} is that of {label}") });
        }
        self.emit(Event::Preparation(Happened::TinGiven { sample: known.sample, specimen, tin, marked }));
        Ok(Outcome::done(format!("{} is of tin {tin}", known.label)))
    }

    fn take_entry_back(&mut self, id: Uuid, why: &str, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        named(&marked, "taking an entry back names a person: write your name")?;
        let reason = reason(why)?;
        let course = walking.on()?.course;
        let Some(last) = course.standing().next_back() else {
            return Err(Refusal::Already { what: format!("{}: nothing was entered", walking.sample.label) });
        };
        let held = match &last.what {
            Entered::Filled { tin } => course.tin(*tin).is_some_and(|t| t.specimen.is_some()),
            Entered::DryingBegan { load, .. } => course
                .load(*load)
                .is_some_and(|load| load.before.is_some() || load.pan.is_some() || !load.dried.is_empty()),
            _ => false,
        };
        if held {
            let what = "the last entry is in use: a specimen or a weighing stands on it".to_owned();
            return Err(Refusal::Already { what });
        }
        let entered = last.what.clone();
        self.emit(Event::Preparation(Happened::EntryTakenBack { sample: id, entered, reason, marked }));
        Ok(self.entered_text(&walking, "the last entry was taken back"))
    }

    /// A mass that cannot be what it was waited for: it is kept beside, and said.
    pub(super) fn decline_mass(
        &mut self,
        sample: Uuid,
        of: MassOf,
        mass: &Quantity,
        why: String,
        (moment, id): (Moment, Uuid),
    ) -> Outcome {
        let text = format!("{mass} is not taken for {}: {why}; it is kept beside", of.text());
        self.emit(Event::Preparation(Happened::MassDeclined { sample, of, mass: *mass, why, moment }));
        Outcome::made(text, id)
    }

    /// The mass of a course is one that there is.
    pub(super) fn mass_of_course(&self, sample: Uuid, of: MassOf) -> Result<(), Refusal> {
        let walking = self.walking(sample)?;
        let course = walking.on()?.course;
        match of {
            MassOf::EmptyTin { tin } if course.tin(tin).is_none() => {
                let known = course.numbered_tins().map(|(number, _)| number.to_string());
                Err(unknown("tin of the sample", tin, known))
            }
            MassOf::EmptyTin { .. } => Ok(()),
            MassOf::EmptyPan { load } | MassOf::BeforeDrying { load } | MassOf::Dried { load } => {
                let known = || course.numbered_loads().map(|(number, _)| number.to_string());
                course.load(load).map(|_| ()).ok_or_else(|| unknown("drying of the sample", load, known()))
            }
        }
    }

    /// A specimen that was registered is of the tin that waits; its filling marks the method's step.
    pub(super) fn take_waiting_tin(&mut self, sample: Uuid, specimen: Uuid, marked: &Marked) -> String {
        let Some(tin) = self.bench.tin_of_new(sample) else { return String::new() };
        self.emit(Event::Preparation(Happened::TinGiven { sample, specimen, tin, marked: marked.clone() }));
        let Ok(walking) = self.walking(sample) else { return String::new() };
        let (Ok(on), Ok((_, method, points))) = (walking.on(), self.specimen(specimen)) else {
            return String::new();
        };
        let marks = on.rule.steps.iter().find_map(|step| match &step.kind {
            CourseKind::Tins { marks: Some(marks), .. } => Some(marks.as_str()),
            _ => None,
        });
        let first = marks
            .and_then(|name| method.step_index(name))
            .and_then(|step| points.iter().position(|point| point.step == step).zip(Some(step)));
        if let (Some((0, step)), Some(filled)) = (first, on.course.filled(tin).cloned())
            && let (Some(point), Some(step)) = (points.first(), method.steps.get(step))
        {
            let (step, edge) = (step.name.clone(), point.edge);
            self.emit(Event::PointMarked { specimen, point: 0, step, edge, marked: filled });
        }
        format!(", of tin {tin}")
    }

    /// A sample on a course notes what was done step by step.
    pub(super) fn follows_no_course(&self, id: Uuid) -> Result<(), Refusal> {
        let Some(course) = self.bench.samples.get(&id).and_then(|s| s.course.as_ref()) else { return Ok(()) };
        let what = format!("its preparation follows {}: enter it step by step there", course.name);
        Err(Refusal::Already { what })
    }

    /// A mass that is a step of the course comes in its order.
    pub(super) fn mass_in_order(&self, id: Uuid, name: &str) -> Result<(), Refusal> {
        let Ok(walking) = self.walking(id) else { return Ok(()) };
        let on = walking.on()?;
        let this = |kind: &CourseKind| matches!(kind, CourseKind::Weigh { weighing } if weighing == name);
        let Some(at) = on.rule.steps.iter().position(|step| this(&step.kind)) else { return Ok(()) };
        match on.blocked_by(at, self.now()) {
            Some(_) => Err(walking.out_of_order(&format!("the mass `{name}`"), self.now())),
            None => Ok(()),
        }
    }
}

/// The first tin that is not filled; with a mark, the one of that mark.
fn empty_tin(course: &Course, mark: Option<&str>) -> Option<u32> {
    let is_it = |tin: &Tin| mark.is_none_or(|mark| tin.mark.as_deref() == Some(mark.trim()));
    let mut all = course.numbered_tins();
    all.find(|(number, tin)| is_it(tin) && course.filled(*number).is_none()).map(|(number, _)| number)
}

/// What is asked once before a tin is filled: it would be a deviation.
fn asks_before_filling(on: &OnCourse<'_>, moment: &Moment) -> Result<(), Refusal> {
    let ask = |question: String| Err(Refusal::Confirm { question });
    if let Some(tempering) = on.is_tempering(moment) {
        let left = minutes(tempering.waits_ns(moment));
        return ask(format!(
            "tempering is not over for {left}: fill the tin all the same? It will be a deviation"
        ));
    }
    if on.rule.remixes() && !on.is_mixed() {
        return ask(
            "the portion was not mixed again: fill the tin all the same? It will be a deviation".to_owned()
        );
    }
    if on.to_fill() == 0 {
        return ask("the sample wants no more tins: fill one more?".to_owned());
    }
    Ok(())
}

/// A stated time does not lie before what was entered last.
fn after_the_last(on: &OnCourse<'_>, marked: &Marked) -> Result<(), Refusal> {
    let last = on.course.standing().next_back().map_or(&on.course.chosen, |entry| &entry.marked);
    if marked.moment.stamp == Stamp::Entered && marked.moment.since(&last.moment).ns < 0 {
        let why = "lies before what was entered last of the preparation".to_owned();
        return Err(Refusal::StatedTime { why });
    }
    Ok(())
}
