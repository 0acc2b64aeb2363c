//! The fold of what instruments say of themselves, and of loads that do not settle.

use super::{Bench, Event, Unsettled};

impl Bench {
    pub(super) fn apply_instrument(&mut self, event: &Event) {
        match event {
            Event::InstrumentChanged { instrument, fault, .. } => {
                self.ports.insert(instrument.clone(), fault.clone());
            }
            Event::InstrumentIdentified { instrument, identity, .. } => {
                self.said_of_itself.entry(instrument.clone()).or_default().identity = Some(identity.clone());
            }
            Event::InstrumentErrors { instrument, errors } => {
                self.said_of_itself.entry(instrument.clone()).or_default().errors.clone_from(errors);
            }
            Event::MassNotSettled { mass, wire, moment } => {
                let unsettled = Unsettled { mass: *mass, wire: wire.clone(), moment: *moment };
                self.unsettled.insert(wire.instrument.clone(), unsettled);
            }
            Event::MassReleased { instrument } => {
                self.release_load(instrument);
            }
            _ => {}
        }
    }

    /// Looked for first: a change of the list copies it.
    pub(super) fn release_load(&mut self, instrument: &str) {
        if self.unsettled.contains_key(instrument) {
            self.unsettled.remove(instrument);
        }
    }
}
