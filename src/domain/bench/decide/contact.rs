//! What a switch's line did not show, and the state in which a contact is found: compared with what
//! the bench thinks, and never turned into a mark.

use super::Deciding;
use crate::domain::alarm::Name;
use crate::domain::bench::{Bench, Does, Event, Outcome, TriggerSettings};
use crate::domain::method::Edge;
use crate::domain::moment::Moment;
use crate::domain::specimen::contact::{Happened, Unseen};
use crate::domain::specimen::{By, Marked, Specimen};
use std::collections::BTreeSet;
use uuid::Uuid;

impl Bench {
    /// Specimens that a switch may have acted on between two instants: what stands at its place, what
    /// the shaker holds or would take, or what was due for a shared one.
    fn may_touch(&self, trigger: &TriggerSettings, since: Option<&Moment>, until: &Moment) -> Vec<Uuid> {
        let at_work = |s: &&Specimen| !s.is_over();
        let mut found = BTreeSet::new();
        match (trigger.does, trigger.place) {
            (Does::Next, Some(place)) => {
                found.extend(self.at_place(place).filter(at_work).map(|s| s.id));
            }
            (Does::Next, None) => {
                let instants = [since, Some(until)].into_iter().flatten();
                found.extend(instants.flat_map(|at| self.due(at)).map(|(id, _)| id));
            }
            (Does::ShakerContact | Does::ShakerPress, _) => {
                let first = since.unwrap_or(until);
                for specimen in self.specimens.values().map(|s| &**s).filter(at_work) {
                    if self.was_shaken(specimen, first, until) {
                        found.insert(specimen.id);
                    }
                }
                found.extend(self.shaker_may_take(until));
            }
            // A count of cycles marks nothing.
            (Does::ShakerPulse, _) => {}
        }
        found.into_iter().collect()
    }

    /// The contact's run is known: some cylinder is marked as shaking, or its press is kept.
    fn runs_by_contact(&self, name: &str) -> bool {
        !self.in_shaker().is_empty() || self.presses.iter().any(|p| p.trigger == name && p.ended.is_none())
    }
}

impl Deciding<'_> {
    /// Edges were lost in the kernel's queue.
    pub(super) fn edges_lost(&mut self, name: &str, edges: u32, since: Option<Moment>) -> Outcome {
        if self.bench.triggers.get(name).is_some_and(|t| t.does == Does::ShakerPulse) {
            let text = format!("{name}: strokes were not counted; this run has no count");
            return self.unseen(name, &text, since);
        }
        let plural = if edges == 1 { "1 edge was".to_owned() } else { format!("{edges} edges were") };
        self.unseen(name, &format!("{name}: {plural} lost; a press may be missing"), since)
    }

    /// A line is watched from now on, and this is how its contact stands.
    pub(super) fn contact_found(&mut self, name: &str, closed: bool) -> Outcome {
        let word = if closed { "closed" } else { "open" };
        let follows = self.bench.triggers.get(name).is_some_and(|t| t.does == Does::ShakerContact);
        if !follows || closed == self.bench.runs_by_contact(name) {
            return Outcome::done(format!("{name}: the contact is {word}"));
        }
        let text = if closed {
            format!("{name}: the shaker runs, and its begin was not seen: state its time, or stop it")
        } else {
            format!("{name}: the shaker stands, and a run is marked whose end was not seen: state its time")
        };
        self.unseen(name, &text, None)
    }

    /// The relay stopped the shaker. Where a contact follows the machine, the contact tells when it
    /// stood; without one the end of the run is the opening.
    pub(super) fn relay_opened(&mut self, name: &str, why: &str, early: bool) -> Outcome {
        let text = format!("{name}: the relay opened: {why}");
        if early {
            self.raise_momentary(Name::OutputGone, name, &text);
        }
        let inside = self.bench.in_shaker();
        if inside.is_empty() || self.bench.triggers.values().any(|t| t.does == Does::ShakerContact) {
            return Outcome::done(text);
        }
        let marked = Marked { moment: *self.now(), by: By::bench(format!("output {name}")) };
        let ended: Vec<Uuid> =
            inside.into_iter().filter(|id| self.shake_edge(*id, Edge::End, marked.clone()).is_ok()).collect();
        self.marked_together(&ended);
        Outcome::done(text)
    }

    /// Says it, and puts it down to every specimen that it may touch.
    fn unseen(&mut self, name: &str, text: &str, since: Option<Moment>) -> Outcome {
        self.raise_momentary(Name::SwitchGone, name, text);
        let until = *self.now();
        let settings = self.bench.triggers.get(name).cloned();
        let specimens =
            settings.map(|t| self.bench.may_touch(&t, since.as_ref(), &until)).unwrap_or_default();
        if specimens.is_empty() {
            return Outcome::done(text);
        }
        let names = self.bench.names(&specimens);
        let unseen = Unseen { trigger: name.to_owned(), what: text.to_owned(), since, until };
        self.emit(Event::Contact(Happened::EdgesUnseen { specimens, unseen }));
        Outcome::done(format!("{text}; it may touch {names}"))
    }
}
