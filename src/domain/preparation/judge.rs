//! What of the preparation is a deviation on a specimen: where the method's ranges and limits were
//! not kept on the way to its tin, or nothing shows that they were.
//!
//! Each specimen is judged by what was known when its own tin was filled: what is done to the portion
//! afterwards concerns the tins after it.

use super::constant::Verdict;
use super::course::{Entered, Tin};
use super::load::Drying;
use super::walk::OnCourse;
use crate::domain::method::{CourseKind, CourseStep, Method};
use crate::domain::moment::Moment;
use crate::domain::quantity::Side;
use crate::domain::specimen::judge::{Code, Deviation};
use crate::domain::specimen::sample::{Sample, tempering_short};
use crate::domain::specimen::{Marked, Specimen};

/// Deviations of a specimen's preparation; none for a sample that follows no course, and for a
/// specimen that was not begun.
pub fn deviations(sample: &Sample, method: &Method, specimen: &Specimen) -> Vec<Deviation> {
    let Some(on) = OnCourse::of(sample, method) else { return Vec::new() };
    let Some(begun) = begun(&on, specimen) else { return Vec::new() };
    let tin = on.course.tin_of(specimen.id);
    let filled = tin.and_then(|(number, _)| on.course.filled(number)).unwrap_or(begun);
    let judged = Judged { on, tin, filled, begun };
    on.rule.steps.iter().flat_map(|step| judged.step(step)).collect()
}

/// The first mark of a specimen after the filling of its tin; `None`: it was not begun.
pub fn begun<'a>(on: &OnCourse<'_>, specimen: &'a Specimen) -> Option<&'a Marked> {
    // The filling is the method's first point, whatever was corrected of its time since.
    let first = on.method.points().first().and_then(|point| on.method.steps.get(point.step));
    let marks = |step: &CourseStep| match &step.kind {
        CourseKind::Tins { marks: Some(marks), .. } => first.is_some_and(|first| first.name == *marks),
        _ => false,
    };
    let filling = on.course.tin_of(specimen.id).is_some() && on.rule.steps.iter().any(marks);
    specimen.points.iter().skip(usize::from(filling)).flatten().next()
}

struct Judged<'a> {
    on: OnCourse<'a>,
    tin: Option<(u32, &'a Tin)>,
    filled: &'a Marked,
    begun: &'a Marked,
}

