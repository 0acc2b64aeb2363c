//! A sample as a line of the day's list, and whole on its own page.

use super::{ms, quality};
use crate::domain::bench::{Bench, by_text};
use crate::domain::intake::code;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::shared::Shared;
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{Specimen, Weighing};
use serde_json::{Value, json};
use std::sync::Arc;

/// What was registered last of each project, for the next sample of it; the last project first.
pub(super) fn last_of_projects(bench: &Bench) -> Vec<Value> {
    let method =
        |digest: &str| bench.methods.get(digest).map(|m| &m.id).filter(|id| bench.current.contains_key(*id));
    bench
        .intake
        .last
        .iter()
        .rev()
        .map(|last| {
            json!({
                "project": last.project,
                "label": last.label,
                "method": method(&last.method),
                "planned": last.planned,
                "particulars": last.particulars,
            })
        })
        .collect()
}

/// A sample and what belongs to it.
#[derive(Debug)]
pub struct Seen<'a> {
    /// For methods, and for what is possible next.
    pub bench: &'a Bench,
    /// The sample.
    pub sample: &'a Sample,
    /// Its specimens.
    pub specimens: &'a [Shared<Specimen>],
    /// When it left the bench; `None`: it is at work.
    pub left: Option<Moment>,
}

/// As much of a sample as a line of a list needs.
#[derive(Debug)]
pub struct Line<'a> {
    /// For methods.
    pub bench: &'a Bench,
    /// The sample.
    pub sample: &'a Sample,
    /// Labels of its specimens.
    pub specimens: Vec<&'a str>,
    /// When it left the bench; `None`: it is at work.
    pub left: Option<Moment>,
}

impl Line<'_> {
    /// Every word by which somebody may look for it.
    pub fn words(&self) -> Vec<&str> {
        let said = &self.sample.intake.particulars;
        let method = self.bench.methods.get(&self.sample.method);
        let method = method.into_iter().flat_map(|m| [m.id.as_str(), m.title.as_str()]);
        let specification = said.limit.as_ref().map(|limit| limit.specification.as_str());
        let mut words = vec![self.sample.label.as_str()];
        words.extend(said.words().into_iter().map(|(_, words)| words));
        words.extend(method.chain(specification));
        words.extend(&self.specimens);
        words
    }

    /// The sample in a line.
    pub fn value(&self) -> Value {
        let (sample, said) = (self.sample, &self.sample.intake.particulars);
        let (state, text) = self.state();
        json!({
            "id": sample.id,
            "label": sample.label,
            "identifier": said.identifier,
            "project": said.project,
            "lot": said.lot,
            "material": said.material,
            "source": said.source,
            "method": self.bench.methods.get(&sample.method).map(|m| &m.title),
            "registeredMs": ms(sample.registered.moment.wall_ns),
            "by": by_text(&sample.registered.by),
            "leftMs": self.left.map(|m| ms(m.wall_ns)),
            "state": state,
            "stateText": text,
            "reported": sample.reported,
            "verdict": quality::verdict(self.bench, sample),
            "deviations": sample.counted.iter().map(|c| c.deviations).sum::<u32>(),
        })
    }

    fn state(&self) -> (&'static str, String) {
        let sample = self.sample;
        let (complete, wanted) = (sample.complete(), sample.wanted());
        match (&sample.reported, self.left) {
            (Some(reported), Some(_)) => ("done", format!("result {reported}")),
            (Some(reported), None) => ("result", format!("result {reported}, cylinders to clean")),
            (None, Some(_)) => ("void", "no result stands".to_owned()),
            (None, None) if self.specimens.is_empty() => ("waits", format!("{wanted} specimens planned")),
            (None, None) => ("at-work", format!("{complete} of {wanted} specimens complete")),
        }
    }
}

