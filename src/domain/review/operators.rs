//! Who worked on a specimen, and how their qualification stood then: copied onto the specimen, so
//! that a record months later says the same.

use super::AskQualification;
use super::people::People;
use crate::domain::measure::Material;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::preparation::Course;
use crate::domain::specimen::judge::{Code, Deviation};
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{By, Marked, Specimen, Weighing};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use uuid::Uuid;

/// How a qualification stood. In the order of how bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Held {
    /// Nobody asked.
    NotAsked,
    /// It was held.
    Held,
    /// It had expired.
    Expired,
    /// There was none.
    Absent,
}

/// A person who worked on a specimen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Operator {
    /// The person's identity; `None`: the register does not know the name.
    pub id: Option<Uuid>,
    /// The name, as it was then.
    pub name: String,
    /// The step at which it was first so.
    pub step: String,
    /// When.
    pub moment: Moment,
    /// How the qualification for the method stood.
    pub qualification: Held,
    /// Until when it was held, as it was given.
    pub until: Option<String>,
}

impl People {
    /// How a person's qualification for a method stands at an instant, and until when it is held.
    pub fn qualification(&self, name: &str, method: &str, at: &Moment) -> (Held, Option<String>) {
        let Some(held) = self.named(name).and_then(|person| person.qualifications.get(method)) else {
            return (Held::Absent, None);
        };
        let over = held.until_wall_ns.is_some_and(|until| at.wall_ns >= until);
        (if over { Held::Expired } else { Held::Held }, held.until.clone())
    }

    /// Notes on a specimen who works on it at a step. One entry for each person; of two instants
    /// the worse stays.
    pub fn note_operator(
        &self,
        specimen: &mut Specimen,
        method: &Method,
        step: &str,
        marked: &Marked,
        ask: AskQualification,
    ) {
        let Some(name) = marked.by.person.as_deref() else { return };
        let (qualification, until) = match ask {
            AskQualification::Off => (Held::NotAsked, None),
            _ => self.qualification(name, &method.id, &marked.moment),
        };
        let new = Operator {
            id: self.named(name).map(|person| person.id),
            name: name.to_owned(),
            step: step.to_owned(),
            moment: marked.moment,
            qualification,
            until,
        };
        match specimen.operators.iter_mut().find(|known| known.name == name) {
            Some(known) if new.qualification > known.qualification => *known = new,
            Some(_) => {}
            None => specimen.operators.push(new),
        }
    }
}

/// Deviations: somebody marked or read who was not qualified. Not where all of it was taken back.
pub fn deviations(specimen: &Specimen) -> Vec<Deviation> {
    let by = |name: &str| {
        let of = |by: &By| by.person.as_deref() == Some(name);
        let read = [&specimen.clay, &specimen.sand, &specimen.sediment];
        specimen.points.iter().flatten().any(|marked| of(&marked.by))
            || read.into_iter().flatten().any(|reading| of(&reading.by))
    };
    let one = |operator: &Operator| {
        let actual = match (operator.qualification, &operator.until) {
            (Held::NotAsked | Held::Held, _) => return None,
            (Held::Expired, until) => {
                format!("held until {}", until.as_deref().unwrap_or("an earlier day"))
            }
            (Held::Absent, _) if operator.id.is_none() => "nobody of the register".to_owned(),
            (Held::Absent, _) => "none is registered".to_owned(),
        };
        Some(Deviation {
            code: Code::NotQualified,
            step: Some(operator.step.clone()),
            what: format!("{} worked on it without being qualified for the method", operator.name),
            required: "a qualification for the method that has not expired".to_owned(),
            actual,
            by: None,
            moment: Some(operator.moment),
        })
    };
    specimen.operators.iter().filter(|operator| by(&operator.name)).filter_map(one).collect()
}

/// Who weighed a mass, who gave it its place and who confirmed it.
fn named_on_weighing(weighing: &Weighing) -> impl Iterator<Item = &By> {
    let marked = [&weighing.placed, &weighing.confirmed].into_iter().flatten().map(|marked| &marked.by);
    weighing.asked.iter().chain(marked)
}

/// Who stated the moisture or the fines.
fn named_on_material(material: &Material) -> impl Iterator<Item = &By> {
    [&material.moisture, &material.fines].into_iter().flatten().map(|stated| &stated.marked.by)
}

/// Who chose a course, entered something on it, took an entry back or weighed for it. What was taken
/// back was work all the same.
fn named_on_course(course: &Course) -> impl Iterator<Item = &By> {
    let entered = course.entries.iter().flat_map(|entry| {
        let taken_back = entry.taken_back.iter().map(|(_, marked)| marked);
        [&entry.marked].into_iter().chain(taken_back)
    });
    let entered = [&course.chosen].into_iter().chain(entered).map(|marked| &marked.by);
    let tins = course.tins.iter().flat_map(|tin| tin.tare.iter().chain(&tin.earlier_tares));
    let loads = course
        .loads
        .iter()
        .flat_map(|load| load.pan.iter().chain(&load.before).chain(&load.dried).chain(&load.earlier));
    entered.chain(tins.chain(loads).flat_map(named_on_weighing))
}

/// The names on a specimen: whoever marked, read, weighed, counted, noted, stated or corrected
/// something.
pub fn named_on(specimen: &Specimen) -> BTreeSet<&str> {
    let marked = specimen.points.iter().flatten().chain(&specimen.no_line);
    let runs = specimen.further_runs.iter().flat_map(|run| [Some(&run.begin), run.end.as_ref()]).flatten();
    let readings = [&specimen.clay, &specimen.sand, &specimen.sediment].into_iter().flatten();
    let weighed = specimen.mass.iter().chain(&specimen.earlier_masses);
    let weighed = weighed.chain(&specimen.corrective).chain(&specimen.earlier_corrective);
    let counted = specimen.counts.values().map(|count| &count.marked);
    let said = specimen.corrections.iter().flat_map(|correction| {
        [Some(&correction.marked), correction.reason.as_ref().map(|reason| &reason.marked)]
    });
    let noted = specimen.notes.iter().map(|note| &note.marked);
    let interrupted = specimen.interruption.iter().map(|said| &said.marked);
    let history = specimen.history.iter().filter(|noted| !noted.what.is_review()).map(|noted| &noted.marked);
    let all = marked.chain(runs).chain(counted).chain(said.flatten()).chain(noted).chain(interrupted);
    let all = all.chain(history).chain([&specimen.registered]).map(|marked| &marked.by);
    let all = all.chain(readings.map(|reading| &reading.by)).chain(weighed.flat_map(named_on_weighing));
    all.chain(named_on_material(&specimen.material)).filter_map(|by| by.person.as_deref()).collect()
}

/// The names on a sample's preparation, its masses, what was stated of its material, and on its
/// specimens. Taking a bag in is not the test.
pub fn worked_on<'a>(sample: &'a Sample, specimens: &[&'a Specimen]) -> BTreeSet<&'a str> {
    let prepared = sample.preparation.iter().map(|(_, marked)| &marked.by);
    let earlier = sample.earlier_masses.iter().map(|(_, weighing)| weighing);
    let weighed = sample.masses.values().chain(earlier).flat_map(named_on_weighing);
    let corrected = sample.intake.corrections.iter().map(|correction| &correction.marked.by);
    let course = sample.course.iter().flat_map(|course| named_on_course(course));
    let all =
        prepared.chain(weighed).chain(corrected).chain(course).chain(named_on_material(&sample.material));
    let names = all.filter_map(|by| by.person.as_deref());
    names.chain(specimens.iter().flat_map(|specimen| named_on(specimen))).collect()
}
