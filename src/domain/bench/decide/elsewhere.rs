//! A press that was taken back because it was for another cylinder: kept with its own moment, to be
//! given to that one, as a press that named none.

use super::Deciding;
use crate::domain::bench::{Bench, Contact, Does, Event};
use crate::domain::method::{Edge, Method, Point};
use crate::domain::moment::Moment;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::correction::{Corrected, Withdrawn};
use std::sync::Arc;

/// A switch's press as it can be kept again.
#[derive(Debug, Clone)]
pub(super) struct Behind {
    trigger: String,
    does: Does,
    moment: Moment,
    ended: Option<Moment>,
    why: String,
}

impl Bench {
    /// The last mark of a specimen was made by a switch's press that can be given to another one.
    pub fn was_pressed(&self, specimen: &Specimen) -> bool {
        self.rule(specimen).is_some_and(|(_, points)| self.behind(specimen, &points).is_some())
    }

    fn behind(&self, specimen: &Specimen, points: &[Point]) -> Option<Behind> {
        let last = specimen.last_mark()?;
        let marked = last.marked();
        let trigger = marked.by.via.strip_prefix("trigger ")?.to_owned();
        let does = self.triggers.get(&trigger)?.does;
        let of_machine =
            |at: &usize, edge| points.get(*at).is_some_and(|p| p.machine.is_some() && p.edge == edge);
        let begins = match &last {
            Withdrawn::Point { point, .. } => does == Does::Next || of_machine(point, Edge::Begin),
            Withdrawn::RunBegan { .. } => does != Does::Next,
            _ => false,
        };
        // The end of the same run, if it was taken back just before its begin.
        let ended = specimen.corrections.last().and_then(|c| match &c.what {
            Corrected::Withdrawn { what: Withdrawn::RunEnded { mark } } => Some(mark),
            Corrected::Withdrawn { what: Withdrawn::Point { point, mark } }
                if of_machine(point, Edge::End) =>
            {
                Some(mark)
            }
            _ => None,
        });
        let ended = ended.filter(|end| end.by.via == marked.by.via && does != Does::Next);
        begins.then(|| Behind {
            trigger,
            does,
            moment: marked.moment,
            ended: ended.map(|end| end.moment),
            why: format!("taken back from {} (place {})", specimen.label, specimen.place),
        })
    }
}

impl Deciding<'_> {
    pub(super) fn press_behind(&self, of: &(Specimen, Arc<Method>, Arc<[Point]>)) -> Option<Behind> {
        self.bench.behind(&of.0, &of.2)
    }

    pub(super) fn keep_for_another(&mut self, behind: Behind) {
        let press = self.fresh();
        let Behind { trigger, does, moment, ended, why } = behind;
        let contact = if does == Does::ShakerContact { Contact::On } else { Contact::Press };
        self.emit(Event::PressKept { press, trigger, contact, does: Some(does), moment, why });
        if let Some(moment) = ended {
            self.emit(Event::KeptPressEnded { press, moment });
        }
    }
}
