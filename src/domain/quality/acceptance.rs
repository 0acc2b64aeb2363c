//! The result against the limit of the specification in use.
//!
//! Compared as ASTM E29 says (rounding method): the observed value is rounded to the last place in
//! which the limit is written, halves to the even digit, and the limit itself is met. The decision
//! rule is declared (ISO/IEC 17025, clause 7.8.6): simple acceptance of the reported value unless
//! the laboratory asks for a guard band.

use super::uncertainty::{self, Decision, Expanded};
use super::{Cold, Counting, Deviations};
use crate::domain::intake::Limit;
use crate::domain::method::Method;
use crate::domain::specimen::sample::Sample;
use rust_decimal::{Decimal, RoundingStrategy};

/// What the limit says of a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It is met.
    Pass,
    /// It is not.
    Fail,
    /// Neither.
    NotDecided(Undecided),
}

/// Why it is not decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Undecided {
    /// There is no result yet.
    NoResult,
    /// A specimen waits for somebody's decision.
    Held,
    /// The limit was missed in a solution colder than allowed, which lowers the result.
    Cold,
    /// The limit lies within the uncertainty of the result.
    GuardBand,
    /// A guard band is asked for, and there is no uncertainty to make it of.
    NoUncertainty,
}

impl Verdict {
    /// In documents.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::NotDecided(_) => "not-decided",
        }
    }

    /// For people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::NotDecided(_) => "not decided",
        }
    }
}

impl Undecided {
    /// In documents.
    pub const fn code(self) -> &'static str {
        match self {
            Self::NoResult => "no-result",
            Self::Held => "held",
            Self::Cold => "cold",
            Self::GuardBand => "guard-band",
            Self::NoUncertainty => "no-uncertainty",
        }
    }

    const fn text(self) -> &'static str {
        match self {
            Self::NoResult => "no result stands",
            Self::Held => "a specimen with deviations waits to be admitted or replaced",
            Self::Cold => {
                "the solution was colder than allowed, which lowers the result: run it again within the limits"
            }
            Self::GuardBand => "the limit lies within the expanded uncertainty of the result",
            Self::NoUncertainty => {
                "a guard band is asked for, and this method's number has no uncertainty here"
            }
        }
    }
}

/// The verdict with all that it stands on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Acceptance<'a> {
    /// The limit.
    pub limit: &'a Limit,
    /// The rule that decided.
    pub rule: Decision,
    /// What was compared with it: rounded to the place of the limit, or the unrounded mean.
    pub compared: Option<Decimal>,
    /// The expanded uncertainty, where the laboratory states it.
    pub uncertainty: Option<Expanded>,
    /// It passed though the solution was colder than allowed, as the method says.
    pub stands_though_cold: bool,
    /// Deviations on the specimens that count, and why they count all the same.
    pub over: Option<Over>,
    /// The verdict.
    pub verdict: Verdict,
}

/// Deviations over which a verdict was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Over {
    /// How many.
    pub deviations: u32,
    /// The laboratory's setting counts every complete specimen; else somebody admitted these.
    pub by_setting: bool,
}

impl Over {
    /// Of the specimens that count; `None`: nothing is to be said against them, or the method itself
    /// lets them stand.
    fn of(sample: &Sample, counting: &Counting<'_>) -> Option<Self> {
        let by_setting = sample.quality.rules.deviations == Deviations::Count;
        let told = counting.counts.iter().filter(|c| by_setting || sample.quality.admission(c).is_some());
        let deviations = told.map(|c| c.deviations).sum();
        (deviations > 0).then_some(Self { deviations, by_setting })
    }

    /// `2 deviations`.
    fn count(self) -> String {
        match self.deviations {
            1 => "1 deviation".to_owned(),
            n => format!("{n} deviations"),
        }
    }

    /// In a clause.
    fn text(self) -> String {
        if self.by_setting {
            format!("with {}, which the laboratory's setting lets count", self.count())
        } else {
            format!("with {}, admitted by a named person", self.count())
        }
    }
}

/// A value at the last place in which a limit is written, halves to the even digit (ASTM E29).
pub fn at_the_place_of(value: Decimal, limit: Decimal) -> Decimal {
    value.round_dp_with_strategy(limit.scale(), RoundingStrategy::MidpointNearestEven)
}

/// A value meets a lower limit.
pub fn meets(value: Decimal, limit: Decimal) -> bool {
    at_the_place_of(value, limit) >= limit
}

