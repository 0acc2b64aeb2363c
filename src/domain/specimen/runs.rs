//! A run of the machine that was interrupted (the contact opened early, closed again) and went on:
//! all its parts are recorded, their sum is told, and it is one deviation, not one for each part.

use super::judge::{self, Code, Deviation, Verdict};
use super::{Marked, Specimen};
use crate::domain::method::{Method, Point, ResumedRule};
use crate::domain::moment::{Basis, Elapsed};
use serde::{Deserialize, Serialize};

/// What a person said of an interrupted run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Interruption {
    /// The resumed part counts with the first; else the first alone is held against the method.
    pub counts: bool,
    /// Why it was interrupted, if it was said.
    pub reason: Option<String>,
    /// Who said so, and when.
    pub marked: Marked,
}

/// An interrupted run as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Whole<'a> {
    /// Index of the machine's step.
    pub step: usize,
    /// Runs in all.
    pub runs: usize,
    /// Their sum; `None` while the last one goes on.
    pub total: Option<Elapsed>,
    /// The clocks tell how long each part was.
    pub known: bool,
    /// The sum is held against the method, not the first run alone.
    pub counts: bool,
    /// What a person said; `None`: the method says that it counts.
    pub said: Option<&'a Interruption>,
    /// How what counts stands against the method's window.
    pub verdict: Verdict,
}

/// The interrupted run of a specimen, if it had one: a person said so, or the method takes what
/// follows a run that was cut short for its resumed part.
pub fn interrupted<'a>(specimen: &'a Specimen, method: &Method, points: &[Point]) -> Option<Whole<'a>> {
    let step = points.iter().find(|p| p.machine.is_some())?.step;
    let first = specimen.span(method, points, step)?;
    let end = first.end.filter(|_| !specimen.further_runs.is_empty())?;
    let alone = judge::verdict(specimen, method, step, &first);
    let said = specimen.interruption.as_ref();
    let counts = match (said, method.resumed(step)) {
        (Some(said), _) => said.counts,
        (None, ResumedRule::Together) if matches!(alone, Verdict::Short { .. }) => true,
        (None, _) => return None,
    };
    // Of one part nobody knows how long it was: of the sum neither.
    let parts = specimen.further_runs.iter().map(|run| Some((&run.begin.moment, &run.end.as_ref()?.moment)));
    let known = first.known(&end.marked.moment).is_some()
        && parts.flatten().all(|(begin, end)| end.known_since(begin).is_some());
    let further = specimen.further_runs.iter().map(|run| {
        let end = run.end.as_ref()?;
        Some(end.moment.since(&run.begin.moment))
    });
    let total = further.into_iter().try_fold(first.elapsed(&end.marked.moment), |sum, run| {
        let run = run?;
        let basis = if run.basis == Basis::WallClock { run.basis } else { sum.basis };
        Some(Elapsed { ns: sum.ns.saturating_add(run.ns.max(0)), basis })
    });
    let verdict = match (counts, total) {
        (false, _) => alone,
        (true, None) => Verdict::Running,
        (true, Some(_)) if !known => Verdict::NotShown,
        (true, Some(total)) => sum_verdict(specimen, method, step, total.ns),
    };
    Some(Whole { step, runs: 1 + specimen.further_runs.len(), total, known, counts, said, verdict })
}

fn sum_verdict(specimen: &Specimen, method: &Method, step: usize, ns: i64) -> Verdict {
    let actual = judge::at_resolution(ns, judge::resolution_ns(method));
    match specimen.window(method, step) {
        (None, None) => Verdict::NoLimit,
        (Some(min), _) if actual < min => Verdict::Short { by_ns: min - actual },
        (_, Some(max)) if actual > max => Verdict::Over { by_ns: actual - max },
        _ => Verdict::Within,
    }
}

/// The one deviation of an interrupted run.
pub(super) fn deviation(specimen: &Specimen, method: &Method, whole: &Whole<'_>) -> Option<Deviation> {
    let name = &method.steps.get(whole.step)?.name;
    let (min, max) = specimen.window(method, whole.step);
    let resolution = judge::resolution_ns(method);
    let begin = specimen.further_runs.first().map(|run| run.begin.moment);
    let sum = match whole.total {
        None => "still running".to_owned(),
        Some(_) if !whole.known => format!("{} runs; how long they were is not known", whole.runs),
        Some(total) => format!("{} s in {} runs", judge::seconds(total.ns, resolution), whole.runs),
    };
    let by = match whole.verdict {
        Verdict::Short { by_ns } | Verdict::Over { by_ns } => {
            Some(format!("{} s", judge::seconds(by_ns, resolution)))
        }
        _ => None,
    };
    let counted = if whole.counts { "the sum counts" } else { "the first run alone counts" };
    let reason = whole.said.and_then(|said| said.reason.as_deref());
    Some(Deviation {
        code: Code::IntervalInterrupted,
        step: Some(name.clone()),
        what: match reason {
            Some(reason) => format!("{name} was interrupted and resumed ({reason}); {counted}"),
            None => format!("{name} was interrupted and resumed; {counted}"),
        },
        required: format!("one run of {}", judge::window_text(min, max)),
        actual: sum,
        by,
        moment: begin,
    })
}
