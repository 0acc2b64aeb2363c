//! Comparison of what happened with the method: every breach is a deviation, none blocks.
//!
//! Deviations are a function of the specimen and its method, so a correction can never leave a
//! stale one behind. They are judged on the instants and readings themselves, at the method's
//! time resolution; delays and deadbands belong to alarms.

use super::Specimen;
use super::walk::Span;
use crate::domain::method::{Begins, Ends, Method, Point};
use crate::domain::moment::{Moment, SECOND};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// A recorded breach of the method (the word is ISO/IEC 17025's).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Deviation {
    /// Which kind: one of a closed list.
    pub code: Code,
    /// The step that it concerns.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<String>,
    /// What happened, in a sentence.
    pub what: String,
    /// What the method requires.
    pub required: String,
    /// What was measured, or why nothing was.
    pub actual: String,
    /// By how much, where that is a figure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// When: the instant that made it one.
    #[serde(skip)]
    pub moment: Option<Moment>,
}

/// Kinds of deviation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Code {
    /// An interval was cut short.
    IntervalShort,
    /// An interval was overrun.
    IntervalOver,
    /// The end of an interval was not marked: nothing shows that it was kept.
    IntervalNotShown,
    /// The machine ran again after the run that counts.
    FurtherRun,
    /// The solution was colder than allowed.
    TemperatureLow,
    /// The solution was warmer than allowed.
    TemperatureHigh,
    /// The temperature is not known for part of the time.
    TemperatureNotShown,
    /// The sand reading is higher than the clay reading.
    SandOverClay,
    /// A mass lies outside the method's range.
    MassOutside,
    /// Tempering was shorter than required.
    TemperingShort,
    /// Equipment was used whose check is past its date, or was never made.
    EquipmentPastDue,
    /// Equipment was used that did not pass its check.
    EquipmentFailed,
    /// Equipment was used that a person had taken out of use.
    EquipmentOutOfUse,
    /// The shaker ran faster or slower than required.
    ShakerRate,
    /// Somebody worked on it whose qualification for the method was absent or had expired.
    NotQualified,
    /// The machine's run was interrupted and resumed.
    IntervalInterrupted,
    /// The cylinder was bumped.
    Bumped,
    /// The cylinder was moved to another place.
    Moved,
    /// Something was spilled.
    Spilled,
    /// The cylinder leaked.
    Leaked,
    /// The foot was dropped.
    FootDropped,
    /// The number of strokes or cycles lies outside the method's limits.
    CountOutside,
    /// Strokes or cycles were to be counted, and no number was entered.
    CountNotShown,
    /// The material's moisture was over the method's limit.
    MoistureOver,
    /// A mass could not be judged, because what it depends on was not stated.
    MassNotShown,
    /// Solution was used of which nothing is known, or not its age.
    SolutionUnknown,
    /// Solution was used that was past its last day, or older than the method allows.
    SolutionTooOld,
    /// Solution was used that had been discarded.
    SolutionDiscarded,
    /// Solution was used of which something was not as its recipe says.
    SolutionNotInOrder,
    /// Solution was used that was made by a recipe of another method.
    SolutionOfOtherMethod,
    /// A step of the preparation was not entered.
    PreparationNotShown,
    /// The portion was not mixed again before the tin.
    NotRemixed,
    /// The tin was not shown to be dried to constant mass.
    NotConstant,
    /// The oven was not at its temperature.
    OvenOutside,
    /// The temperature of the oven was not noted.
    OvenNotShown,
}

/// How an interval stands against its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "verdict", rename_all = "kebab-case")]
pub enum Verdict {
    /// The method sets no limit.
    NoLimit,
    /// It still runs.
    Running,
    /// Kept.
    Within,
    /// Cut short.
    Short {
        /// By how many nanoseconds at the method's resolution.
        by_ns: i64,
    },
    /// Overrun.
    Over {
        /// By how many nanoseconds at the method's resolution.
        by_ns: i64,
    },
    /// Its end is only a 'no later than'.
    NotShown,
}

/// Rounds to the resolution, halves up.
pub fn at_resolution(ns: i64, resolution_ns: i64) -> i64 {
    if resolution_ns <= 1 {
        return ns;
    }
    ns.saturating_add(resolution_ns / 2).div_euclid(resolution_ns).saturating_mul(resolution_ns)
}

