//! The fold: one event changes the state. It cannot fail, and it is the only way that state
//! changes, live or in replay; an event that names what is not there changes nothing.

use super::consumer::REMEMBERED_ASKS;
use super::event::Event;
use super::{
    Bench, Block, DoneAct, Finished, KEPT, KEPT_PRESSES, KeptAsk, KeptPress, REMEMBERED_ACTS, Receipt,
    RefusedTrigger, ReplayAsked,
};
use crate::domain::alarm::LimitWatch;
use crate::domain::calculation::Calculation;
use crate::domain::intake::Intake;
use crate::domain::measure::Material;
use crate::domain::method::{Level, Point};
use crate::domain::moment::{Moment, SECOND};
use crate::domain::quality::{OfSample, counting};
use crate::domain::quantity::{Quantity, Side};
use crate::domain::reading::{InstrumentKind, Wire};
use crate::domain::specimen::history::Happened;
use crate::domain::specimen::room::RoomRange;
use crate::domain::specimen::sample::{Counted, Sample};
use crate::domain::specimen::tally::{Held, Source, Tally};
use crate::domain::specimen::{By, Issued, Marked, Run, Specimen, Weighing};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use std::cmp::Ordering;
use std::collections::VecDeque;
use uuid::Uuid;

impl Bench {
    /// Applies one event that was decided at `at`.
    pub fn apply(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::StationStarted { .. } | Event::MethodAdopted { .. } => self.apply_start(event, at),
            Event::SigningKeyNamed(key) => self.signs_with(key),
            Event::SampleRegistered { .. }
            | Event::SamplePrepared { .. }
            | Event::MassAwaited { .. }
            | Event::WeighingTaken { .. }
            | Event::SampleCompleted { .. } => self.apply_sample(event, at),
            Event::SpecimenRegistered { .. }
            | Event::PointMarked { .. }
            | Event::FurtherRunBegan { .. }
            | Event::FurtherRunEnded { .. }
            | Event::NoLineNoted { .. }
            | Event::ReadingEntered { .. }
            | Event::SpecimenVoided { .. }
            | Event::SpecimenCompleted { .. }
            | Event::IntervalAnnounced { .. } => self.apply_specimen(event, at),
            Event::MarkedTogether { .. }
            | Event::MarkWithdrawn { .. }
            | Event::TimeCorrected { .. }
            | Event::ReadingCorrected { .. }
            | Event::RecordVoided { .. }
            | Event::ReasonGiven { .. }
            | Event::RecordAmended { .. }
            | Event::ResultAmended { .. }
            | Event::SampleRecalled { .. } => self.apply_correction(event, at),
            Event::TemperatureRead { .. }
            | Event::TemperaturesCounted { .. }
            | Event::ProbeTakenOut { .. }
            | Event::ProbePutIn { .. }
            | Event::RoomTemperatureRead { .. } => self.apply_temperature(event),
            Event::DocumentIssued { number, document, .. } => self.issued(*number, *document, at),
            Event::InstrumentChanged { .. }
            | Event::InstrumentIdentified { .. }
            | Event::InstrumentErrors { .. }
            | Event::MassNotSettled { .. }
            | Event::MassReleased { .. } => self.apply_instrument(event),
            Event::ActDone { act, note, made } => self.act_done(*act, note, *made),
            Event::AskAnswered { .. } | Event::ReceiptConfirmed { .. } | Event::ReplayAsked { .. } => {
                self.apply_consumer(event, at);
            }
            Event::PressKept { .. }
            | Event::KeptPressEnded { .. }
            | Event::PressSettled { .. }
            | Event::TriggerRefused { .. } => self.apply_press(event, at),
            Event::AlarmRaised { .. }
            | Event::AlarmCleared { .. }
            | Event::AlarmAcknowledged { .. }
            | Event::AlarmShelved { .. }
            | Event::AlarmUnshelved { .. }
            | Event::AlarmTakenOutOfService { .. }
            | Event::AlarmPutInService { .. } => self.apply_alarm(event, at),
            Event::RepeatCalledFor { .. }
            | Event::RepeatTakenBack { .. }
            | Event::SpecimenNoted { .. }
            | Event::RunInterrupted { .. }
            | Event::PlaceCorrected { .. }
            | Event::CylinderMoved { .. }
            | Event::WeighingPlaced { .. }
            | Event::SpecimensPlanned { .. }
            | Event::SampleWithdrawn { .. } => self.apply_odd(event, at),
            part => self.apply_part(part, at),
        }
    }

    fn act_done(&mut self, id: Uuid, note: &str, made: Option<Uuid>) {
        let done = DoneAct { id, note: note.to_owned(), made };
        self.acts.keep(done, REMEMBERED_ACTS);
    }

    fn apply_start(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::StationStarted {
                station,
                title,
                version,
                rehearsal,
                bench,
                triggers,
                instruments,
                methods,
                network,
                calendar,
            } => {
                self.station.clone_from(station);
                self.title.clone_from(title);
                self.version.clone_from(version);
                self.rehearsal = *rehearsal;
                // A probe that somebody took out stays out.
                if self.settings.probe_stands_in != bench.probe_stands_in && self.probe.stands_in.is_some() {
                    self.probe.stands_in = Some(bench.probe_stands_in);
                }
                if !instruments.values().any(|kind| *kind == InstrumentKind::SolutionProbe) {
                    self.probe.last = None;
                    self.probe.side = None;
                    self.probe.watches = <[LimitWatch; 2]>::default();
                }
                self.start_room(instruments, at);
                self.unsettled.clear();
                self.said_of_itself.retain(|name, _| instruments.contains_key(name));
                self.settings = bench.clone().into();
                self.triggers = triggers.clone().into();
                self.instruments = instruments.clone().into();
                self.await_only_what_is_there();
                self.current = methods.clone().into();
                self.ports.clear();
                *self.network = network.clone();
                self.calendar = calendar.clone().into();
            }
            Event::MethodAdopted { method } => {
                self.methods.insert(method.digest.clone(), method.clone());
            }
            _ => {}
        }
    }

    fn apply_sample(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::SampleRegistered { sample, label, method, planned, marked, particulars } => {
                let mut new = new_sample(*sample, label, method, *planned, marked);
                new.quality.rules = self.rules_for(method);
                if let Some(particulars) = particulars {
                    self.intake.note(label, method, *planned, particulars);
                    new.intake.particulars.clone_from(particulars);
                }
                self.samples.insert(*sample, new.into());
            }
            Event::SamplePrepared { sample, what, marked } => {
                if let Some(sample) = self.samples.get_mut(sample) {
                    sample.preparation.push((what.clone(), marked.clone()));
                }
                self.note_prepared(*sample, what, &marked.moment);
            }
            Event::MassAwaited { target, by, balance } => {
                self.awaited.ask(target.as_ref(), by, balance.as_deref());
            }
            Event::WeighingTaken { weighing } => self.take_weighing(weighing),
            Event::SampleCompleted { sample, document, average } => {
                let reported = average.reported.normalize().to_string();
                if let Some(sample) = self.samples.get_mut(sample) {
                    sample.reported = Some(reported.clone());
                    sample.result = Some(Issued::first(*document));
                    let finished = Finished {
                        document: *document,
                        number: 0,
                        label: sample.label.clone(),
                        reported,
                        deviations: counting(sample).counts.iter().map(|c| c.deviations).sum(),
                        kind: "result".to_owned(),
                        moment: *at,
                    };
                    keep(&mut self.finished, finished, KEPT);
                }
                self.chart_result(*sample, at);
                self.await_only_what_is_there();
                self.await_review(*sample, at);
            }
            _ => {}
        }
    }

    fn take_weighing(&mut self, weighing: &Weighing) {
        self.weighings += 1;
        self.release_load(&weighing.wire.instrument);
        if let Some(target) = &weighing.target {
            self.awaited.end(target);
        }
        let by = By::bench(weighing.wire.instrument.clone());
        self.give(weighing.clone(), &Marked { moment: weighing.moment, by });
    }

    fn apply_specimen(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::SpecimenRegistered { specimen, sample, label, place, marked } => {
                self.register(*specimen, *sample, label, *place, marked);
            }
            Event::PointMarked { specimen, point, marked, .. } => {
                self.mark(*specimen, *point, marked, Happened::Marked { point: *point }, at);
            }
            Event::ReadingEntered { specimen, point, of, reading } => {
                let marked = Marked { moment: reading.moment, by: reading.by.clone() };
                if let Some(specimen) = self.specimens.get_mut(specimen) {
                    match of {
                        Level::Clay => specimen.clay = Some(reading.clone()),
                        Level::Sand => specimen.sand = Some(reading.clone()),
                        Level::Sediment => specimen.sediment = Some(reading.clone()),
                    }
                }
                self.mark(*specimen, *point, &marked, Happened::Read { point: *point, of: *of }, at);
            }
            Event::SpecimenCompleted { specimen, record, calculation, deviations } => {
                self.complete(*specimen, *record, calculation, *deviations);
            }
            Event::FurtherRunBegan { specimen, marked } => self.on_specimen(*specimen, |s| {
                s.note(Happened::RunBegan, marked);
                s.further_runs.push(Run { begin: marked.clone(), end: None });
            }),
            Event::FurtherRunEnded { specimen, marked } => self.on_specimen(*specimen, |s| {
                s.note(Happened::RunEnded, marked);
                if let Some(run) = s.further_runs.iter_mut().find(|r| r.end.is_none()) {
                    run.end = Some(marked.clone());
                }
            }),
            Event::SpecimenVoided { specimen, reason, marked } => self.void(*specimen, reason, marked),
            Event::NoLineNoted { specimen, marked } => self.on_specimen(*specimen, |s| {
                s.note(Happened::NoLine, marked);
                s.no_line.push(marked.clone());
                s.announced = None;
            }),
            Event::IntervalAnnounced { specimen, step, stage } => {
                if let Some(s) = self.specimens.get_mut(specimen) {
                    s.announced = Some((*step, *stage));
                }
            }
            _ => {}
        }
    }

    pub(super) fn on_specimen(&mut self, id: Uuid, change: impl FnOnce(&mut Specimen)) {
        if let Some(specimen) = self.specimens.get_mut(&id) {
            change(specimen);
        }
    }

    fn register(&mut self, id: Uuid, sample_id: Uuid, label: &str, place: u32, marked: &Marked) {
        let Some(sample) = self.samples.get_mut(&sample_id) else { return };
        sample.registered_specimens += 1;
        let material = sample.material.clone();
        if let Some(repeat) = &mut sample.repeat {
            repeat.group.push(id);
        }
        let digest = sample.method.clone();
        let points = self.methods.get(&digest).map_or(0, |m| m.points().len());
        let specimen = Specimen {
            id,
            label: label.to_owned(),
            sample: sample_id,
            place,
            method: digest,
            version: 1,
            registered: marked.clone(),
            points: vec![None; points],
            further_runs: Vec::new(),
            no_line: Vec::new(),
            clay: None,
            sand: None,
            sediment: None,
            material,
            counts: std::collections::BTreeMap::new(),
            mass: None,
            corrective: None,
            earlier_corrective: Vec::new(),
            tally: Tally::default(),
            room: RoomRange::default(),
            unseen: Vec::new(),
            given: None,
            announced: None,
            calculation: None,
            voided: None,
            equipment: Vec::new(),
            cycles: Vec::new(),
            solutions: Vec::new(),
            notes: Vec::new(),
            places: Vec::new(),
            interruption: None,
            earlier_masses: Vec::new(),
            history: Vec::new(),
            corrections: Vec::new(),
            record: None,
            going_on: None,
            operators: Vec::new(),
            reviews: Vec::new(),
        };
        self.specimens.insert(id, specimen.into());
    }

    /// Marks a point; opens and closes the temperature watch; frees the place at the end.
    fn mark(&mut self, id: Uuid, point: usize, marked: &Marked, what: Happened, at: &Moment) {
        let Some(method) = self.specimens.get(&id).and_then(|s| self.methods.get(&s.method)).cloned() else {
            return;
        };
        let points = method.points();
        let Some(&Point { step, edge, frees_place, .. }) = points.get(point) else { return };
        let (stale_ns, held) = (self.stale_ns(), self.held().copied());
        let source = self.probe.last.as_ref().and_then(|(_, wire)| self.source(wire));
        self.note_use(id, &method, step, marked);
        self.note_solution(id, &method, (step, edge), marked);
        self.note_operator(id, &method, step, marked);
        let room = self.room_held(&marked.moment).cloned();
        let Some(specimen) = self.specimens.get_mut(&id) else { return };
        if let Some((held, wire)) = room.filter(|_| specimen.last_marked().is_none()) {
            specimen.room.meet(&held, &wire);
        }
        if let Some(slot) = specimen.points.get_mut(point) {
            *slot = Some(marked.clone());
        }
        specimen.note(what, marked);
        specimen.announced = None;
        if let Some(limits) = method.temperature.limits.value {
            let from = method.step_index(&method.temperature.from);
            let to = method.step_index(&method.temperature.to);
            if Some(step) == from && specimen.tally.counted_to.is_none() {
                specimen.tally.open(marked.moment, held.as_ref(), stale_ns, &limits);
                if let Some(source) = &source {
                    specimen.tally.note_source(source);
                }
            }
            if Some(step) == to && specimen.tally.is_open() {
                specimen.going_on = Some(specimen.tally.clone());
                specimen.tally.close(&marked.moment, held.as_ref(), stale_ns, &limits);
            }
        }
        if frees_place {
            self.clear_place(id);
            self.finished_samples_leave(at);
            self.await_only_what_is_there();
        }
    }

    fn void(&mut self, id: Uuid, reason: &str, marked: &Marked) {
        let (stale_ns, held) = (self.stale_ns(), self.held().copied());
        let methods = &self.methods;
        let Some(specimen) = self.specimens.get_mut(&id) else { return };
        if let Some(limits) = methods.get(&specimen.method).and_then(|m| m.temperature.limits.value) {
            if specimen.tally.is_open() {
                specimen.going_on = Some(specimen.tally.clone());
            }
            specimen.tally.close(&marked.moment, held.as_ref(), stale_ns, &limits);
        }
        specimen.voided = Some((reason.to_owned(), marked.clone()));
        specimen.announced = None;
        specimen.note(Happened::Voided, marked);
        if let Some(sample) = self.samples.get_mut(&specimen.sample) {
            sample.voided_specimens += 1;
            sample.quality.void(id, true);
            if let Some(repeat) = &mut sample.repeat {
                repeat.give_up(id);
            }
        }
        self.await_only_what_is_there();
    }

    fn complete(&mut self, id: Uuid, record: Uuid, calculation: &Calculation, deviations: u32) {
        let (settled, cold) = self.specimens.get(&id).map(|s| self.judged(s, deviations)).unwrap_or_default();
        let Some(specimen) = self.specimens.get_mut(&id) else { return };
        specimen.calculation = Some(*calculation);
        specimen.record = Some(Issued::first(record));
        // Nothing of it is taken back any more.
        specimen.going_on = None;
        if let Some(sand) = &specimen.sand {
            let marked = Marked { moment: sand.moment, by: sand.by.clone() };
            specimen.note(Happened::Completed, &marked);
        }
        let finished = Finished {
            document: record,
            number: 0,
            label: specimen.label.clone(),
            reported: calculation.reported.normalize().to_string(),
            deviations,
            kind: "record".to_owned(),
            moment: specimen.last_moment().to_owned(),
        };
        let counted = Counted {
            specimen: id,
            label: specimen.label.clone(),
            record,
            calculation: *calculation,
            deviations,
            cold,
            settled,
        };
        if let Some(sample) = self.samples.get_mut(&specimen.sample) {
            sample.counted.push(counted);
        }
        keep(&mut self.finished, finished, KEPT);
        self.await_only_what_is_there();
    }

    fn apply_consumer(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::AskAnswered { key, reply } => {
                self.asks.keep(KeptAsk { key: *key, reply: reply.clone() }, REMEMBERED_ASKS);
            }
            Event::ReceiptConfirmed { consumer, through } => {
                self.receipts.insert(consumer.clone(), Receipt { through: *through, at: *at });
            }
            Event::ReplayAsked { consumer, number } => {
                let count = self.replay.as_ref().map_or(0, |r| r.count) + 1;
                self.replay = Some(ReplayAsked { count, number: *number, consumer: consumer.clone() });
            }
            _ => {}
        }
    }

    fn issued(&mut self, number: u64, document: Uuid, at: &Moment) {
        self.next_number = number + 1;
        // Looked for first: a change of the list copies it.
        if let Some(index) = self.finished.iter().rposition(|f| f.document == document)
            && let Some(finished) = self.finished.get_mut(index)
        {
            finished.number = number;
        }
        self.numbered(document, number);
        self.finished_samples_leave(at);
    }

    pub(super) fn read_temperature(
        &mut self,
        temperature: &Quantity,
        wire: &Wire,
        moment: &Moment,
        side: Option<Side>,
    ) {
        self.temperatures += 1;
        if self.probe.stands_in.is_some() {
            self.probe.watches = self.watches_after(temperature, *moment);
        }
        let applied = wire.corrected.as_ref().map(|corrected| corrected.applied);
        let new = Held { temperature: *temperature, moment: *moment, applied };
        if let Some(source) = self.source(wire) {
            let (stale_ns, before) = (self.stale_ns(), self.held().copied());
            let methods = &self.methods;
            for specimen in self.specimens.values_mut().filter(|s| s.counts_temperatures()) {
                let limits = methods.get(&specimen.method).and_then(|m| m.temperature.limits.value);
                if let Some(limits) = limits {
                    let specimen = &mut **specimen;
                    for tally in std::iter::once(&mut specimen.tally).chain(specimen.going_on.as_mut()) {
                        tally.read(&new, before.as_ref(), stale_ns, &limits);
                        tally.note_source(&source);
                    }
                }
            }
        }
        self.probe.side = match (self.probe.side, side) {
            (Some((was, since)), Some(is)) if was == is => Some((is, since)),
            (_, Some(is)) => Some((is, *moment)),
            (_, None) => None,
        };
        let thousandths = |q: &Quantity| {
            q.value.checked_mul(Decimal::ONE_THOUSAND).and_then(|v| v.round().to_i64()).unwrap_or(0)
        };
        let block = self.probe.block.get_or_insert(Block {
            count: 0,
            lowest: *temperature,
            highest: *temperature,
            sum_thousandths: 0,
            first: *moment,
        });
        block.count += 1;
        block.sum_thousandths = block.sum_thousandths.saturating_add(thousandths(temperature));
        if temperature.compare(&block.lowest) == Some(Ordering::Less) {
            block.lowest = *temperature;
        }
        if temperature.compare(&block.highest) == Some(Ordering::Greater) {
            block.highest = *temperature;
        }
        self.probe.last = Some((new, wire.clone()));
    }

    /// Where readings come from now; `None`: the probe is out of the solution.
    fn source(&self, wire: &Wire) -> Option<Source> {
        Some(Source {
            instrument: wire.instrument.clone(),
            port: wire.port.clone(),
            stands_in: self.probe.stands_in?,
            holds_s: self.settings.temperature_stale_s,
            certificate: wire.corrected.as_ref().map(|corrected| corrected.certificate.clone()),
        })
    }

    /// Time up to the move belongs to the reading that held; from then on to none, or to the
    /// next one.
    pub(super) fn move_probe(&mut self, stands_in: Option<super::ProbeStands>, marked: &Marked) {
        let (stale_ns, held) = (self.stale_ns(), self.held().copied());
        let methods = &self.methods;
        for specimen in self.specimens.values_mut().filter(|s| s.counts_temperatures()) {
            let limits = methods.get(&specimen.method).and_then(|m| m.temperature.limits.value);
            if let Some(limits) = limits {
                let specimen = &mut **specimen;
                for tally in std::iter::once(&mut specimen.tally).chain(specimen.going_on.as_mut()) {
                    tally.count(&marked.moment, held.as_ref(), stale_ns, &limits);
                }
            }
        }
        self.probe.stands_in = stands_in;
        self.probe.last = None;
        self.probe.side = None;
        self.probe.watches = <[LimitWatch; 2]>::default();
    }

    fn apply_press(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::PressKept { press, trigger, contact, does, moment, why } => {
                let kept = KeptPress {
                    id: *press,
                    trigger: trigger.clone(),
                    contact: *contact,
                    does: *does,
                    moment: *moment,
                    ended: None,
                    why: why.clone(),
                };
                keep(&mut self.presses, kept, KEPT_PRESSES);
            }
            Event::KeptPressEnded { press, moment } => {
                if let Some(kept) = self.presses.iter_mut().find(|p| p.id == *press) {
                    kept.ended = Some(*moment);
                }
            }
            Event::PressSettled { press, specimens, .. } => {
                let given = self.presses.iter().find(|p| p.id == *press).map(|p| p.moment);
                for id in specimens {
                    if let Some(specimen) = self.specimens.get_mut(id) {
                        specimen.given = given.or(specimen.given);
                    }
                }
                self.presses.retain(|p| p.id != *press);
            }
            Event::TriggerRefused { trigger, why } => {
                let refused = RefusedTrigger { trigger: trigger.clone(), why: why.clone(), moment: *at };
                keep(&mut self.refused, refused, KEPT);
            }
            _ => {}
        }
    }
}

fn new_sample(id: Uuid, label: &str, method: &str, planned: u32, marked: &Marked) -> Sample {
    Sample {
        id,
        label: label.to_owned(),
        method: method.to_owned(),
        planned,
        registered_specimens: 0,
        voided_specimens: 0,
        registered: marked.clone(),
        intake: Intake::default(),
        preparation: Vec::new(),
        course: None,
        equipment: Vec::new(),
        masses: std::collections::BTreeMap::new(),
        material: Material::default(),
        earlier_masses: Vec::new(),
        counted: Vec::new(),
        repeat: None,
        reported: None,
        result: None,
        quality: OfSample::default(),
        reviews: Vec::new(),
    }
}

/// Appends, and forgets the oldest beyond `most`.
pub(super) fn keep<T>(list: &mut VecDeque<T>, item: T, most: usize) {
    list.push_back(item);
    while list.len() > most {
        list.pop_front();
    }
}

/// How long a block of temperatures may stay open, nanoseconds.
pub(super) const BLOCK_NS: i64 = 60 * SECOND;
