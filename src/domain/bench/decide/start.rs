//! The daemon starts: settings and methods become facts of the journal.

use super::Deciding;
use crate::domain::bench::{Event, Outcome, Started};

impl Deciding<'_> {
    pub(super) fn start(&mut self, started: &Started) -> Outcome {
        for method in &started.methods {
            if !self.bench.methods.contains_key(&method.digest) {
                self.emit(Event::MethodAdopted { method: method.clone() });
            }
        }
        self.emit(Event::StationStarted {
            station: started.station.clone(),
            title: started.title.clone(),
            version: started.version.clone(),
            rehearsal: started.rehearsal,
            bench: started.bench.clone(),
            triggers: started.triggers.clone(),
            instruments: started.instruments.clone(),
            methods: started.methods.iter().map(|m| (m.id.clone(), m.digest.clone())).collect(),
        });
        Outcome::done("started")
    }
}
