//! Acts of limits, precision and what counts; further specimens where the first lie too far apart.

use super::note::{named, reason};
use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Bench, Event, Outcome, Refusal};
use crate::domain::intake::{Limit, Particulars};
use crate::domain::moment::Stamp;
use crate::domain::quality::chart::{FEWEST, Limits, Rule};
use crate::domain::quality::charts::{Frozen, Of};
use crate::domain::quality::{Act, Compared, Happened, Why, counting, precision};
use crate::domain::specimen::sample::{Counted, Sample};
use crate::domain::specimen::{Marked, Specimen};
use rust_decimal::Decimal;
use uuid::Uuid;

/// Decisions on the specimens of one sample: more than anybody needs.
const MOST_DECISIONS: usize = 100;

impl Deciding<'_> {
    pub(super) fn quality(&mut self, act: &Act, marked: Marked) -> Decided {
        match act {
            Act::SetLimit { sample, limit, reason, version } => {
                self.set_limit(*sample, limit.as_ref(), reason, *version, marked)
            }
            Act::Admit { specimen, reason } => self.admit(*specimen, reason, marked),
            Act::WithdrawAdmission { specimen, reason } => self.withdraw_admission(*specimen, reason, marked),
            Act::Replace { specimen, place } => self.replace(*specimen, *place, marked),
            Act::FreezeLimits { chart, reason } => self.freeze_limits(chart, reason, marked),
        }
    }

    fn set_limit(
        &mut self,
        id: Uuid,
        limit: Option<&Limit>,
        why: &str,
        version: Option<u32>,
        marked: Marked,
    ) -> Decided {
        Self::decision("setting a limit names a person", &marked)?;
        let why = reason(why)?;
        let checked = self
            .particulars(Some(&Particulars { limit: limit.cloned(), ..Particulars::default() }), Some(id))?;
        let limit = checked.and_then(|checked| checked.limit);
        self.particulars_unchanged(id, version)?;
        let known = || self.bench.samples.values().map(|s| s.label.clone());
        let sample = self.bench.find_sample(id).ok_or_else(|| unknown("sample", id, known()))?;
        let (label, stands) = (sample.label.clone(), &sample.intake.particulars.limit);
        if same(stands.as_ref(), limit.as_ref()) {
            return Err(Refusal::Already { what: format!("the limit of sample {label} is so already") });
        }
        let note = match &limit {
            Some(limit) => format!("sample {label}: at least {} ({})", limit.at_least, limit.specification),
            None => format!("sample {label} has no limit any more"),
        };
        let correction = self.fresh();
        self.emit(Event::Quality(Happened::LimitSet { sample: id, correction, limit, reason: why, marked }));
        let note = self.tell_corrected(id, note)?;
        // Where the method lets a pass in the cold stand, the limit can bring the result about.
        self.complete_sample(id);
        Ok(Outcome::made(note, correction))
    }

    fn admit(&mut self, id: Uuid, why: &str, marked: Marked) -> Decided {
        Self::decision("admitting a specimen names a person", &marked)?;
        let why = reason(why)?;
        let (specimen, sample) = self.complete(id)?;
        let label = &specimen.label;
        match counting(&sample).why(id) {
            Some(Why::Held) => {}
            Some(Why::Replaced) => {
                let other = self.label_of(sample.quality.replaced_by(id));
                let what = format!("{other} is run in the place of {label}: give that one up first");
                return Err(Refusal::Already { what });
            }
            Some(why) => {
                let what = format!("{label} is not held: it does not count, since {}", why.text());
                return Err(Refusal::Already { what });
            }
            None => return Err(Refusal::Already { what: format!("{label} counts already") }),
        }
        let deviations = counted(&sample, id).map_or(0, |c| c.deviations);
        let decision = self.fresh();
        let note = format!("{label} counts with its {}", deviations_text(deviations));
        self.emit(Event::Quality(Happened::SpecimenAdmitted {
            sample: sample.id,
            specimen: id,
            decision,
            deviations,
            reason: why,
            marked,
        }));
        Ok(Outcome::made(self.result_follows(sample.id, note), decision))
    }

    fn withdraw_admission(&mut self, id: Uuid, why: &str, marked: Marked) -> Decided {
        Self::decision("taking an admission back names a person", &marked)?;
        let why = reason(why)?;
        let (specimen, sample) = self.complete(id)?;
        let label = &specimen.label;
        let known = counted(&sample, id).and_then(|counted| sample.quality.admission(counted));
        if known.is_none() {
            return Err(Refusal::Already { what: format!("{label} is not admitted") });
        }
        let decision = self.fresh();
        let note = format!("{label} is held again");
        self.emit(Event::Quality(Happened::AdmissionWithdrawn {
            sample: sample.id,
            specimen: id,
            decision,
            reason: why,
            marked,
        }));
        Ok(Outcome::made(self.result_follows(sample.id, note), decision))
    }

    /// A new specimen in the place of one that is held or was given up.
    fn replace(&mut self, id: Uuid, place: u32, marked: Marked) -> Decided {
        let (old, _, _) = self.anywhere(id)?;
        let Some(sample) = self.bench.samples.get(&old.sample).cloned() else {
            let what = format!("the sample of {} has left the bench: register a new one", old.label);
            return Err(Refusal::Already { what });
        };
        if let Some(other) = sample.quality.replaced_by(id) {
            let what = format!("{} is run in the place of {} already", self.label_of(Some(other)), old.label);
            return Err(Refusal::Already { what });
        }
        let held = counting(&sample).why(id) == Some(Why::Held);
        if old.voided.is_none() && !held {
            let what = format!("{} is not held: give it up first, if it must not count", old.label);
            return Err(Refusal::Already { what });
        }
        let outcome = self.register_specimen(old.sample, place, marked.clone())?;
        let Outcome::Done { note, made: Some(specimen) } = outcome else { return Ok(outcome) };
        self.emit(Event::Quality(Happened::ReplacementLinked {
            sample: old.sample,
            specimen,
            replaces: id,
            marked,
        }));
        Ok(Outcome::made(format!("{note}, in the place of {}", old.label), specimen))
    }

    /// The limits of a chart are those of what it shows; earlier ones stay beside them.
    fn freeze_limits(&mut self, of: &Of, why: &str, marked: Marked) -> Decided {
        Self::decision("freezing the limits of a chart names a person", &marked)?;
        let why = reason(why)?;
        let known = || self.bench.charts.charts.iter().map(|c| c.of.to_string());
        let chart = self.bench.charts.get(of).ok_or_else(|| unknown("chart", of, known()))?;
        let (Some(limits), Some(first), Some(last)) =
            (Limits::of(&chart.values()), chart.points.front(), chart.points.back())
        else {
            let what = format!("the chart of {of} has {} results: wait for {FEWEST}", chart.points.len());
            return Err(Refusal::Already { what });
        };
        if chart.frozen.len() >= MOST_DECISIONS {
            let what = format!("the limits of {of} were frozen {MOST_DECISIONS} times");
            return Err(Refusal::Already { what });
        }
        let frozen = Box::new(Frozen {
            results: limits.results,
            from_to: [first.label.clone(), last.label.clone()],
            centre: limits.centre.round_dp(6),
            mean_range: limits.mean_range.round_dp(6),
            reason: why,
            marked,
        });
        let note = format!("the limits of {of} are those of its {} results", limits.results);
        self.emit(Event::Quality(Happened::LimitsFrozen { chart: of.clone(), frozen }));
        Ok(Outcome::done(note))
    }

    /// What a person is told when a new result is a signal on its chart; empty if it is none.
    pub(super) fn chart_text(&self, sample: Uuid) -> String {
        let found = self.bench.find_sample(sample).filter(|s| s.reported.is_some());
        let Some(of) = found.and_then(|s| self.bench.chart_of(s)) else { return String::new() };
        let Some(chart) = self.bench.charts.get(&of) else { return String::new() };
        if chart.points.back().is_none_or(|point| point.sample != sample) {
            return String::new();
        }
        let rules: Vec<&str> = chart.newest_signals().into_iter().map(Rule::text).collect();
        if rules.is_empty() { String::new() } else { format!("; on the chart of {of}: {}", rules.join(", ")) }
    }

    /// A decision is made now, by somebody.
    fn decision(why: &str, marked: &Marked) -> Result<(), Refusal> {
        named(marked, why)?;
        if marked.moment.stamp == Stamp::Entered {
            let why = "is for what happened at the bench; this is done now".to_owned();
            return Err(Refusal::StatedTime { why });
        }
        Ok(())
    }

    /// A complete specimen that stands, with its sample.
    fn complete(&self, id: Uuid) -> Result<(Specimen, Sample), Refusal> {
        let (specimen, _, _) = self.anywhere(id)?;
        let label = &specimen.label;
        if specimen.voided.is_some() {
            return Err(Refusal::Already { what: format!("{label} is void and cannot count") });
        }
        let sample = self.bench.find_sample(specimen.sample).cloned();
        let Some(sample) = sample.filter(|sample| counted(sample, id).is_some()) else {
            let what = format!("{label} is not complete: there is nothing to decide yet");
            return Err(Refusal::Already { what });
        };
        if sample.quality.admissions.len() >= MOST_DECISIONS {
            let what =
                format!("of sample {} it was decided {MOST_DECISIONS} times: give one up", sample.label);
            return Err(Refusal::Already { what });
        }
        Ok((specimen, sample))
    }

    fn label_of(&self, id: Option<Uuid>) -> String {
        id.and_then(|id| self.bench.find(id)).map_or_else(|| "another".to_owned(), |s| s.label.clone())
    }

    /// After a decision: the result of the sample, or a new version of it.
    fn result_follows(&mut self, sample: Uuid, mut note: String) -> String {
        let went_out = self.bench.find_sample(sample).is_some_and(|s| s.result.is_some());
        if self.amend_result(sample) {
            note.push_str(if went_out {
                "; a new version of its sample's result follows"
            } else {
                "; its sample's result follows"
            });
        }
        note
    }

    /// Whether the specimens lie further apart than allowed, so that more are asked for; once for a
    /// sample, and not where its test is run again for want of a line.
    pub(super) fn call_for_further(&mut self, id: Uuid) -> bool {
        let Some(sample) = self.bench.find_sample(id) else { return false };
        let never = sample.result.is_some() || sample.repeat.is_some() || sample.quality.further.is_some();
        let Some(method) = self.bench.methods.get(&sample.method).filter(|_| !never) else { return false };
        let Some(specimens) = method.replicates.further_specimens.value else { return false };
        let Some((difference, limit)) = self.bench.apart(sample).filter(|(d, limit)| d > limit) else {
            return false;
        };
        let alone = method.replicates.further_alone();
        let call = Happened::FurtherCalledFor { sample: id, specimens, alone, difference, limit };
        self.emit(Event::Quality(call));
        true
    }

    /// Takes the call back where a correction brought the specimens together before a further one
    /// was begun.
    pub(super) fn review_further(&mut self, id: Uuid) {
        let Some(sample) = self.bench.find_sample(id).filter(|s| s.reported.is_none()) else { return };
        let Some(further) = &sample.quality.further else { return };
        let first = sample.counted.iter().filter(|c| further.before.contains(&c.specimen)).count();
        let begun = usize::try_from(sample.standing()).is_ok_and(|standing| standing > first);
        let apart = self.bench.apart(sample).is_some_and(|(difference, limit)| difference > limit);
        if !begun && !apart && first == further.before.len() {
            self.emit(Event::Quality(Happened::FurtherTakenBack { sample: id }));
        }
    }

    /// What a person is told when a specimen is complete and its sample is not.
    pub(super) fn standing_text(&self, sample: Uuid, specimen: Uuid) -> String {
        let Some(sample) = self.bench.find_sample(sample).filter(|s| s.reported.is_none()) else {
            return String::new();
        };
        if counting(sample).why(specimen) == Some(Why::Held) {
            let deviations = counted(sample, specimen).map_or(0, |c| c.deviations);
            return format!("; it is held for its {}: admit or replace it", deviations_text(deviations));
        }
        match &sample.quality.further {
            Some(further) if further.before.contains(&specimen) => format!("; {}", further.text()),
            _ => String::new(),
        }
    }
}

