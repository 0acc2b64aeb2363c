//! A level is entered; with the second one the specimen has its number, and with the last
//! specimen its sample.

use super::mark::{in_time_order, out_of_order};
use super::{Decided, Deciding};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::calculation::{self, Counted};
use crate::domain::method::{Edge, Level};
use crate::domain::specimen::{Marked, ReadingTaken, judge, late};
use uuid::Uuid;

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
        let refuse = |why: String| Refusal::Level { why };
        let value = calculation::level_from_text(text.as_bytes())
            .map_err(|e| refuse(format!("the {} reading {text:?} {e}", of.word())))?;
        let foot = match of {
            Level::Clay | Level::Sediment => None,
            Level::Sand => {
                let name = &self.bench.settings.foot;
                Some(
                    method
                        .foot_in_use(name)
                        .ok_or_else(|| refuse(format!("the method has no foot `{name}`")))?,
                )
            }
        };
        let level = match foot {
            None if of == Level::Sediment => calculation::sediment(value, &method.readings),
            None => calculation::clay(value, &method.readings),
            Some(foot) => calculation::sand(value, foot, &method.readings),
        }
        .map_err(|e| refuse(e.to_string()))?;
        if let (Level::Sand, Some(clay)) = (of, &specimen.clay)
            && level.reading > clay.level.reading
            && !confirmed
        {
            return Err(Refusal::Confirm {
                question: format!(
                    "the sand reading {} is higher than the clay reading {} {}: were the two swapped, or is \
                     the foot not at rest? Enter it again to confirm; it is then accepted as a deviation",
                    level.reading, clay.level.reading, method.readings.unit
                ),
            });
        }
        let reading = ReadingTaken {
            text: text.trim().to_owned(),
            level,
            foot: foot.map(|f| f.name.clone()),
            moment: marked.moment,
            by: marked.by,
        };
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
        let filled = specimen.points.iter().flatten().next();
        let sample = self.bench.samples.get(&specimen.sample);
        let deviations = judge::deviations(&specimen, &method, &points).len()
            + sample.map_or(0, |s| s.deviations(&method, filled).len());
        let record = self.fresh();
        self.emit(Event::SpecimenCompleted {
            specimen: id,
            record,
            calculation: number,
            deviations: u32::try_from(deviations).unwrap_or(u32::MAX),
        });
        self.complete_sample(specimen.sample);
        Ok(Some(format!("{} {}", specimen.quantity(&method), number.reported.normalize())))
    }

    pub(super) fn complete_sample(&mut self, id: Uuid) {
        let Some(sample) = self.bench.samples.get(&id) else { return };
        if !late::is_ready(sample) || sample.reported.is_some() {
            return;
        }
        let rule = self.bench.methods.get(&sample.method).and_then(|m| m.calculation.average.value);
        let counted: Vec<Counted> =
            late::counting(sample).counts.into_iter().map(|c| Counted::from(&c.calculation)).collect();
        if let Some(average) = rule.and_then(|rule| calculation::average(&counted, rule)) {
            let document = self.fresh();
            self.emit(Event::SampleCompleted { sample: id, document, average });
        }
    }
}
