//! The fold of what corrects: nothing that was recorded goes, the original stays with the
//! correction. Like all of the fold it cannot fail.

use super::apply::keep;
use super::event::Event;
use super::{Bench, Finished, KEPT};
use crate::domain::calculation::{Average, Calculation};
use crate::domain::method::Level;
use crate::domain::moment::Moment;
use crate::domain::quality::counting;
use crate::domain::specimen::correction::{Corrected, Correction, Reason, Withdrawn};
use crate::domain::specimen::history::Happened;
use crate::domain::specimen::sample::Counted;
use crate::domain::specimen::{Issued, Marked, ReadingTaken, Specimen};
use uuid::Uuid;

impl Bench {
    pub(super) fn apply_correction(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::MarkedTogether { specimens } => {
                let versions =
                    specimens.iter().filter_map(|id| Some((*id, self.find(*id)?.last_noted_mark()?.version)));
                self.together = versions.collect::<Vec<_>>().into();
            }
            Event::MarkWithdrawn { specimen, correction, what, marked, reason } => {
                let Some(method) = self.find(*specimen).and_then(|s| self.methods.get(&s.method)).cloned()
                else {
                    return;
                };
                self.correct(
                    *specimen,
                    *correction,
                    Corrected::Withdrawn { what: what.clone() },
                    marked,
                    reason.as_ref(),
                );
                self.change(*specimen, |s| {
                    s.take_back(what, &method, &method.points());
                    s.note(Happened::Withdrawn, marked);
                });
                if matches!(what, Withdrawn::Void { .. })
                    && let Some(sample) = self.find(*specimen).map(|s| s.sample)
                    && let Some(sample) = self.samples.get_mut(&sample)
                {
                    sample.voided_specimens = sample.voided_specimens.saturating_sub(1);
                    if let Some(repeat) = &mut sample.repeat {
                        repeat.take_up(*specimen);
                    }
                    sample.quality.void(*specimen, false);
                }
            }
            Event::TimeCorrected { specimen, correction, point, from, to, marked, reason, .. } => {
                let what = Corrected::Time { point: *point, from: from.clone(), to: to.clone() };
                self.correct(*specimen, *correction, what, marked, reason.as_ref());
                self.correct_time(*specimen, *point, to);
                self.move_use(*specimen, *point, to);
                self.change(*specimen, |s| s.note(Happened::TimeCorrected { point: *point }, marked));
            }
            Event::ReadingCorrected { specimen, correction, of, readings, marked, reason } => {
                let [_, to] = readings.as_ref();
                let what = Corrected::Reading { of: *of, readings: readings.clone() };
                self.correct(*specimen, *correction, what, marked, reason.as_ref());
                self.change(*specimen, |s| {
                    set_reading(s, *of, to.clone());
                    s.note(Happened::ReadingCorrected { of: *of }, marked);
                });
            }
            Event::RecordVoided { specimen, correction, marked, reason } => {
                self.correct(*specimen, *correction, Corrected::Void, marked, reason.as_ref());
                self.void_record(*specimen, reason.as_deref().unwrap_or_default(), marked);
            }
            Event::ReasonGiven { specimen, correction, reason, marked } => {
                self.change(*specimen, |s| give_reason(s, *correction, reason, marked));
            }
            Event::RecordAmended { specimen, record, calculation, deviations } => {
                self.amend_record(*specimen, *record, calculation, *deviations, at);
            }
            Event::ResultAmended { sample, document, average } => {
                self.amend_result(*sample, *document, average.as_ref(), at);
            }
            Event::SampleRecalled { closed } => self.put_away(closed.as_ref().clone().into()),
            _ => {}
        }
    }

    fn change(&mut self, id: Uuid, change: impl FnOnce(&mut Specimen)) {
        if let Some(specimen) = self.find_mut(id) {
            change(specimen);
        }
    }

    fn correct(
        &mut self,
        id: Uuid,
        correction: Uuid,
        what: Corrected,
        marked: &Marked,
        reason: Option<&String>,
    ) {
        let reason = reason.map(|text| Reason { text: text.clone(), marked: marked.clone() });
        self.change(id, |s| {
            s.corrections.push(Correction { id: correction, what, marked: marked.clone(), reason });
        });
    }

    /// Sets a point's instant; the reading that belongs to it, and the watch, follow.
    fn correct_time(&mut self, id: Uuid, point: usize, to: &Marked) {
        let Some(method) = self.find(id).and_then(|s| self.methods.get(&s.method)).cloned() else { return };
        let points = method.points();
        self.change(id, |s| {
            let Some(slot) = s.points.get_mut(point) else { return };
            let later_ns = slot.as_ref().map_or(0, |from| to.moment.since(&from.moment).ns);
            *slot = Some(to.clone());
            for (of, reading) in
                [(Level::Clay, &mut s.clay), (Level::Sand, &mut s.sand), (Level::Sediment, &mut s.sediment)]
            {
                let own = points.get(point).is_some_and(|p| p.edge == crate::domain::method::Edge::Value(of));
                if let Some(reading) = reading.as_mut().filter(|_| own) {
                    reading.moment = to.moment;
                }
            }
            s.watch_moved(point, later_ns, &method, &points);
            s.announced = None;
        });
    }

    /// A complete specimen is given up: it counts no more, and its sample may want another one.
    fn void_record(&mut self, id: Uuid, reason: &str, marked: &Marked) {
        let Some(specimen) = self.find_mut(id) else { return };
        specimen.voided = Some((reason.to_owned(), marked.clone()));
        specimen.announced = None;
        specimen.note(Happened::Voided, marked);
        let sample = specimen.sample;
        if let Some(sample) = self.find_sample_mut(sample) {
            sample.voided_specimens += 1;
            sample.counted.retain(|c| c.specimen != id);
            sample.quality.void(id, true);
            if let Some(repeat) = &mut sample.repeat {
                repeat.give_up(id);
            }
        }
    }

    fn amend_record(
        &mut self,
        id: Uuid,
        record: Uuid,
        calculation: &Calculation,
        deviations: u32,
        at: &Moment,
    ) {
        let (settled, cold) = self.find(id).map(|s| self.judged(s, deviations)).unwrap_or_default();
        let Some(specimen) = self.find_mut(id) else { return };
        specimen.calculation = Some(*calculation);
        specimen.record = Some(Issued::after(specimen.record.as_ref(), record));
        let (label, void, sample) = (specimen.label.clone(), specimen.voided.is_some(), specimen.sample);
        let reported = if void { "void".to_owned() } else { calculation.reported.normalize().to_string() };
        let counted = Counted {
            specimen: id,
            label: label.clone(),
            record,
            calculation: *calculation,
            deviations,
            cold,
            settled,
        };
        if let Some(sample) = self.find_sample_mut(sample) {
            for of_this in sample.counted.iter_mut().filter(|c| c.specimen == id) {
                of_this.clone_from(&counted);
            }
        }
        self.list(record, label, reported, deviations, "record", at);
        self.await_review(sample, at);
    }

    fn amend_result(&mut self, id: Uuid, document: Uuid, average: Option<&Average>, at: &Moment) {
        let Some(sample) = self.find_sample_mut(id) else { return };
        sample.reported = average.map(|a| a.reported.normalize().to_string());
        sample.result = Some(Issued::after(sample.result.as_ref(), document));
        let reported = sample.reported.clone().unwrap_or_else(|| "void".to_owned());
        let (label, deviations) =
            (sample.label.clone(), counting(sample).counts.iter().map(|c| c.deviations).sum());
        self.list(document, label, reported, deviations, "result", at);
        self.chart_result(id, at);
        self.await_only_what_is_there();
        self.await_review(id, at);
    }

    fn list(
        &mut self,
        document: Uuid,
        label: String,
        reported: String,
        deviations: u32,
        kind: &str,
        at: &Moment,
    ) {
        let kind = kind.to_owned();
        let finished = Finished { document, number: 0, label, reported, deviations, kind, moment: *at };
        keep(&mut self.finished, finished, KEPT);
    }
}

fn set_reading(specimen: &mut Specimen, of: Level, reading: ReadingTaken) {
    match of {
        Level::Clay => specimen.clay = Some(reading),
        Level::Sand => specimen.sand = Some(reading),
        Level::Sediment => specimen.sediment = Some(reading),
    }
}

fn give_reason(specimen: &mut Specimen, correction: Uuid, text: &str, marked: &Marked) {
    let Some(found) = specimen.corrections.iter_mut().find(|c| c.id == correction) else { return };
    found.reason = Some(Reason { text: text.to_owned(), marked: marked.clone() });
    if found.what == Corrected::Void
        && let Some((reason, _)) = &mut specimen.voided
    {
        text.clone_into(reason);
    }
    specimen.note(Happened::ReasonGiven, marked);
}