/// Nanoseconds as seconds, with as many digits as the resolution has.
pub fn seconds(ns: i64, resolution_ns: i64) -> String {
    let digits = match resolution_ns {
        r if r >= SECOND => 0,
        r if r >= SECOND / 10 => 1,
        r if r >= SECOND / 100 => 2,
        r if r >= SECOND / 1000 => 3,
        _ => 9,
    };
    let mut value = Decimal::from_i128_with_scale(i128::from(at_resolution(ns, resolution_ns)), 9);
    value.rescale(digits);
    value.to_string()
}

/// Compares an interval with its window, at the method's time resolution, ends included.
pub fn verdict(specimen: &Specimen, method: &Method, step: usize, span: &Span<'_>) -> Verdict {
    let (min, max) = specimen.window(method, step);
    let Some(end) = span.end else { return Verdict::Running };
    let Some(elapsed) = span.known(&end.marked.moment) else { return Verdict::NotShown };
    if min.is_none() && max.is_none() {
        return Verdict::NoLimit;
    }
    let resolution = resolution_ns(method);
    let actual = at_resolution(elapsed.ns, resolution);
    // A bounded end lies before the instant that bounds it: too short is certain, too long is not.
    let needs_a_press = method.timed(step).is_some_and(|t| t.ends == Ends::Press);
    match (min, max) {
        (Some(min), _) if actual < min => Verdict::Short { by_ns: min - actual },
        _ if end.bound && needs_a_press => Verdict::NotShown,
        (_, Some(max)) if actual > max && end.bound => Verdict::NotShown,
        (_, Some(max)) if actual > max => Verdict::Over { by_ns: actual - max },
        _ => Verdict::Within,
    }
}

/// The resolution at which durations are compared, in nanoseconds.
pub fn resolution_ns(method: &Method) -> i64 {
    method.time_resolution_ns.value.unwrap_or(1).max(1)
}

/// A window in words, in seconds.
pub fn window_text(min: Option<i64>, max: Option<i64>) -> String {
    let s = |ns: i64| Decimal::from_i128_with_scale(i128::from(ns), 9).normalize().to_string();
    match (min, max) {
        (Some(a), Some(b)) => format!("{} to {} s", s(a), s(b)),
        (Some(a), None) => format!("at least {} s", s(a)),
        (None, Some(b)) => format!("at most {} s", s(b)),
        (None, None) => "no limit".to_owned(),
    }
}

/// Every deviation of the specimen itself, in the order of the method.
pub fn deviations(specimen: &Specimen, method: &Method, points: &[Point]) -> Vec<Deviation> {
    let whole = super::runs::interrupted(specimen, method, points);
    let mut found: Vec<Deviation> = (0..method.steps.len())
        .filter_map(|step| match &whole {
            // Interrupted and resumed: said once, for all its parts.
            Some(whole) if whole.step == step => super::runs::deviation(specimen, method, whole),
            _ => interval(specimen, method, points, step),
        })
        .collect();
    let of_machine = points.iter().find(|p| p.machine.is_some()).and_then(|p| method.steps.get(p.step));
    let machine_step = of_machine.map(|step| step.name.clone());
    for run in specimen.further_runs.iter().filter(|_| whole.is_none()) {
        let lasted = run.end.as_ref().map(|e| e.moment.known_since(&run.begin.moment));
        found.push(Deviation {
            code: Code::FurtherRun,
            step: machine_step.clone(),
            what: "the machine ran again with this cylinder after the run that counts".to_owned(),
            required: "one run".to_owned(),
            actual: match lasted {
                None => "still running".to_owned(),
                Some(None) => "a further run; how long is not known".to_owned(),
                Some(Some(ran)) => format!("a further run of {} s", seconds(ran.ns, resolution_ns(method))),
            },
            by: None,
            moment: Some(run.begin.moment),
        });
    }
    found.extend(super::contact::deviations(specimen, method, points));
    found.extend(super::note::deviations(specimen, method, points));
    found.extend(temperature(specimen, method));
    if let (Some(clay), Some(sand)) = (&specimen.clay, &specimen.sand)
        && sand.level.reading > clay.level.reading
    {
        found.push(Deviation {
            code: Code::SandOverClay,
            step: None,
            what: "the sand reading is higher than the clay reading; entered twice and accepted".to_owned(),
            required: format!("at most {} {}", clay.level.reading, method.readings.unit),
            actual: format!("{} {}", sand.level.reading, method.readings.unit),
            by: Some(format!("{} {}", sand.level.reading - clay.level.reading, method.readings.unit)),
            moment: Some(sand.moment),
        });
    }
    found.extend(crate::domain::measure::deviations(specimen, method));
    found.extend(crate::domain::equipment::deviations(specimen, method));
    found.extend(crate::domain::solution::deviations(specimen, method));
    found.extend(crate::domain::review::deviations(specimen));
    found
}

