//! The fold of a sample's preparation, and what the clock makes due of it.

use super::{Bench, Event};
use crate::domain::method::{CourseKind, CourseRule, Method, Noted};
use crate::domain::moment::Moment;
use crate::domain::preparation::{
    Course, Declined, Entered, Entry, Happened, Load, MassOf, OnCourse, Tin, begun,
};
use crate::domain::quantity::Quantity;
use crate::domain::specimen::sample::{Preparation, Sample};
use crate::domain::specimen::{Marked, Specimen, Target};
use uuid::Uuid;

impl Bench {
    pub(super) fn apply_preparation(&mut self, happened: &Happened, _: &Moment) {
        let method = self.find_sample(happened.sample()).and_then(|s| self.methods.get(&s.method)).cloned();
        let used = self.equipment_of(happened, method.as_deref());
        let Some(sample) = self.find_sample_mut(happened.sample()) else { return };
        if let Happened::CourseChosen { course, marked, .. } = happened {
            sample.course = Some(Box::new(Course::new(course, marked.clone())));
            // A tin of the course before is no more.
            self.await_only_what_is_there();
            return;
        }
        let Sample { course, preparation, .. } = sample;
        let Some(course) = course.as_mut() else { return };
        let listed = |entered: &Entered| listed_as(method.as_ref()?.course(&course.name)?, entered);
        match happened {
            Happened::CourseChosen { .. } => {}
            Happened::Noted { entered, marked, .. } => {
                preparation.extend(listed(entered).map(|what| (what, marked.clone())));
                note(course, entered, marked);
            }
            Happened::EntryTakenBack { entered, reason, marked, .. } => {
                if listed(entered).is_some() {
                    preparation.pop();
                }
                take_back(course, entered, (reason, marked));
            }
            Happened::TinTaken { mark, .. } => course.tins.push(Tin {
                mark: mark.clone(),
                tare: None,
                earlier_tares: Vec::new(),
                specimen: None,
            }),
            Happened::TinGiven { specimen, tin, .. } => give_tin(course, *specimen, *tin),
            Happened::MassDeclined { of, mass, why, moment, .. } => {
                course.declined = Some(Declined { of: *of, mass: *mass, why: why.clone(), moment: *moment });
            }
            Happened::TemperingOver { since, .. } => course.tempering_announced = Some(*since),
            Happened::DryingDue { load, .. } => {
                if let Some(load) = load_mut(course, *load) {
                    load.announced = load.dried.len();
                }
            }
        }
        match used {
            Some((what, at, false)) => self.note_prepared(happened.sample(), &what, &at),
            Some((what, at, true)) => self.forget_prepared(happened.sample(), &what, &at),
            None => {}
        }
        self.await_only_what_is_there();
    }

    /// What an entry of a course uses, and when; and whether the entry is taken back. The oven is
    /// used from when a load goes in.
    fn equipment_of(
        &self,
        happened: &Happened,
        method: Option<&Method>,
    ) -> Option<(Preparation, Moment, bool)> {
        let course = self.find_sample(happened.sample())?.course.as_ref()?;
        let what = |entered: &Entered| match entered {
            Entered::DryingBegan { .. } => Some(Preparation::OvenDried),
            _ => listed_as(method?.course(&course.name)?, entered),
        };
        match happened {
            Happened::Noted { entered, marked, .. } => Some((what(entered)?, marked.moment, false)),
            Happened::EntryTakenBack { entered, .. } => {
                let mut standing = course.entries.iter().rev().filter(|e| e.taken_back.is_none());
                let entry = standing.find(|entry| entry.what == *entered)?;
                Some((what(entered)?, entry.marked.moment, true))
            }
            _ => None,
        }
    }

    /// Of a specimen only the filling of its tin is marked, as its course says: it stands and waits
    /// like one that was not begun, and a press that names no cylinder is not meant for it.
    pub fn waits_with_its_tin(&self, specimen: &Specimen) -> bool {
        let method = self.methods.get(&specimen.method);
        let on = self.find_sample(specimen.sample).zip(method).and_then(|(s, m)| OnCourse::of(s, m));
        specimen.last_marked().is_some() && on.is_some_and(|on| begun(&on, specimen).is_none())
    }

    /// Who has the tin with this mark; `None`: it is free. It is in use until its content has been
    /// poured into a cylinder.
    pub(super) fn tin_in_use(&self, mark: &str) -> Option<String> {
        let at_work = self.samples.values().filter(|sample| sample.reported.is_none());
        let tins = at_work.flat_map(|sample| {
            let tins = sample.course.iter().flat_map(|course| course.numbered_tins());
            tins.map(move |(number, tin)| (sample, number, tin))
        });
        let mut holders = tins.filter(|(_, _, tin)| tin.mark.as_deref() == Some(mark));
        holders.find_map(|(sample, number, tin)| {
            let whole = format!("tin {number} of sample {}", sample.label);
            let Some(specimen) = tin.specimen else { return Some(whole) };
            let specimen = self.specimens.get(&specimen).filter(|s| !s.is_over())?;
            // The first point may be the filling of the tin itself.
            let poured = specimen.points.iter().skip(1).any(Option::is_some);
            (!poured).then(|| format!("{whole}, {} at place {}", specimen.label, specimen.place))
        })
    }