/// What the limit of a sample says; `None`: it has none. `average`: the result that stands, if any.
pub fn judge<'a>(
    sample: &'a Sample,
    method: &Method,
    counting: &Counting<'_>,
    average: Option<Decimal>,
) -> Option<Acceptance<'a>> {
    let limit = sample.intake.particulars.limit.as_ref()?;
    let rules = &sample.quality.rules;
    let stated = rules.uncertainty.as_ref();
    let rule = stated.map_or(Decision::Simple, |stated| stated.decision);
    let none = |why| Acceptance {
        limit,
        rule,
        compared: None,
        uncertainty: None,
        stands_though_cold: false,
        over: None,
        verdict: Verdict::NotDecided(why),
    };
    if counting.held().next().is_some() {
        return Some(none(Undecided::Held));
    }
    let Some(reported) = average else { return Some(none(Undecided::NoResult)) };
    let uncertainty = stated.and_then(|stated| uncertainty::of_mean(&counting.counts, method, stated));
    let (compared, verdict) = match (rule, uncertainty.as_ref()) {
        (Decision::Guarded, Some(expanded)) => (expanded.mean, guarded(expanded, limit.at_least)),
        // Without a figure there is no guard band, and nothing is decided in its name.
        (Decision::Guarded, None) => {
            (at_the_place_of(reported, limit.at_least), Verdict::NotDecided(Undecided::NoUncertainty))
        }
        (Decision::Simple, _) => {
            let met = if meets(reported, limit.at_least) { Verdict::Pass } else { Verdict::Fail };
            (at_the_place_of(reported, limit.at_least), met)
        }
    };
    let cold = rules.cold_stands && counting.counts.iter().any(|c| c.cold != Cold::No);
    let verdict = match verdict {
        Verdict::Fail if cold => Verdict::NotDecided(Undecided::Cold),
        other => other,
    };
    let stands_though_cold = cold && verdict == Verdict::Pass;
    let over = Over::of(sample, counting);
    Some(Acceptance { limit, rule, compared: Some(compared), uncertainty, stands_though_cold, over, verdict })
}

/// Pass or fail only where the whole interval lies on one side (guard band of one expanded
/// uncertainty, JCGM 106).
fn guarded(expanded: &Expanded, limit: Decimal) -> Verdict {
    if expanded.mean - expanded.expanded >= limit {
        Verdict::Pass
    } else if expanded.mean + expanded.expanded < limit {
        Verdict::Fail
    } else {
        Verdict::NotDecided(Undecided::GuardBand)
    }
}

impl Acceptance<'_> {
    /// In a sentence.
    pub fn text(&self) -> String {
        let limit = format!("at least {} ({})", self.limit.at_least, self.limit.specification);
        let value = self.compared.map(|value| value.normalize().to_string()).unwrap_or_default();
        let over = self.over.map_or_else(String::new, |over| format!("; {}", over.text()));
        match self.verdict {
            Verdict::Pass if self.stands_though_cold => {
                format!("pass: {value}, {limit}; it stands though the solution was colder than allowed{over}")
            }
            Verdict::Pass => format!("pass: {value}, {limit}{over}"),
            Verdict::Fail => format!("fail: {value}, {limit}{over}"),
            Verdict::NotDecided(why) => format!("not decided, {limit}: {}", why.text()),
        }
    }

    /// In a word or two, for lists: a verdict over deviations is never shown as one without.
    pub fn word(&self) -> String {
        match (self.verdict, self.over) {
            (Verdict::Pass | Verdict::Fail, Some(over)) => {
                format!("{}, with {}", self.verdict.word(), over.count())
            }
            _ => self.verdict.word().to_owned(),
        }
    }

    /// The decision rule in a sentence, as it is declared.
    pub const fn rule_text(&self) -> &'static str {
        match self.rule {
            Decision::Simple => {
                "simple acceptance: the reported value, rounded to the place of the limit (ASTM E29), meets it or not"
            }
            Decision::Guarded => {
                "guarded acceptance: the unrounded mean is to lie beyond the limit by its expanded uncertainty"
            }
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    #[test]
    fn a_value_is_compared_at_the_last_place_of_the_limit() {
        // ASTM E29, rounding method, from memory: 0.5 goes to the even digit.
        for (value, limit, met) in [
            ("42", "42", true),
            ("41", "42", false),
            ("41.5", "42", true),
            ("42.5", "43", false),
            ("44.96", "45.0", true),
            ("44.9", "45", true),
            ("44.9", "45.0", false),
            ("46", "45.5", true),
        ] {
            assert_eq!(meets(dec(value), dec(limit)), met, "{value} against {limit}");
        }
    }
}
