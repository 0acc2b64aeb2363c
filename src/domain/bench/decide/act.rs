//! What people do on the page, or ask for over the network.

use super::{Decided, Deciding, unknown};
use crate::domain::alarm::Name;
use crate::domain::bench::{Act, Do, Event, Outcome, ProbeStands, Refusal};
use crate::domain::intake::Particulars;
use crate::domain::method::SpecimenKind;
use crate::domain::moment::Stamp;
use crate::domain::specimen::sample::Preparation;
use crate::domain::specimen::{By, Marked, Target};
use uuid::Uuid;

/// Longest label of a sample, in characters: what fits on a label and on a page.
const LABEL_MAX: usize = 40;
/// Longest reason, in characters.
const REASON_MAX: usize = 200;

impl Deciding<'_> {
    pub(super) fn act(&mut self, act: &Act) -> Outcome {
        if let Some(done) = self.bench.acts.find(act.id) {
            return Outcome::DoneBefore { note: done.note.clone(), made: done.made };
        }
        (self.balance, self.take_over) = (act.balance.clone(), act.take_over);
        // An act is carried out whole or not at all: a refusal halfway takes everything back.
        let (before, events) = (self.bench.clone(), self.events.len());
        match self.seen(act).and_then(|()| self.carry_out(act)) {
            // What was tried in vain is kept, so that nobody tries on for ever; nothing else happened.
            Ok(outcome @ Outcome::Refused { .. }) => outcome,
            Ok(outcome) => {
                let (note, made) = match &outcome {
                    Outcome::Done { note, made } => (note.clone(), *made),
                    _ => (String::new(), None),
                };
                self.emit(Event::ActDone { act: act.id, note, made });
                outcome
            }
            Err(refusal) => {
                *self.bench = before;
                self.events.truncate(events);
                refusal.into()
            }
        }
    }

    /// Somebody who saw an older version of the specimen is told what changed.
    fn seen(&self, act: &Act) -> Result<(), Refusal> {
        let (Some(seen), Some(id)) = (act.seen, act.what.subject()) else { return Ok(()) };
        match self.bench.find(id) {
            Some(specimen) if specimen.version != seen => Err(Refusal::Changed {
                label: specimen.label.clone(),
                since: self.bench.told_since(specimen, seen),
                now: self.bench.possible_text(specimen),
                version: specimen.version,
            }),
            _ => Ok(()),
        }
    }

    fn carry_out(&mut self, act: &Act) -> Decided {
        let by = self.who(act)?;
        self.qualified(&act.what, &by)?;
        let marked = self.marked(act.stated_wall_ns, by.clone())?;
        if let Some(decided) = self.correction(act, &by, &marked) {
            return decided;
        }
        match &act.what {
            Do::RegisterSample { label, method, specimens, particulars } => {
                self.register_sample(label, method, *specimens, particulars.as_deref(), marked)
            }
            Do::Intake(act) => self.intake(act, marked),
            Do::Prepare { sample, what } => self.prepare(*sample, what, marked),
            Do::AwaitSampleMass { sample, name } => self.await_sample_mass(*sample, name, by),
            Do::AwaitSpecimenMass { specimen } => self.await_specimen_mass(*specimen, by),
            Do::StopAwaiting => self.stop_awaiting(by),
            Do::ConfirmMass { instrument } => self.confirm_mass(instrument, marked),
            Do::RegisterSpecimen { sample, place } => self.register_specimen(*sample, *place, marked),
            Do::Mark { specimen, step, edge } => self.mark_named(*specimen, step, *edge, marked),
            Do::MarkNext { specimen } => self.mark_next(*specimen, marked),
            Do::NoLineYet { specimen } => self.no_line_yet(*specimen, marked),
            Do::VoidSpecimen { specimen, reason } => self.void(*specimen, reason, marked),
            Do::NoteSpecimen { specimen, note, text } => self.note(*specimen, *note, text.as_deref(), marked),
            Do::InterruptedRun { specimen, counts, reason } => {
                self.interrupted_run(*specimen, *counts, reason.as_deref(), marked)
            }
            Do::CorrectPlace { specimen, place, swap } => {
                self.correct_place(*specimen, *place, *swap, marked)
            }
            Do::MoveCylinder { specimen, place } => self.move_cylinder(*specimen, *place, marked),
            Do::PlaceWeighing { weighing, target } => self.place_weighing(*weighing, target, marked),
            Do::ReassignWeighing { weighing, target } => self.reassign_weighing(*weighing, target, marked),
            Do::PlanSpecimens { sample, specimens } => self.plan_specimens(*sample, *specimens, marked),
            Do::WithdrawSample { sample, reason } => self.withdraw_sample(*sample, reason, marked),
            Do::EnterReading { specimen, of, value, confirmed } => {
                self.enter_reading(*specimen, *of, value, *confirmed, marked)
            }
            Do::Measure(what) => self.measure(what, marked),
            Do::AssignPress { press, specimens } => self.assign_press(*press, specimens, marked),
            Do::DismissPress { press } => {
                self.kept_press(*press)?;
                self.emit(Event::PressSettled { press: *press, specimens: Vec::new(), marked });
                Ok(Outcome::done("the press was dismissed"))
            }
            Do::AcknowledgeAlarm { occurrence } => self.acknowledge(*occurrence, by),
            Do::ShelveAlarm { key, minutes, reason } => self.shelve(key, *minutes, reason, by),
            Do::UnshelveAlarm { key } => self.unshelve(key, by),
            Do::AlarmOutOfService { key, reason } => self.out_of_service(key, reason, by),
            Do::AlarmInService { key } => self.in_service(key, by),
            Do::Equipment(act) => self.equipment(act, marked),
            Do::Solution(act) => self.solution(act, marked),
            Do::Preparation(act) => self.preparation(act, marked),
            Do::Quality(act) => self.quality(act, marked),
            Do::Review(act) => self.review(act, marked),
            Do::Keeping(act) => self.keeping(act, marked),
            Do::TakeProbeOut => self.take_probe_out(marked),
            Do::PutProbeIn { stands_in } => self.put_probe_in(*stands_in, marked),
            // Decided above.
            Do::WithdrawLast { .. }
            | Do::CorrectTime { .. }
            | Do::CorrectReading { .. }
            | Do::GiveReason { .. } => Ok(Outcome::done("")),
        }
    }

    fn register_sample(
        &mut self,
        label: &str,
        method: &str,
        specimens: Option<u32>,
        particulars: Option<&Particulars>,
        marked: Marked,
    ) -> Decided {
        let label = label.trim();
        if label.is_empty() || label.chars().count() > LABEL_MAX || label.chars().any(char::is_control) {
            let why = format!("give 1 to {LABEL_MAX} characters");
            return Err(Refusal::Field { field: "label", why });
        }
        if self.bench.samples.values().any(|s| s.label == label) {
            return Err(Refusal::Already { what: format!("sample `{label}` is at work already") });
        }
        let digest = self
            .bench
            .current
            .get(method)
            .ok_or_else(|| unknown("method", method, self.bench.current.keys().cloned()))?
            .clone();
        let usual = self.bench.methods.get(&digest).and_then(|m| m.replicates.specimens.value);
        let Some(planned) = specimens.or(usual) else {
            let why = "the method sets no number: say how many".to_owned();
            return Err(Refusal::Field { field: "specimens", why });
        };
        if !(1..=20).contains(&planned) {
            return Err(Refusal::Field { field: "specimens", why: "give 1 to 20".to_owned() });
        }
        let particulars = self.particulars(particulars, None)?;
        let sample = self.fresh();
        let label = label.to_owned();
        let note = format!("sample {label} registered, {planned} specimens planned");
        self.emit(Event::SampleRegistered { sample, label, method: digest, planned, marked, particulars });
        Ok(Outcome::made(note, sample))
    }

    fn prepare(&mut self, sample: Uuid, what: &Preparation, marked: Marked) -> Decided {
        let label = self.sample_label(sample)?;
        self.follows_no_course(sample)?;
        self.emit(Event::SamplePrepared { sample, what: what.clone(), marked });
        Ok(Outcome::done(format!("{label}: noted")))
    }

    fn await_sample_mass(&mut self, sample: Uuid, name: &str, by: By) -> Decided {
        let label = self.sample_mass(sample, name)?;
        self.mass_in_order(sample, name)?;
        self.wait_for_mass(Target::Sample { sample, name: name.to_owned() }, by)?;
        Ok(Outcome::done(format!("{label}: waiting for the mass `{name}`")))
    }

    fn await_specimen_mass(&mut self, specimen: Uuid, by: By) -> Decided {
        let (known, method, _) = self.specimen(specimen)?;
        let word = if method.specimen.kind == SpecimenKind::Tin { "tin" } else { "portion" };
        if known.is_over() {
            return Err(Refusal::Already { what: format!("{} is complete or void", known.label) });
        }
        self.wait_for_mass(Target::Specimen { specimen }, by)?;
        Ok(Outcome::done(format!("{}: waiting for the mass of the {word}", known.label)))
    }

    pub(super) fn register_specimen(&mut self, sample: Uuid, place: u32, marked: Marked) -> Decided {
        self.sample_label(sample)?;
        self.place_exists(place)?;
        if let Some(other) = self.bench.at_place(place) {
            let why = if other.is_over() {
                format!("still holds {}: clean the cylinder first", other.label)
            } else {
                format!("holds {}", other.label)
            };
            return Err(Refusal::Place { place, why });
        }
        let Some(known) = self.bench.samples.get(&sample) else {
            return Err(unknown("sample", sample, []));
        };
        if known.reported.is_some() {
            return Err(Refusal::Already { what: format!("sample {} has its result", known.label) });
        }
        let label = known.next_label();
        let specimen = self.fresh();
        let note = format!("{label} at place {place}");
        self.emit(Event::SpecimenRegistered { specimen, sample, label, place, marked: marked.clone() });
        let tin = self.take_waiting_tin(sample, specimen, &marked);
        Ok(Outcome::made(format!("{note}{tin}"), specimen))
    }

    fn void(&mut self, id: Uuid, reason: &str, marked: Marked) -> Decided {
        let (specimen, _, _) = self.anywhere(id)?;
        if specimen.is_complete() {
            return self.void_record(id, reason, &marked);
        }
        if specimen.voided.is_some() {
            return Err(Refusal::Already { what: format!("{} is void already", specimen.label) });
        }
        if marked.by.person.is_none() {
            let why = "giving up a specimen names a person".to_owned();
            return Err(Refusal::Field { field: "who", why });
        }
        let reason = reason.trim();
        if reason.is_empty() || reason.chars().count() > REASON_MAX || reason.chars().any(char::is_control) {
            let why = format!("say in 1 to {REASON_MAX} characters why");
            return Err(Refusal::Field { field: "reason", why });
        }
        self.emit(Event::SpecimenVoided { specimen: id, reason: reason.to_owned(), marked });
        // It may have been the one more than planned that the others waited for.
        self.complete_sample(specimen.sample);
        Ok(Outcome::done(format!("{} is void and does not count; clean the cylinder", specimen.label)))
    }

    fn take_probe_out(&mut self, marked: Marked) -> Decided {
        if self.bench.probe.stands_in.is_none() {
            return Err(Refusal::Already { what: "the probe is out of the solution already".to_owned() });
        }
        not_stated(&marked)?;
        self.emit(Event::ProbeTakenOut { marked });
        self.clear_temperature_alarms();
        self.clear(Name::ProbeSilent, "");
        Ok(Outcome::done("the probe is out of the solution: from now on there is no reading"))
    }

    fn put_probe_in(&mut self, stands_in: ProbeStands, marked: Marked) -> Decided {
        if self.bench.probe.stands_in == Some(stands_in) {
            return Err(Refusal::Already { what: "the probe stands there already".to_owned() });
        }
        not_stated(&marked)?;
        self.emit(Event::ProbePutIn { stands_in, marked });
        Ok(Outcome::done("the probe stands in the solution"))
    }

    /// The label of a sample whose method knows a mass of that name.
    pub(super) fn sample_mass(&self, sample: Uuid, name: &str) -> Result<String, Refusal> {
        let label = self.sample_label(sample)?;
        let method = self.bench.samples.get(&sample).and_then(|s| self.bench.methods.get(&s.method));
        if method.and_then(|m| m.weighing(name)).is_none() {
            let known = method.into_iter().flat_map(|m| m.sample_weighings()).map(|w| w.name.clone());
            return Err(unknown("mass in the method", name, known));
        }
        Ok(label)
    }

    pub(super) fn sample_label(&self, id: Uuid) -> Result<String, Refusal> {
        let known = || self.bench.samples.values().map(|s| s.label.clone());
        self.bench.samples.get(&id).map(|s| s.label.clone()).ok_or_else(|| unknown("sample", id, known()))
    }
}

/// Readings that were counted are not taken back, so the probe is moved when it is moved.
pub(super) fn not_stated(marked: &Marked) -> Result<(), Refusal> {
    if marked.moment.stamp == Stamp::Entered {
        let why = "cannot be given for the probe: what it read until now has been counted".to_owned();
        return Err(Refusal::StatedTime { why });
    }
    Ok(())
}