impl Bench {
    /// How far the specimens that count lie apart, and how far they may: by the method's limit, else
    /// by its published precision where the laboratory compares with it.
    fn apart(&self, sample: &Sample) -> Option<(Decimal, Decimal)> {
        let method = self.methods.get(&sample.method)?;
        let results: Vec<Decimal> = counting(sample).counts.iter().map(|c| c.calculation.reported).collect();
        let difference = results.iter().max()?.checked_sub(*results.iter().min()?)?;
        let published = || {
            let comparison = precision::compare(&results, method)?;
            comparison.operator.map(|allowed| allowed.range)
        };
        let limit = match method.replicates.max_difference.value {
            Some(limit) => limit,
            None if sample.quality.rules.precision == Compared::On => published()?,
            None => return None,
        };
        (results.len() > 1).then_some((difference, limit))
    }
}

fn counted(sample: &Sample, specimen: Uuid) -> Option<&Counted> {
    sample.counted.iter().find(|c| c.specimen == specimen)
}

fn deviations_text(deviations: u32) -> String {
    if deviations == 1 { "deviation".to_owned() } else { format!("{deviations} deviations") }
}

/// Written alike, to the last place: 45 and 45.0 are two limits (ASTM E29).
fn same(one: Option<&Limit>, other: Option<&Limit>) -> bool {
    let written = |limit: &Limit| (limit.at_least.to_string(), limit.specification.clone());
    one.map(written) == other.map(written)
}
