//! A level is entered; with the second one the specimen has its number, and with the last
//! specimen its sample.

use super::mark::{in_time_order, out_of_order};
use super::{Decided, Deciding};
use crate::domain::bench::{Bench, Event, Outcome, Refusal};
use crate::domain::calculation::{self, Counted};
use crate::domain::method::{Edge, Level, Method};
use crate::domain::quality;
use crate::domain::specimen::{Marked, ReadingTaken, judge};
use uuid::Uuid;

impl Bench {
    /// What a level would be recorded as, with the foot in use; whether it is its turn is not asked.
    /// Nothing is changed by asking.
    ///
    /// # Errors
    /// Why it would be refused, for the person who typed it.
    pub fn would_record(
        &self,
        specimen: Uuid,
        of: Level,
        text: &str,
    ) -> Result<calculation::Marked, Refusal> {
        let unknown =
            || Refusal::Unknown { what: "specimen", name: specimen.to_string(), known: String::new() };
        let (method, _) = self.specimens.get(&specimen).and_then(|s| self.rule(s)).ok_or_else(unknown)?;
        self.level_of(of, text, method)
    }

    fn level_of(&self, of: Level, text: &str, method: &Method) -> Result<calculation::Marked, Refusal> {
        // Where the method knows no foot, the name of the settings is what it is told by.
        let foot = method.foot_in_use(&self.settings.foot).map(|foot| foot.name.as_str());
        level_of(of, text, foot.or(Some(&self.settings.foot)), method)
    }
}

impl Deciding<'_> {
    pub(super) fn enter_reading(
        &mut self,
        id: Uuid,
        of: Level,
        text: &str,
        confirmed: bool,
        marked: Marked,
    ) -> Decided {
        let (specimen, method, points) = self.specimen(id)?;
        let index = specimen
            .possible(&points)
            .into_iter()
            .find(|i| points.get(*i).is_some_and(|p| p.edge == Edge::Value(of)))
            .ok_or_else(|| {
                out_of_order(self.bench, &specimen, &format!("enter the {} reading", of.word()))
            })?;
        in_time_order(&specimen, specimen.last_moment(), &marked.moment)?;
        let foot = method.foot_in_use(&self.bench.settings.foot).filter(|_| of == Level::Sand);
        let foot = foot.map(|foot| foot.name.clone());
        let level = self.bench.level_of(of, text, &method)?;
        if let (Level::Sand, Some(clay)) = (of, &specimen.clay) {
            ask_if_swapped(&level, &clay.level, confirmed, &method)?;
        }
        let reading =
            ReadingTaken { text: text.trim().to_owned(), level, foot, moment: marked.moment, by: marked.by };
        let note =
            format!("{}: {} reading {} {}", specimen.label, of.word(), level.recorded, method.readings.unit);
        self.emit(Event::ReadingEntered { specimen: id, point: index, of, reading });
        match self.complete_if_ready(id)? {
            Some(result) => Ok(Outcome::made(format!("{note}; {result}"), id)),
            None => Ok(Outcome::done(note)),
        }
    }

    fn complete_if_ready(&mut self, id: Uuid) -> Result<Option<String>, Refusal> {
        let (specimen, method, points) = self.specimen(id)?;
        let Some(levels) = specimen.levels() else { return Ok(None) };
        let number = calculation::from_levels(levels, &method.calculation)
            .map_err(|e| Refusal::Level { why: e.to_string() })?;
        let sample = self.bench.samples.get(&specimen.sample);
        let deviations = judge::deviations(&specimen, &method, &points).len()
            + sample.map_or(0, |s| s.deviations_of(&method, &specimen).len());
        let record = self.fresh();
        self.emit(Event::SpecimenCompleted {
            specimen: id,
            record,
            calculation: number,
            deviations: u32::try_from(deviations).unwrap_or(u32::MAX),
        });
        self.complete_sample(specimen.sample);
        let stands = self.standing_text(specimen.sample, id) + &self.chart_text(specimen.sample);
        Ok(Some(format!("{} {}{stands}", specimen.quantity(&method), number.reported.normalize())))
    }

    pub(super) fn complete_sample(&mut self, id: Uuid) {
        self.review_further(id);
        let Some(sample) = self.bench.find_sample(id) else { return };
        if !quality::is_ready(sample) || sample.reported.is_some() || self.call_for_further(id) {
            return;
        }
        let Some(sample) = self.bench.find_sample(id) else { return };
        // A result that was void is replaced by the next version of it.
        let again = sample.result.is_some();
        if let Some(average) = self.average_of(id) {
            let document = self.fresh();
            self.emit(if again {
                Event::ResultAmended { sample: id, document, average: Some(average) }
            } else {
                Event::SampleCompleted { sample: id, document, average }
            });
        }
    }

    /// The average of a sample's specimens that count.
    pub(super) fn average_of(&self, id: Uuid) -> Option<calculation::Average> {
        let sample = self.bench.find_sample(id)?;
        let rule = self.bench.methods.get(&sample.method)?.calculation.average.value?;
        let counted: Vec<Counted> =
            quality::counting(sample).counts.into_iter().map(|c| Counted::from(&c.calculation)).collect();
        calculation::average(&counted, rule)
    }
}

/// From the digits as they were read to the mark that counts.
pub(super) fn level_of(
    of: Level,
    text: &str,
    foot: Option<&str>,
    method: &Method,
) -> Result<calculation::Marked, Refusal> {
    let refuse = |why: String| Refusal::Level { why };
    let value = calculation::level_from_text(text.as_bytes())
        .map_err(|e| refuse(format!("the {} reading {text:?} {e}", of.word())))?;
    match of {
        Level::Clay => calculation::clay(value, &method.readings),
        Level::Sediment => calculation::sediment(value, &method.readings),
        Level::Sand => {
            let name = foot.unwrap_or_default();
            let foot =
                method.foot_in_use(name).ok_or_else(|| refuse(format!("the method has no foot `{name}`")))?;
            calculation::sand(value, foot, &method.readings)
        }
    }
    .map_err(|e| refuse(e.to_string()))
}

/// Unusual, but it happens: asked about once.
pub(super) fn ask_if_swapped(
    sand: &calculation::Marked,
    clay: &calculation::Marked,
    confirmed: bool,
    method: &Method,
) -> Result<(), Refusal> {
    if sand.reading <= clay.reading || confirmed {
        return Ok(());
    }
    Err(Refusal::Confirm {
        question: format!(
            "the sand reading {} is higher than the clay reading {} {}: were the two swapped, or is \
             the foot not at rest? Enter it again to confirm; it is then accepted as a deviation",
            sand.reading, clay.reading, method.readings.unit
        ),
    })
}
