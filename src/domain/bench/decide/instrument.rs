//! What balances, probes and switches say.

use super::Deciding;
use crate::domain::alarm::{Name, key};
use crate::domain::bench::{Event, Outcome, SwitchReport};
use crate::domain::moment::SECOND;
use crate::domain::quantity::{Quantity, Side, Unit};
use crate::domain::reading::{InstrumentKind, InstrumentReport, Wire};
use rust_decimal::Decimal;

/// A temperature of water that no working solution has: the probe is faulty, or not in it.
/// (Common practice, no source: water at the bench is neither ice nor steam.)
const SENSIBLE_CELSIUS: (i64, i64) = (-10, 100);

/// A temperature that no room has in which somebody works (common practice, no source).
const SENSIBLE_ROOM_CELSIUS: (i64, i64) = (-20, 60);

impl Deciding<'_> {
    pub(super) fn instrument(&mut self, report: &InstrumentReport) -> Outcome {
        match report {
            InstrumentReport::Mass { mass, wire } => self.weighing(mass, wire),
            InstrumentReport::NotStable { mass, wire } => self.not_stable(mass, wire),
            InstrumentReport::Released { instrument } => {
                self.clear_wire(instrument);
                self.release(instrument);
                Outcome::done(format!("{instrument}: the load that did not settle is gone"))
            }
            InstrumentReport::Temperature { temperature, wire } => self.temperature(temperature, wire),
            InstrumentReport::Uncorrected { reading, wire, why } => {
                let text = format!("{}: {reading} does not count: {why}", wire.instrument);
                self.raise(Name::OutsideCertificate, &wire.instrument, &text);
                Outcome::done(text)
            }
            InstrumentReport::Identified { instrument, port, identity } => {
                self.identified(instrument, port, identity)
            }
            InstrumentReport::Errors { instrument, errors, after_nonsense, .. } => {
                self.errors(instrument, errors, *after_nonsense)
            }
            InstrumentReport::Nonsense { wire, why, lines } => {
                let text = format!("{}: {lines} lines, the last {:?}: {why}", wire.instrument, wire.raw);
                self.raise(self.nonsense_of(&wire.instrument), &wire.instrument, &text);
                Outcome::done(text)
            }
            InstrumentReport::NoAnswer { instrument, port, requests } => {
                let text = format!("{instrument} at {port}: {requests} requests without an answer");
                self.raise(Name::NoAnswer, instrument, &text);
                Outcome::done(text)
            }
            InstrumentReport::Readable { instrument } => {
                self.clear_wire(instrument);
                Outcome::done(format!("{instrument} can be read again"))
            }
            InstrumentReport::Gone { instrument, port, why } => {
                // Another reason asks for another act: the alarm of the first one is over.
                let was = self.bench.ports.get(instrument).cloned().flatten();
                if was.is_some_and(|was| was != *why) {
                    self.clear(Name::InstrumentGone, instrument);
                }
                self.emit(Event::InstrumentChanged {
                    instrument: instrument.clone(),
                    port: port.clone(),
                    fault: Some(why.clone()),
                });
                self.release(instrument);
                let text = format!("{port}: {why}");
                self.raise(Name::InstrumentGone, instrument, &text);
                Outcome::done(text)
            }
            InstrumentReport::Open { instrument, port } => {
                self.emit(Event::InstrumentChanged {
                    instrument: instrument.clone(),
                    port: port.clone(),
                    fault: None,
                });
                self.clear(Name::InstrumentGone, instrument);
                Outcome::done(format!("{instrument}: {port} is open"))
            }
        }
    }

    fn temperature(&mut self, temperature: &Quantity, wire: &Wire) -> Outcome {
        let room = self.bench.instruments.get(&wire.instrument) == Some(&InstrumentKind::RoomProbe);
        let (low, high) = if room { SENSIBLE_ROOM_CELSIUS } else { SENSIBLE_CELSIUS };
        let limit = |v: i64| Quantity::new(Decimal::from(v), Unit::Celsius);
        let sensible = temperature.compare(&limit(low)).is_some_and(std::cmp::Ordering::is_ge)
            && temperature.compare(&limit(high)).is_some_and(std::cmp::Ordering::is_le);
        if !sensible {
            let of = if room { "room" } else { "solution" };
            let text = format!("{}: {temperature} is no temperature of a {of}", wire.instrument);
            self.raise(Name::ProbeNonsense, &wire.instrument, &text);
            return Outcome::done(text);
        }
        if room {
            return self.room_temperature(temperature, wire);
        }
        let side = self.bench.limits_in_force().and_then(|limits| limits.side(temperature));
        let moment = *self.now();
        if self.is_worth_keeping(temperature, side) {
            self.emit(Event::TemperatureRead { temperature: *temperature, wire: wire.clone(), moment, side });
        }
        self.clear(Name::ProbeSilent, "");
        self.clear_wire(&wire.instrument);
        Outcome::done("")
    }

    fn room_temperature(&mut self, temperature: &Quantity, wire: &Wire) -> Outcome {
        let moment = *self.now();
        if self.bench.is_room_worth_keeping(temperature, &moment) {
            self.emit(Event::RoomTemperatureRead { temperature: *temperature, wire: wire.clone(), moment });
        }
        self.clear(Name::RoomProbeSilent, "");
        self.clear_wire(&wire.instrument);
        Outcome::done("")
    }

    /// Who answers is kept; another one than before is said.
    fn identified(&mut self, instrument: &str, port: &str, identity: &str) -> Outcome {
        let before = self.bench.said_of_itself.get(instrument).and_then(|said| said.identity.clone());
        if before.as_deref() == Some(identity) {
            return Outcome::done(format!("{instrument} is `{identity}` as before"));
        }
        let text = match &before {
            Some(before) => format!("{instrument} at {port} is `{identity}`; it was `{before}`"),
            None => format!("{instrument} at {port} is `{identity}`"),
        };
        let exchanged = before.is_some();
        self.emit(Event::InstrumentIdentified {
            instrument: instrument.to_owned(),
            port: port.to_owned(),
            identity: identity.to_owned(),
            before,
        });
        if exchanged {
            self.raise_momentary(Name::InstrumentExchanged, instrument, &text);
        }
        Outcome::done(text)
    }

    /// What stood in the queue at the opening may be old: it is kept and shown, and no alarm.
    fn errors(&mut self, instrument: &str, errors: &[String], after_nonsense: bool) -> Outcome {
        let text = format!("{instrument}: its error queue held {}", errors.join("; "));
        self.emit(Event::InstrumentErrors { instrument: instrument.to_owned(), errors: errors.to_vec() });
        if after_nonsense {
            self.raise_momentary(Name::InstrumentError, instrument, &text);
        }
        Outcome::done(text)
    }

    /// At full rate while a specimen is watched; else one in a while, the first after a start of the
    /// machine, each change of side, and what begins or breaks a delay of the temperature alarms.
    fn is_worth_keeping(&self, temperature: &Quantity, side: Option<Side>) -> bool {
        let Some((held, _)) = &self.bench.probe.last else { return true };
        self.bench.is_watching()
            || held.moment.boot != self.now().boot
            || self.bench.probe.side.map(|(s, _)| s) != side
            || self.bench.probe.stands_in.is_some()
                && self.bench.watches_after(temperature, *self.now()) != self.bench.probe.watches
            || self.now().since(&held.moment).ns >= i64::from(self.bench.settings.temperature_idle_s) * SECOND
    }

    /// An instrument's line can be read.
    pub(super) fn clear_wire(&mut self, instrument: &str) {
        let names = [Name::BalanceNonsense, Name::ProbeNonsense, Name::NoAnswer, Name::OutsideCertificate];
        for name in names {
            self.clear(name, instrument);
        }
    }

    pub(super) fn clear_temperature_alarms(&mut self) {
        self.clear(Name::TemperatureLow, "");
        self.clear(Name::TemperatureHigh, "");
    }

    fn nonsense_of(&self, instrument: &str) -> Name {
        match self.bench.instruments.get(instrument) {
            Some(InstrumentKind::SolutionProbe | InstrumentKind::RoomProbe) => Name::ProbeNonsense,
            _ => Name::BalanceNonsense,
        }
    }

    pub(super) fn switch(&mut self, report: &SwitchReport) -> Outcome {
        match report {
            SwitchReport::Gone { name, why } => {
                let text = format!("{name}: {why}");
                self.raise(Name::SwitchGone, name, &text);
                Outcome::done(text)
            }
            SwitchReport::Counted { name, pulses, first, last } => self.cycles(name, *pulses, *first, *last),
            SwitchReport::Lost { name, edges, since } => self.edges_lost(name, *edges, *since),
            SwitchReport::OutputGone { name, why } => {
                let text = format!("{name}: {why}");
                self.raise(Name::OutputGone, name, &text);
                Outcome::done(text)
            }
            SwitchReport::OutputOpen { name } => {
                self.clear(Name::OutputGone, name);
                Outcome::done(format!("{name} can be used"))
            }
            SwitchReport::RelayOpened { name, why, early } => self.relay_opened(name, why, *early),
            SwitchReport::Found { name, closed } => self.contact_found(name, *closed),
            SwitchReport::Open { name } => {
                self.clear(Name::SwitchGone, name);
                Outcome::done(format!("{name} can be used"))
            }
        }
    }

    /// Raises an alarm unless its condition is known already.
    pub(super) fn raise(&mut self, name: Name, about: &str, text: &str) {
        let known = self.bench.alarms.get(&key(name, about)).is_some_and(|a| a.cleared.is_none());
        if !known {
            let occurrence = self.fresh();
            self.emit(Event::AlarmRaised {
                name,
                about: about.to_owned(),
                occurrence,
                text: text.to_owned(),
            });
        }
    }

    /// Raises an alarm whose condition is over as soon as it is seen: it stands until a person has
    /// seen it. One that is over already is another occurrence, whether it was seen or not: it may say
    /// something else, and what it asks for must be shown.
    pub(super) fn raise_momentary(&mut self, name: Name, about: &str, text: &str) {
        let stands = self.bench.alarms.get(&key(name, about)).is_some_and(|a| a.cleared.is_none());
        if !stands {
            self.raise(name, about, text);
            self.clear(name, about);
        }
    }

    /// Clears an alarm whose condition has gone.
    pub(super) fn clear(&mut self, name: Name, about: &str) {
        let occurrence =
            self.bench.alarms.get(&key(name, about)).filter(|a| a.cleared.is_none()).map(|a| a.occurrence);
        if let Some(occurrence) = occurrence {
            self.emit(Event::AlarmCleared { occurrence });
        }
    }
}
