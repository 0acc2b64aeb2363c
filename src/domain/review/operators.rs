//! Who worked on a specimen, and how their qualification stood then: copied onto the specimen, so
//! that a record months later says the same.

use super::AskQualification;
use super::people::People;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::specimen::judge::{Code, Deviation};
use crate::domain::specimen::sample::Sample;
use crate::domain::specimen::{By, Marked, Specimen};
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

/// The names on a specimen: whoever marked, read, weighed, counted, noted or corrected something.
pub fn named_on(specimen: &Specimen) -> BTreeSet<&str> {
    let marked = specimen.points.iter().flatten().chain(&specimen.no_line);
    let runs = specimen.further_runs.iter().flat_map(|run| [Some(&run.begin), run.end.as_ref()]).flatten();
    let readings = [&specimen.clay, &specimen.sand, &specimen.sediment].into_iter().flatten();
    let weighed = specimen.mass.iter().chain(&specimen.corrective);
    let weighed = weighed.flat_map(|mass| [&mass.placed, &mass.confirmed]).flatten();
    let said = specimen.corrections.iter().flat_map(|correction| {
        [Some(&correction.marked), correction.reason.as_ref().map(|reason| &reason.marked)]
    });
    let noted = specimen.notes.iter().map(|note| &note.marked);
    let interrupted = specimen.interruption.iter().map(|said| &said.marked);
    let history = specimen.history.iter().filter(|noted| !noted.what.is_review()).map(|noted| &noted.marked);
    let all = marked.chain(runs).chain(weighed).chain(said.flatten()).chain(noted).chain(interrupted);
    let all = all.chain(history).chain([&specimen.registered]).map(|marked| &marked.by);
    all.chain(readings.map(|reading| &reading.by)).filter_map(|by| by.person.as_deref()).collect()
}

/// The names on a sample's preparation and on its specimens. Taking a bag in is not the test.
pub fn worked_on<'a>(sample: &'a Sample, specimens: &[&'a Specimen]) -> BTreeSet<&'a str> {
    let prepared = sample.preparation.iter().map(|(_, marked)| marked);
    let weighed = sample.masses.values().flat_map(|mass| [&mass.placed, &mass.confirmed]).flatten();
    let corrected = sample.intake.corrections.iter().map(|correction| &correction.marked);
    let names = prepared.chain(weighed).chain(corrected).filter_map(|m| m.by.person.as_deref());
    names.chain(specimens.iter().flat_map(|specimen| named_on(specimen))).collect()
}
