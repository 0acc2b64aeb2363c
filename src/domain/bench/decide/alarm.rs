//! What a person does with an alarm. Each names the person: nothing is put aside by nobody.

use super::{Decided, Deciding, unknown};
use crate::domain::bench::{Event, Outcome, Refusal};
use crate::domain::specimen::By;
use uuid::Uuid;

/// Longest time for which an alarm may be shelved, minutes: a shift of eight hours (this project's
/// own judgement; whoever comes next must see it again).
const SHELVED_MOST_MIN: u16 = 480;

/// Longest reason, in characters: a sentence.
const REASON_MAX: usize = 200;

impl Deciding<'_> {
    pub(super) fn acknowledge(&mut self, occurrence: Uuid, by: By) -> Decided {
        let alarms = || self.bench.alarms.values();
        if let Some(newer) = alarms().find(|a| a.replaced.contains(&occurrence)) {
            let what = format!(
                "this occurrence of {} has been replaced by a newer one: look at that one and acknowledge it",
                newer.key()
            );
            return Err(Refusal::Already { what });
        }
        let alarm = alarms()
            .find(|a| a.occurrence == occurrence)
            .ok_or_else(|| unknown("alarm", occurrence, self.bench.alarms.keys().cloned()))?;
        named(&by, "an acknowledgement names a person")?;
        if alarm.acknowledged.is_some() {
            return Err(Refusal::Already { what: format!("{} is acknowledged already", alarm.key()) });
        }
        let note = format!("{} acknowledged", alarm.key());
        self.emit(Event::AlarmAcknowledged { occurrence, by });
        Ok(Outcome::done(note))
    }

    pub(super) fn shelve(&mut self, key: &str, minutes: u16, reason: &str, by: By) -> Decided {
        self.known_alarm(key)?;
        named(&by, "shelving an alarm names a person")?;
        let reason = reasoned(reason)?;
        if !(1..=SHELVED_MOST_MIN).contains(&minutes) {
            return Err(Refusal::Field { field: "minutes", why: format!("give 1 to {SHELVED_MOST_MIN}") });
        }
        if self.bench.shelved.contains_key(key) {
            return Err(Refusal::Already { what: format!("{key} is shelved already") });
        }
        self.emit(Event::AlarmShelved { alarm: key.to_owned(), minutes, reason, by });
        Ok(Outcome::done(format!("{key} is shelved for {minutes} min")))
    }

    pub(super) fn unshelve(&mut self, key: &str, by: By) -> Decided {
        named(&by, "ending a shelving names a person")?;
        if !self.bench.shelved.contains_key(key) {
            return Err(unknown("shelved alarm", key, self.bench.shelved.keys().cloned()));
        }
        self.emit(Event::AlarmUnshelved { alarm: key.to_owned(), by });
        Ok(Outcome::done(format!("{key} is no longer shelved")))
    }

    pub(super) fn out_of_service(&mut self, key: &str, reason: &str, by: By) -> Decided {
        self.known_alarm(key)?;
        named(&by, "taking an alarm out of service names a person")?;
        let reason = reasoned(reason)?;
        if self.bench.out_of_service.contains_key(key) {
            return Err(Refusal::Already { what: format!("{key} is out of service already") });
        }
        self.emit(Event::AlarmTakenOutOfService { alarm: key.to_owned(), reason, by });
        Ok(Outcome::done(format!("{key} is out of service until somebody puts it back")))
    }

    pub(super) fn in_service(&mut self, key: &str, by: By) -> Decided {
        named(&by, "putting an alarm back into service names a person")?;
        if !self.bench.out_of_service.contains_key(key) {
            return Err(unknown("alarm out of service", key, self.bench.out_of_service.keys().cloned()));
        }
        self.emit(Event::AlarmPutInService { alarm: key.to_owned(), by });
        Ok(Outcome::done(format!("{key} is in service again")))
    }

    fn known_alarm(&self, key: &str) -> Result<(), Refusal> {
        let known = self.bench.alarm_keys();
        if known.contains(key) { Ok(()) } else { Err(unknown("alarm", key, known)) }
    }
}

fn named(by: &By, why: &str) -> Result<(), Refusal> {
    if by.person.is_some() {
        return Ok(());
    }
    Err(Refusal::Field { field: "who", why: why.to_owned() })
}

fn reasoned(reason: &str) -> Result<String, Refusal> {
    let reason = reason.trim();
    if reason.is_empty() || reason.chars().count() > REASON_MAX || reason.chars().any(char::is_control) {
        let why = format!("give 1 to {REASON_MAX} characters");
        return Err(Refusal::Field { field: "reason", why });
    }
    Ok(reason.to_owned())
}
