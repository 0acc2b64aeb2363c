//! The daemon starts: settings and methods become facts of the journal.

use super::Deciding;
use crate::domain::alarm::{Alarm, Name};
use crate::domain::bench::{Event, Outcome, Started};
use crate::domain::reading::InstrumentKind;

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
            network: started.network.clone(),
            methods: started.methods.iter().map(|m| (m.id.clone(), m.digest.clone())).collect(),
            calendar: started.calendar.clone(),
        });
        if let Some(key) =
            started.signing_key.as_ref().filter(|key| self.bench.signing_keys.last() != Some(*key))
        {
            self.emit(Event::SigningKeyNamed(key.clone()));
        }
        self.adopt_kinds(&started.equipment);
        self.adopt_recipes(&started.recipes);
        self.forget_unwatched(started);
        Outcome::done("started")
    }

    /// Clears alarms whose condition nobody watches any more: else they would stand for ever.
    fn forget_unwatched(&mut self, started: &Started) {
        let unwatched = |alarm: &&Alarm| match alarm.name {
            // A new connection says anew what is wrong with it, and only that.
            Name::NetworkAway
            | Name::NetworkDenied
            | Name::NetworkNoSubscriber
            | Name::NetworkTakenOver
            | Name::NetworkInboundDenied
            | Name::NetworkUnsuitable
            | Name::JournalUnreadable
            // The disk is looked at anew.
            | Name::NotKept
            | Name::DiskLow
            | Name::DiskSlow
            // Each line of an output says anew whether it can be used.
            | Name::OutputGone
            // What stood on the pan before the start is not known any more.
            | Name::MassNotStable => true,
            Name::ConsumerBehind => !started.network.consumers.contains_key(&alarm.about),
            Name::BalanceNonsense
            | Name::ProbeNonsense
            | Name::NoAnswer
            | Name::OutsideCertificate
            | Name::InstrumentGone
            | Name::InstrumentExchanged
            | Name::InstrumentError => !started.instruments.contains_key(&alarm.about),
            Name::RoomProbeSilent => {
                !started.instruments.values().any(|kind| *kind == InstrumentKind::RoomProbe)
            }
            Name::SwitchGone | Name::TriggerRefused => !started.triggers.contains_key(&alarm.about),
            Name::TemperatureLow | Name::TemperatureHigh | Name::ProbeSilent => {
                !started.instruments.values().any(|kind| *kind == InstrumentKind::SolutionProbe)
            }
        };
        let occurrences: Vec<_> = self
            .bench
            .alarms
            .values()
            .filter(|alarm| alarm.cleared.is_none())
            .filter(unwatched)
            .map(|alarm| alarm.occurrence)
            .collect();
        for occurrence in occurrences {
            self.emit(Event::AlarmCleared { occurrence });
        }
    }
}