impl Seen<'_> {
    fn method(&self) -> Option<&Arc<Method>> {
        self.bench.methods.get(&self.sample.method)
    }

    /// As a line of a list.
    pub fn line(&self) -> Line<'_> {
        let specimens = self.specimens.iter().map(|specimen| specimen.label.as_str()).collect();
        Line { bench: self.bench, sample: self.sample, specimens, left: self.left }
    }

    /// All of it, for its own page.
    pub fn whole(&self) -> Value {
        let (sample, intake) = (self.sample, &self.sample.intake);
        let mut value = self.line().value();
        let more = json!({
            "code": code::digits(sample.id),
            "edition": self.method().map(|m| m.edition.value.as_deref().unwrap_or("not confirmed")),
            "standard": self.method().map(|m| &m.standard),
            "planned": sample.planned,
            "particulars": intake.particulars,
            "version": intake.version(),
            "corrections": self.corrections(),
            "preparation": sample.preparation.iter().map(|(what, marked)| json!({
                "what": serde_json::to_value(what).ok().and_then(|v| v.get("done").cloned()),
                "atMs": ms(marked.moment.wall_ns),
                "by": by_text(&marked.by),
            })).collect::<Vec<_>>(),
            "weighings": self.weighings(),
            "specimens": self.specimens.iter().map(|s| self.specimen(s)).collect::<Vec<_>>(),
            "quality": quality::whole(self.bench, sample, self.specimens),
        });
        if let (Value::Object(fields), Value::Object(more)) = (&mut value, more) {
            fields.extend(more);
        }
        value
    }

    fn corrections(&self) -> Vec<Value> {
        let intake = &self.sample.intake;
        let after = intake.corrections.iter().skip(1).map(|c| &c.before).chain([&intake.particulars]);
        let one = |(c, to): (&crate::domain::intake::Correction, &crate::domain::intake::Particulars)| {
            json!({
                "fields": to.differing(&c.before),
                "before": c.before,
                "after": to,
                "reason": c.reason,
                "by": by_text(&c.marked.by),
                "atMs": ms(c.marked.moment.wall_ns),
            })
        };
        intake.corrections.iter().zip(after).map(one).collect()
    }

    /// Every mass, with those that a later one replaced.
    fn weighings(&self) -> Vec<Value> {
        let sample = self.sample;
        let title = |name: &str| {
            let rule = self.method().and_then(|m| m.weighing(name));
            rule.map_or_else(|| name.to_owned(), |rule| rule.title.clone())
        };
        let one = |of: String, weighing: &Weighing, replaced: bool| {
            let value = json!({
                "of": of,
                "mass": weighing.mass.to_string(),
                "atMs": ms(weighing.moment.wall_ns),
                "instrument": weighing.wire.instrument,
                "replaced": replaced,
                "document": weighing.id,
            });
            (weighing.moment.wall_ns, value)
        };
        let mut all: Vec<(i64, Value)> = Vec::new();
        all.extend(sample.masses.iter().map(|(name, w)| one(title(name), w, false)));
        all.extend(sample.earlier_masses.iter().map(|(name, w)| one(title(name), w, true)));
        let course = sample.course.iter().flat_map(|course| course.weighings());
        all.extend(course.map(|(of, w)| one(of.text(), w, false)));
        for specimen in self.specimens {
            let label = || specimen.label.clone();
            all.extend(specimen.mass.iter().map(|w| one(label(), w, false)));
            all.extend(specimen.earlier_masses.iter().map(|w| one(label(), w, true)));
        }
        all.sort_by_key(|(at, _)| *at);
        all.into_iter().map(|(_, value)| value).collect()
    }

    fn specimen(&self, specimen: &Specimen) -> Value {
        let counted = self.sample.counted.iter().find(|c| c.specimen == specimen.id);
        let state = match (&specimen.voided, &specimen.calculation) {
            (Some((reason, _)), _) => format!("given up: {reason}"),
            (None, Some(calculation)) => {
                let quantity =
                    self.method().map_or_else(|| "result".to_owned(), |method| specimen.quantity(method));
                format!("{quantity} {}", calculation.reported.normalize())
            }
            (None, None) => format!("next: {}", self.bench.possible_text(specimen)),
        };
        json!({
            "id": specimen.id,
            "code": code::digits(specimen.id),
            "label": specimen.label,
            "place": self.bench.specimens.contains_key(&specimen.id).then_some(specimen.place),
            "registeredMs": ms(specimen.registered.moment.wall_ns),
            "by": by_text(&specimen.registered.by),
            "state": state,
            "void": specimen.voided.is_some(),
            "deviations": counted.map(|c| c.deviations),
            "corrections": specimen.corrections.len(),
            "counting": quality::specimen(self.bench, self.sample, self.specimens, specimen),
        })
    }
}
