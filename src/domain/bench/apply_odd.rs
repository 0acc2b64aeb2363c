//! The fold of what goes otherwise than planned: a test run again, notes, interrupted runs, places,
//! weighings placed afterwards, samples planned anew or withdrawn.

use super::apply::keep;
use super::{Bench, Event, KEPT};
use crate::domain::moment::Moment;
use crate::domain::shared::Shared;
use crate::domain::specimen::history::Happened;
use crate::domain::specimen::late::{LateSpecimen, Repeat};
use crate::domain::specimen::note::PlaceChange;
use crate::domain::specimen::{Marked, Target, Weighing};
use uuid::Uuid;

impl Bench {
    pub(super) fn apply_odd(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::RepeatCalledFor { sample, specimen, specimens } => {
                self.call_for_repeat(*sample, *specimen, *specimens, at);
            }
            Event::RepeatTakenBack { sample, specimen } => {
                if let Some(sample) = self.find_sample_mut(*sample)
                    && let Some(repeat) = &mut sample.repeat
                {
                    repeat.called_by.retain(|late| late.specimen != *specimen);
                    if repeat.called_by.is_empty() {
                        sample.repeat = None;
                    }
                }
            }
            Event::SpecimenNoted { specimen, note } => {
                self.on_specimen(*specimen, |s| {
                    s.note(Happened::Noted, &note.marked);
                    s.notes.push(note.clone());
                });
            }
            Event::RunInterrupted { specimen, interruption } => {
                self.on_specimen(*specimen, |s| {
                    s.note(Happened::RunInterrupted, &interruption.marked);
                    s.interruption = Some(interruption.clone());
                });
            }
            Event::PlaceCorrected { specimen, from, to, marked } => {
                self.change_place(*specimen, (*from, *to), false, marked);
            }
            Event::CylinderMoved { specimen, from, to, marked } => {
                self.change_place(*specimen, (*from, *to), true, marked);
            }
            Event::WeighingPlaced { weighing, from, to, marked } => {
                self.place_weighing(*weighing, from.as_ref(), to, marked);
            }
            Event::SpecimensPlanned { sample, planned, .. } => {
                if let Some(sample) = self.samples.get_mut(sample) {
                    sample.planned = *planned;
                }
            }
            Event::SampleWithdrawn { sample, .. } => self.withdraw(*sample),
            _ => {}
        }
    }

    fn call_for_repeat(&mut self, sample: Uuid, specimen: Uuid, specimens: u32, at: &Moment) {
        let Some(label) = self.find(specimen).map(|s| s.label.clone()) else { return };
        // A tin that stands at its place and has not been begun is a new one already.
        let waiting = self.specimens.values().filter(|s| {
            let waits = s.last_marked().is_none() || self.waits_with_its_tin(s);
            s.sample == sample && s.id != specimen && waits && s.voided.is_none()
        });
        let mut waiting: Vec<(i64, Uuid)> = waiting.map(|s| (s.registered.moment.wall_ns, s.id)).collect();
        waiting.sort_unstable();
        let group = waiting.into_iter().map(|(_, id)| id).collect();
        let Some(sample) = self.samples.get_mut(&sample) else { return };
        let new = Repeat { called_by: Vec::new(), specimens, group, given_up: Vec::new() };
        sample.repeat.get_or_insert(new).called_by.push(LateSpecimen { specimen, label, at: *at });
    }

    fn change_place(&mut self, id: Uuid, (from, to): (u32, u32), moved: bool, marked: &Marked) {
        self.on_specimen(id, |s| {
            let what = if moved {
                Happened::PlaceChanged { from, to }
            } else {
                Happened::PlaceCorrected { from, to }
            };
            s.note(what, marked);
            s.place = to;
            s.places.push(PlaceChange { from, to, moved, marked: marked.clone() });
        });
    }

    /// Takes a weighing from where it is, and gives it to another. What it had replaced there
    /// counts again.
    fn place_weighing(&mut self, id: Uuid, from: Option<&Target>, to: &Target, marked: &Marked) {
        let Some(mut weighing) = self.take_back(id, from, marked) else { return };
        self.forget_weighing(from, &weighing);
        weighing.target = Some(to.clone());
        weighing.placed = Some(marked.clone());
        self.give(weighing, marked);
    }

    fn take_back(&mut self, id: Uuid, from: Option<&Target>, marked: &Marked) -> Option<Weighing> {
        match from {
            None => {
                let index = self.kept_weighings.iter().position(|w| w.id == id)?;
                self.kept_weighings.remove(index).map(Shared::into_inner)
            }
            Some(Target::Sample { sample, name }) => {
                let sample = self.samples.get_mut(sample)?;
                sample.masses.get(name).filter(|w| w.id == id)?;
                let weighing = sample.masses.remove(name)?;
                if let Some(index) = sample.earlier_masses.iter().rposition(|(of, _)| of == name) {
                    let (name, earlier) = sample.earlier_masses.remove(index);
                    sample.masses.insert(name, earlier);
                }
                Some(weighing)
            }
            Some(Target::Specimen { specimen }) => {
                let specimen = self.specimens.get_mut(specimen)?;
                let weighing = specimen.mass.take_if(|w| w.id == id)?;
                specimen.mass = specimen.earlier_masses.pop();
                specimen.note(Happened::MassTakenAway, marked);
                Some(weighing)
            }
            Some(Target::Preparation { sample, of }) => {
                self.samples.get_mut(sample)?.course.as_mut()?.take_back(*of, id)
            }
            Some(Target::CorrectiveSand { specimen }) => {
                let specimen = self.specimens.get_mut(specimen)?;
                let weighing = specimen.corrective.take_if(|w| w.id == id)?;
                specimen.corrective = specimen.earlier_corrective.pop();
                specimen.note(Happened::MassTakenAway, marked);
                Some(weighing)
            }
            Some(Target::Component { batch, component, .. }) => {
                self.solutions.take_back(batch, component, id)
            }
        }
    }

    /// Gives a weighing to its target; what stood there is kept beside it.
    pub(super) fn give(&mut self, weighing: Weighing, marked: &Marked) {
        self.note_weighing(&weighing);
        match weighing.target.clone() {
            Some(Target::Sample { sample, name }) => {
                if let Some(sample) = self.samples.get_mut(&sample)
                    && let Some(earlier) = sample.masses.insert(name.clone(), weighing)
                {
                    sample.earlier_masses.push((name, earlier));
                }
            }
            Some(Target::Specimen { specimen }) => self.on_specimen(specimen, |s| {
                s.note(Happened::Weighed, marked);
                s.earlier_masses.extend(s.mass.replace(weighing));
            }),
            Some(Target::Preparation { sample, of }) => {
                if let Some(course) = self.samples.get_mut(&sample).and_then(|s| s.course.as_mut()) {
                    course.give(of, weighing);
                }
            }
            Some(Target::CorrectiveSand { specimen }) => self.on_specimen(specimen, |s| {
                s.note(Happened::Weighed, marked);
                s.earlier_corrective.extend(s.corrective.replace(weighing));
            }),
            Some(Target::Component { batch, component, further }) => {
                self.solutions.give(&batch, &component, further, weighing);
            }
            None => keep(&mut self.kept_weighings, weighing.into(), KEPT),
        }
    }

    /// The sample goes; its masses may belong to another one, and are kept in sight.
    fn withdraw(&mut self, id: Uuid) {
        let Some(sample) = self.samples.remove(&id) else { return };
        let sample = sample.into_inner();
        self.take_cleared(id);
        let earlier = sample.earlier_masses.into_iter().map(|(_, weighing)| weighing);
        let of_course: Vec<Weighing> =
            sample.course.iter().flat_map(|course| course.weighings().map(|(_, w)| w.clone())).collect();
        let mut masses: Vec<Weighing> = earlier.chain(sample.masses.into_values()).chain(of_course).collect();
        masses.sort_by_key(|weighing| weighing.moment.wall_ns);
        for mut weighing in masses {
            weighing.target = None;
            weighing.placed = None;
            keep(&mut self.kept_weighings, weighing.into(), KEPT);
        }
        self.await_only_what_is_there();
    }
}
