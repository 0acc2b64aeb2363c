//! A wrong place number is corrected freely; a cylinder that was carried is another matter.

use super::note::named;
use super::{Decided, Deciding};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::moment::Stamp;
use crate::domain::specimen::{Marked, Specimen, note};
use uuid::Uuid;

impl Deciding<'_> {
    /// The cylinder always stood at `place`. Two whose numbers were taken for one another change
    /// them in one act.
    pub(super) fn correct_place(&mut self, id: Uuid, place: u32, swap: bool, marked: Marked) -> Decided {
        let (specimen, _, _) = self.specimen(id)?;
        let from = self.another_place(&specimen, place)?;
        let other = self.bench.at_place(place).map(|other| (other.id, other.label.clone()));
        if let (Some((_, label)), false) = (&other, swap) {
            let why = format!(
                "holds {label}: if the two were taken for one another, correct them in one act (`swap`); else \
                 correct {label} first"
            );
            return Err(Refusal::Place { place, why });
        }
        if let Some((other, _)) = other.clone() {
            let marked = marked.clone();
            self.emit(Event::PlaceCorrected { specimen: other, from: place, to: from, marked });
        }
        self.emit(Event::PlaceCorrected { specimen: id, from, to: place, marked });
        let swapped = other.map_or_else(String::new, |(_, label)| format!(", and {label} at place {from}"));
        Ok(Outcome::done(format!("{} always stood at place {place}{swapped}", specimen.label)))
    }

    /// The cylinder was carried to `place`: while it should stand undisturbed that is a deviation.
    pub(super) fn move_cylinder(&mut self, id: Uuid, place: u32, marked: Marked) -> Decided {
        let (specimen, method, points) = self.specimen(id)?;
        named(&marked, "moving a cylinder names a person")?;
        let from = self.another_place(&specimen, place)?;
        if let Some(other) = self.bench.at_place(place) {
            let why = format!("holds {}: no two cylinders stand at one place", other.label);
            return Err(Refusal::Place { place, why });
        }
        let since = specimen.places.iter().rev().find(|change| change.moved).map(|change| &change.marked);
        let before = since.unwrap_or(&specimen.registered).moment;
        if marked.moment.stamp == Stamp::Entered && marked.moment.since(&before).ns < 0 {
            let why = format!("lies before {} came to place {from}", specimen.label);
            return Err(Refusal::StatedTime { why });
        }
        let during = note::undisturbed_at(&specimen, &method, &points, &marked.moment);
        let step = during.and_then(|step| method.steps.get(step)).map(|step| step.name.as_str());
        let said = step.map_or_else(String::new, |step| format!(", during {step}"));
        self.emit(Event::CylinderMoved { specimen: id, from, to: place, marked });
        Ok(Outcome::done(format!("{} moved from place {from} to place {place}{said}", specimen.label)))
    }

    /// The place where a specimen stands, if `place` is another one of the bench.
    fn another_place(&self, specimen: &Specimen, place: u32) -> Result<u32, Refusal> {
        self.place_exists(place)?;
        if specimen.place == place {
            let what = format!("{} stands at place {place} already", specimen.label);
            return Err(Refusal::Already { what });
        }
        Ok(specimen.place)
    }

    pub(super) fn place_exists(&self, place: u32) -> Result<(), Refusal> {
        if (1..=self.bench.settings.places).contains(&place) {
            return Ok(());
        }
        let why = format!("does not exist: the bench has places 1 to {}", self.bench.settings.places);
        Err(Refusal::Place { place, why })
    }
}