/// A deviation for a mass outside its limits.
pub fn mass_outside(
    what: &str,
    limits: &crate::domain::quantity::Range,
    weighing: &super::Weighing,
) -> Deviation {
    Deviation {
        code: Code::MassOutside,
        step: None,
        what: format!("{what} lies outside the method's range"),
        required: limits.to_string(),
        actual: weighing.mass.to_string(),
        by: None,
        moment: Some(weighing.moment),
    }
}

fn interval(specimen: &Specimen, method: &Method, points: &[Point], step: usize) -> Option<Deviation> {
    let span = specimen.span(method, points, step)?;
    let end = span.end?;
    let (min, max) = specimen.window(method, step);
    let resolution = resolution_ns(method);
    let name = &method.steps.get(step)?.name;
    let known = span.known(&end.marked.moment);
    let (code, what, by) = match verdict(specimen, method, step, &span) {
        Verdict::Short { by_ns } => (Code::IntervalShort, format!("{name} was cut short"), Some(by_ns)),
        Verdict::Over { by_ns } => (Code::IntervalOver, format!("{name} was overrun"), Some(by_ns)),
        Verdict::NotShown if known.is_none() => {
            let what = format!(
                "how long {name} lasted is not known: the machine was restarted in between, and the clocks at \
                 its two ends disagree"
            );
            (Code::IntervalNotShown, what, None)
        }
        Verdict::NotShown => (Code::IntervalNotShown, format!("the end of {name} was not marked"), None),
        Verdict::NoLimit | Verdict::Running | Verdict::Within => return None,
    };
    let actual = known.map(|elapsed| seconds(elapsed.ns, resolution));
    Some(Deviation {
        code,
        step: Some(name.clone()),
        what,
        required: window_text(min, max),
        actual: match actual {
            None => "not known".to_owned(),
            Some(actual) if code == Code::IntervalNotShown => format!("no later than {actual} s"),
            Some(actual) => format!("{actual} s"),
        },
        by: by.map(|ns| format!("{} s", seconds(ns, resolution))),
        moment: Some(end.marked.moment),
    })
}

fn temperature(specimen: &Specimen, method: &Method) -> Vec<Deviation> {
    let tally = &specimen.tally;
    let Some(limits) = method.temperature.limits.value else { return Vec::new() };
    if tally.counted_to.is_none() {
        return Vec::new();
    }
    let required = limits.to_string();
    let mut found = Vec::new();
    let mut outside = |code, what: &str, extreme: Option<crate::domain::quantity::Quantity>, us: i64| {
        let wanted = if code == Code::TemperatureLow {
            crate::domain::quantity::Side::Below
        } else {
            crate::domain::quantity::Side::Above
        };
        if let Some(extreme) = extreme.filter(|q| limits.side(q) == Some(wanted)) {
            found.push(Deviation {
                code,
                step: None,
                what: what.to_owned(),
                required: required.clone(),
                actual: extreme.to_string(),
                by: Some(format!("{} s outside", seconds(us.saturating_mul(1000), SECOND / 10))),
                moment: None,
            });
        }
    };
    outside(Code::TemperatureLow, "the solution was colder than allowed", tally.lowest, tally.below_us);
    outside(Code::TemperatureHigh, "the solution was warmer than allowed", tally.highest, tally.above_us);
    let missing = at_resolution(tally.missing_us.saturating_mul(1000), resolution_ns(method));
    if missing > 0 {
        found.push(Deviation {
            code: Code::TemperatureNotShown,
            step: None,
            what: "no reading of the solution's temperature for part of the time".to_owned(),
            required,
            actual: format!("{} s without a reading", seconds(missing, SECOND / 10)),
            by: None,
            moment: None,
        });
    }
    found
}

/// Whether a step's begin is the end of the step before it (used to tell sedimentation from
/// other intervals without naming it).
pub fn follows_on(method: &Method, step: usize) -> bool {
    method.timed(step).is_some_and(|t| t.begins == Begins::Previous)
}