impl<'a> Judged<'a> {
    /// The course when the tin was filled.
    fn then(&self) -> OnCourse<'a> {
        match self.tin {
            Some((tin, _)) => self.on.as_filled(tin),
            None => self.on.as_of(self.filled.moment),
        }
    }

    fn step(&self, step: &CourseStep) -> Vec<Deviation> {
        let then = self.then();
        if then.skipped(&step.name).is_some() {
            return Vec::new();
        }
        match &step.kind {
            CourseKind::Done { .. } | CourseKind::Weigh { .. } | CourseKind::Cast => {
                let index = self.on.rule.step_index(&step.name);
                let done = index.is_some_and(|at| then.standing(at, &self.filled.moment).is_complete());
                let missing =
                    || not_shown(&step.name, "it was not entered before the tin was filled", self.filled);
                (!done).then(missing).into_iter().collect()
            }
            CourseKind::Temper => {
                let short = then.tempering().and_then(|tempering| {
                    tempering_short(self.on.method, &tempering.since.moment, &self.filled.moment)
                });
                short.into_iter().collect()
            }
            CourseKind::Tins { remix, .. } => match self.tin {
                None => vec![not_shown(&step.name, "which tin it is of was not entered", self.begun)],
                Some((tin, _)) if *remix && !self.was_mixed(tin) => vec![self.not_mixed(tin)],
                Some(_) => Vec::new(),
            },
            CourseKind::Dry { cooled } => self.dried(step, *cooled),
        }
    }

    /// The portion was mixed between the tin before, or the last cast, and this one.
    fn was_mixed(&self, tin: u32) -> bool {
        let entries: Vec<_> = self.on.course.standing().map(|entry| &entry.what).collect();
        let Some(at) = entries.iter().rposition(|what| **what == Entered::Filled { tin }) else {
            return false;
        };
        let before =
            entries.into_iter().take(at).rev().find(|what| {
                matches!(what, Entered::Remixed | Entered::Filled { .. } | Entered::Cast { .. })
            });
        before == Some(&Entered::Remixed)
    }

    fn not_mixed(&self, tin: u32) -> Deviation {
        Deviation {
            code: Code::NotRemixed,
            step: None,
            what: "the portion was not mixed again before the tin was filled".to_owned(),
            required: "mixed before each tin".to_owned(),
            actual: format!("tin {tin} was filled without"),
            by: None,
            moment: Some(self.filled.moment),
        }
    }

    fn dried(&self, step: &CourseStep, cooled: bool) -> Vec<Deviation> {
        let Some((tin, _)) = self.tin else { return Vec::new() };
        let then = self.on.as_of(self.begun.moment);
        let load = self.on.course.load_of(tin);
        let Some(drying) = load.and_then(|load| then.drying(load)) else {
            return vec![not_shown(&step.name, "the tin was not dried", self.begun)];
        };
        let mut found: Vec<Deviation> = constant(&drying, &self.begun.moment).into_iter().collect();
        found.extend(self.oven(&drying));
        if cooled && drying.cooled.is_none() {
            let why = "that it had cooled to room temperature was not entered";
            found.push(not_shown(&step.name, why, self.begun));
        }
        found
    }

    fn oven(&self, drying: &Drying<'_>) -> Vec<Deviation> {
        let Some(limits) = self.on.method.preparation.oven.value else { return Vec::new() };
        let deviation = |code, what: &str, actual: String, moment| Deviation {
            code,
            step: None,
            what: what.to_owned(),
            required: limits.to_string(),
            actual,
            by: None,
            moment: Some(moment),
        };
        if drying.oven.is_empty() {
            let what = "the temperature of the oven was not noted";
            return vec![deviation(Code::OvenNotShown, what, "not noted".to_owned(), self.begun.moment)];
        }
        let outside = drying.oven.iter().filter(|(t, _)| limits.side(t) != Some(Side::Within));
        let what = "the oven was not at the temperature that the method asks for";
        let one = |(t, marked): &(&crate::domain::quantity::Quantity, &Marked)| {
            deviation(Code::OvenOutside, what, t.to_string(), marked.moment)
        };
        outside.map(one).collect()
    }
}

/// Nothing shows that the mass was constant when the specimen was begun.
fn constant(drying: &Drying<'_>, begun: &Moment) -> Option<Deviation> {
    let criterion = drying.criterion?;
    if drying.is_constant() {
        return None;
    }
    let weighings = drying.weighed.len();
    let actual = match drying.change() {
        Some(change) if change.verdict == Verdict::Gained => format!("a gain of {} %", -change.percent),
        Some(change) => format!("a change of {} %", change.percent),
        None if weighings == 0 => "not weighed after drying".to_owned(),
        None => format!("{weighings} weighing{} after drying", if weighings == 1 { "" } else { "s" }),
    };
    let why = drying.stopped.map_or_else(String::new, |(reason, _)| format!("; taken out: {reason}"));
    Some(Deviation {
        code: Code::NotConstant,
        step: None,
        what: "the tin was not shown to be dried to constant mass".to_owned(),
        required: criterion.text(),
        actual: format!("{actual}{why}"),
        by: None,
        moment: Some(drying.weighed.last().map_or(*begun, |last| last.weighing.moment)),
    })
}

fn not_shown(step: &str, why: &str, at: &Marked) -> Deviation {
    Deviation {
        code: Code::PreparationNotShown,
        step: None,
        what: format!("nothing shows that '{step}' of the preparation was done"),
        required: "every step of the course that is not skipped".to_owned(),
        actual: why.to_owned(),
        by: None,
        moment: Some(at.moment),
    }
}