    /// A specimen that is registered is of the tin that was filled first and is not used yet.
    pub(super) fn tin_of_new(&self, sample: Uuid) -> Option<u32> {
        let sample = self.samples.get(&sample)?;
        let method = self.methods.get(&sample.method)?;
        let on = OnCourse::of(sample, method)?;
        let dried = |tin: &u32| {
            on.course.load_of(*tin).and_then(|l| on.drying(l)).is_some_and(|d| d.is_over(on.cools()))
        };
        let ready = on.ready();
        ready.iter().copied().find(dried).or_else(|| ready.first().copied())
    }

    /// A mass of a course may come: its tin is there, its load is not out yet.
    pub(super) fn may_take_preparation_mass(&self, sample: Uuid, of: MassOf) -> bool {
        let Some(sample) = self.samples.get(&sample).filter(|s| s.reported.is_none()) else { return false };
        let Some(course) = sample.course.as_ref() else { return false };
        match of {
            MassOf::EmptyTin { tin } => course.tin(tin).is_some(),
            MassOf::EmptyPan { load } | MassOf::BeforeDrying { load } | MassOf::Dried { load } => {
                let stopped = |entry: &Entry| matches!(&entry.what, Entered::DryingStopped { load: of, .. } if *of == load);
                course.load(load).is_some() && !course.standing().any(stopped)
            }
        }
    }

    /// Why a mass cannot be what it is to be; `None`: it can, or nothing is said against it.
    pub(super) fn declines(&self, target: &Target, mass: &Quantity, moment: &Moment) -> Option<String> {
        let Target::Preparation { sample, of } = target else { return None };
        let sample = self.samples.get(sample)?;
        let on = OnCourse::of(sample, self.methods.get(&sample.method)?)?;
        on.drying(of.load()?)?.declines(*of, mass, moment)
    }

    /// What the clock makes due of samples on a course, with its instant on the boot clock of `now`.
    pub(super) fn preparation_due(&self, now: &Moment) -> Vec<(Event, i64)> {
        let on_course = |sample: &Sample| sample.course.is_some() && sample.reported.is_none();
        let mut due = Vec::new();
        for sample in self.samples.values().filter(|sample| on_course(sample)) {
            let Some(on) = self.methods.get(&sample.method).and_then(|m| OnCourse::of(sample, m)) else {
                continue;
            };
            let at = |waits_ns: i64| now.boot_ns.saturating_add(waits_ns);
            if let Some(tempering) = on.tempering()
                && on.course.tempering_announced != Some(tempering.since.moment)
            {
                let since = tempering.since.moment;
                let over = Happened::TemperingOver { sample: sample.id, since };
                due.push((Event::Preparation(over), at(tempering.waits_ns(now))));
            }
            for (number, load) in on.course.numbered_loads() {
                let Some(drying) = on.drying(number).filter(|drying| !drying.is_out()) else { continue };
                if load.announced < load.dried.len() {
                    let again = Happened::DryingDue { sample: sample.id, load: number };
                    due.push((Event::Preparation(again), at(drying.waits_ns(now))));
                }
            }
        }
        due
    }
}

/// The word under which an entry stands in the sample's list of what was done.
fn listed_as(rule: &CourseRule, entered: &Entered) -> Option<Preparation> {
    match entered {
        Entered::Done { step } => match rule.steps.get(rule.step_index(step)?)?.kind {
            CourseKind::Done { noted_as } => noted_as.map(|noted| match noted {
                Noted::Sieved => Preparation::Sieved,
                Noted::Reduced => Preparation::Reduced,
                Noted::MoistureRight => Preparation::MoistureRight,
            }),
            _ => None,
        },
        Entered::Cast { finding, .. } if finding.is_accepted() => Some(Preparation::MoistureRight),
        Entered::Cast { .. } => Some(Preparation::MoistureChanged),
        Entered::Cooled { .. } => Some(Preparation::OvenDried),
        _ => None,
    }
}

fn note(course: &mut Course, entered: &Entered, marked: &Marked) {
    if let Entered::DryingBegan { tins, in_pan, .. } = entered {
        course.loads.push(Load {
            tins: tins.clone(),
            in_pan: *in_pan,
            pan: None,
            before: None,
            dried: Vec::new(),
            earlier: Vec::new(),
            announced: 0,
        });
    }
    course.entries.push(Entry { what: entered.clone(), marked: marked.clone(), taken_back: None });
}

/// The entry stays in the list; a load that was begun with it is gone.
fn take_back(course: &mut Course, entered: &Entered, (reason, marked): (&str, &Marked)) {
    let last = course.entries.iter_mut().rev().find(|e| e.taken_back.is_none() && e.what == *entered);
    let Some(entry) = last else { return };
    entry.taken_back = Some((reason.to_owned(), marked.clone()));
    if matches!(entered, Entered::DryingBegan { .. }) {
        course.loads.pop();
    }
}

/// Whoever had the tin has none now.
fn give_tin(course: &mut Course, specimen: Uuid, tin: u32) {
    for (at, other) in course.tins.iter_mut().enumerate() {
        let is_it = u32::try_from(at).is_ok_and(|at| at + 1 == tin);
        if is_it {
            other.specimen = Some(specimen);
        } else if other.specimen == Some(specimen) {
            other.specimen = None;
        }
    }
}

fn load_mut(course: &mut Course, number: u32) -> Option<&mut Load> {
    course.loads.get_mut(usize::try_from(number.checked_sub(1)?).ok()?)
}
