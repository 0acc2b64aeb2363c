//! Events of those parts of the trade that keep a list of their own events, and of the probes.

use super::{Bench, Event};
use crate::domain::moment::Moment;
use crate::domain::specimen::contact;
use crate::domain::specimen::history::Happened;

impl Bench {
    pub(super) fn apply_part(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::Intake(happened) => self.apply_intake(happened),
            Event::Measured(happened) => self.apply_measured(happened),
            Event::Contact(contact::Happened::EdgesUnseen { specimens, unseen }) => {
                for id in specimens {
                    self.on_specimen(*id, |s| {
                        s.note(Happened::EdgesUnseen, &unseen.marked());
                        s.unseen.push(unseen.clone());
                    });
                }
            }
            Event::Equipment(happened) => self.apply_equipment(happened),
            Event::Solution(happened) => self.apply_solution(happened, at),
            Event::Preparation(happened) => self.apply_preparation(happened, at),
            Event::Quality(happened) => self.apply_quality(happened, at),
            Event::Review(happened) => self.apply_review(happened),
            Event::Keeping(happened) => self.keeping.apply(happened),
            // `apply` hands over what it has no arm for: a kind without one here either is a slip.
            _ => debug_assert!(false, "nothing applies {}", event.kind()),
        }
    }

    pub(super) fn apply_temperature(&mut self, event: &Event) {
        match event {
            Event::TemperatureRead { temperature, wire, moment, side } => {
                self.read_temperature(temperature, wire, moment, *side);
            }
            Event::TemperaturesCounted { .. } => self.probe.block = None,
            Event::ProbeTakenOut { marked } => self.move_probe(None, marked),
            Event::ProbePutIn { stands_in, marked } => self.move_probe(Some(*stands_in), marked),
            Event::RoomTemperatureRead { temperature, wire, moment } => {
                self.read_room(temperature, wire, moment);
            }
            _ => {}
        }
    }
}
