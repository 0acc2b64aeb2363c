//! The fold of limits, precision and what counts.

use super::Bench;
use crate::domain::intake::Correction;
use crate::domain::moment::Moment;
use crate::domain::quality::charts::{Charts, Of, Point};
use crate::domain::quality::uncertainty::unrounded;
use crate::domain::quality::{Admission, Cold, Further, Happened, Replacement, Rules, counting};
use crate::domain::specimen::judge::{self, Code};
use crate::domain::specimen::late::{self, Settled};
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Marked, Specimen};
use rust_decimal::Decimal;
use uuid::Uuid;

/// Most specimens of one sample, as at its registration.
const MOST_PLANNED: u32 = 20;

impl Bench {
    /// The rules under which a sample of a method is registered now.
    pub(super) fn rules_for(&self, method: &str) -> Rules {
        let settings = &self.settings;
        let method = self.methods.get(method);
        Rules {
            deviations: settings.deviations,
            precision: settings.precision,
            uncertainty: settings.uncertainty.clone(),
            cold_stands: method.is_some_and(|m| m.temperature.cold_pass_stands()),
        }
    }

    /// What is kept of a complete specimen beside its number: how long it settled, and what its
    /// deviations say of the cold.
    pub(super) fn judged(&self, specimen: &Specimen, deviations: u32) -> (Option<Settled>, Cold) {
        let Some((method, points)) = self.rule(specimen) else { return (None, Cold::No) };
        let settled = late::settled(specimen, method, &points);
        let of_it = judge::deviations(specimen, method, &points);
        let cold = match of_it.iter().any(|d| d.code == Code::TemperatureLow) {
            false => Cold::No,
            true if deviations == 1 => Cold::Only,
            true => Cold::Among,
        };
        (settled, cold)
    }

    pub(super) fn apply_quality(&mut self, happened: &Happened, at: &Moment) {
        match happened {
            Happened::LimitSet { sample, correction, limit, reason, marked } => {
                let Some(s) = self.find_sample_mut(*sample) else { return };
                let before = s.intake.particulars.clone();
                s.intake.particulars.limit.clone_from(limit);
                let (id, reason, marked) = (*correction, reason.clone(), marked.clone());
                s.intake.corrections.push(Correction { id, before, reason, marked });
                // The next bag of the project begins with it.
                let (label, method, planned) = (s.label.clone(), s.method.clone(), s.planned);
                let particulars = s.intake.particulars.clone();
                self.intake.note(&label, &method, planned, &particulars);
            }
            Happened::SpecimenAdmitted { sample, specimen, decision, deviations, reason, marked } => {
                self.decided(*sample, (*specimen, *decision), Some(*deviations), reason, marked);
            }
            Happened::AdmissionWithdrawn { sample, specimen, decision, reason, marked } => {
                self.decided(*sample, (*specimen, *decision), None, reason, marked);
            }
            Happened::ReplacementLinked { sample, specimen, replaces, marked } => {
                self.of_sample(*sample, |s| {
                    s.quality.replacements.push(Replacement {
                        specimen: *specimen,
                        replaces: *replaces,
                        marked: marked.clone(),
                    });
                });
            }
            Happened::FurtherCalledFor { sample, specimens, alone, difference, limit } => {
                self.of_sample(*sample, |s| {
                    let planned = s.planned;
                    s.planned = s.wanted().saturating_add(*specimens).min(MOST_PLANNED);
                    s.quality.further = Some(Further {
                        specimens: *specimens,
                        alone: *alone,
                        difference: *difference,
                        limit: *limit,
                        before: s.counted.iter().map(|c| c.specimen).collect(),
                        planned,
                        at: *at,
                    });
                });
            }
            Happened::LimitsFrozen { chart, frozen } => {
                if self.charts.get(chart).is_some() {
                    self.charts.freeze(chart, frozen.as_ref().clone());
                }
            }
            Happened::FurtherTakenBack { sample } => {
                self.of_sample(*sample, |s| {
                    if let Some(further) = s.quality.further.take() {
                        s.planned = further.planned;
                    }
                });
            }
        }
    }

    /// Files the result of a sample on its control chart, where the laboratory keeps charts and the
    /// bag said what the material is.
    pub(super) fn chart_result(&mut self, id: Uuid, at: &Moment) {
        if self.settings.charts == Charts::Off {
            return;
        }
        let Some(sample) = self.find_sample(id) else { return };
        let value = sample.reported.as_ref().and_then(|_| {
            let counting = counting(sample);
            let each = counting.counts.iter().map(|c| unrounded(&c.calculation));
            let values: Vec<Decimal> = each.collect::<Option<_>>()?;
            let sum = values.iter().try_fold(Decimal::ZERO, |sum, v| sum.checked_add(*v))?;
            Some(sum.checked_div(Decimal::from(values.len()))?.round_dp(4))
        });
        let Some(value) = value else {
            self.charts.forget(id);
            return;
        };
        let of = self.chart_of(sample);
        let point = Point { sample: id, label: sample.label.clone(), value, at: *at };
        self.charts.note(of, point);
    }

    /// The chart on which a sample's result belongs.
    pub(super) fn chart_of(&self, sample: &Sample) -> Option<Of> {
        let said = &sample.intake.particulars;
        let method = self.methods.get(&sample.method)?.id.clone();
        Some(Of { method, material: said.material.clone()?, source: said.source.clone().unwrap_or_default() })
    }

    fn decided(
        &mut self,
        sample: Uuid,
        (specimen, id): (Uuid, Uuid),
        admitted_with: Option<u32>,
        reason: &str,
        marked: &Marked,
    ) {
        let (reason, marked) = (reason.to_owned(), marked.clone());
        self.of_sample(sample, |s| {
            s.quality.admissions.push(Admission { id, specimen, admitted_with, reason, marked });
        });
    }

    fn of_sample(&mut self, id: Uuid, change: impl FnOnce(&mut Sample)) {
        if let Some(sample) = self.find_sample_mut(id) {
            change(sample);
        }
    }
}
