//! Alarms of the bench: the watch over the temperature's limits, what is suppressed, what is due.

use super::{Bench, Event, OTHER_SOURCES};
use crate::domain::alarm::{
    Against, Alarm, LimitWatch, Name, OnDelay, OutOfService, Shelving, State, TABLE, definition, key,
};
use crate::domain::moment::{Moment, SECOND};
use crate::domain::quantity::{Quantity, Side};
use crate::domain::reading::InstrumentKind;
use rust_decimal::Decimal;
use std::collections::BTreeSet;
use uuid::Uuid;

/// Replaced occurrences that are remembered, so that who acknowledges one is told.
const KEPT_REPLACED: usize = 8;

/// What the alarm is about when a trigger is refused whose name the settings do not know.
pub(super) const UNKNOWN_TRIGGER: &str = "unknown";

/// The two alarms of the limits, with the side that each watches.
pub(super) const LIMITS: [(Name, Side); 2] =
    [(Name::TemperatureLow, Side::Below), (Name::TemperatureHigh, Side::Above)];

impl Bench {
    /// On-delay of an alarm, seconds.
    pub fn on_delay_s(&self, name: Name) -> u32 {
        match definition(name).on_delay {
            OnDelay::None => 0,
            OnDelay::TemperatureAlarm => self.settings.temperature_alarm_s,
            OnDelay::TemperatureStale => self.settings.temperature_stale_s,
            OnDelay::RoomStale => self.settings.room_stale_s,
        }
    }

    /// Why an alarm is suppressed by design now, if it is: by what the station knows, never by a
    /// person. Only the alarms of the temperature's limits are.
    pub fn suppressed(&self, name: Name) -> Option<&'static str> {
        if !matches!(name, Name::TemperatureLow | Name::TemperatureHigh) {
            return None;
        }
        if self.is_probe_dead() {
            return Some("the probe gives no temperature: its own alarm stands for this one");
        }
        if !self.is_watching() && self.specimens.values().all(|s| s.is_over()) {
            return Some("no specimen at the bench needs the solution");
        }
        None
    }

    /// The probe is silent, or says what cannot be read, or cannot be reached.
    fn is_probe_dead(&self) -> bool {
        let mut active = self.alarms.values().filter(|a| a.cleared.is_none());
        active.any(|alarm| self.says_probe_dead(alarm.name, &alarm.about))
    }

    /// The alarm means that the probe gives no temperature.
    pub(super) fn says_probe_dead(&self, name: Name, about: &str) -> bool {
        match name {
            Name::ProbeSilent => true,
            // That of the room says nothing of the solution.
            Name::ProbeNonsense => self.instruments.get(about) != Some(&InstrumentKind::RoomProbe),
            Name::NoAnswer | Name::InstrumentGone | Name::OutsideCertificate => {
                self.instruments.get(about) == Some(&InstrumentKind::SolutionProbe)
            }
            _ => false,
        }
    }

    /// The watches over both limits after one more reading in the solution.
    pub(super) fn watches_after(&self, temperature: &Quantity, moment: Moment) -> [LimitWatch; 2] {
        let limits = self.limits_in_force();
        let mut watches = self.probe.watches;
        for (watch, (name, side)) in watches.iter_mut().zip(LIMITS) {
            let deadband = definition(name).deadband.unwrap_or(Decimal::ZERO);
            let against =
                limits.map_or(Against::Clear, |limits| Against::of(temperature, &limits, side, deadband));
            *watch = watch.after(against, moment);
        }
        watches
    }

    /// Where an alarm stands. What a person did comes before what the station knows: the one that
    /// lasts longest first.
    pub fn alarm_state(&self, alarm: &Alarm) -> State {
        let key = alarm.key();
        if self.out_of_service.contains_key(&key) {
            State::OutOfService
        } else if self.shelved.contains_key(&key) {
            State::Shelved
        } else if self.suppressed(alarm.name).is_some() {
            State::SuppressedByDesign
        } else {
            alarm.state()
        }
    }

    /// How many alarms are put aside: by a person, whether they stand or not, or standing by design.
    pub fn alarms_aside(&self) -> u64 {
        let by_design = |alarm: &&Alarm| self.alarm_state(alarm) == State::SuppressedByDesign;
        let by_design = self.alarms.values().filter(by_design).map(Alarm::key);
        let by_people = self.shelved.keys().chain(self.out_of_service.keys()).cloned();
        let keys: BTreeSet<String> = by_design.chain(by_people).collect();
        u64::try_from(keys.len()).unwrap_or(u64::MAX)
    }

    /// Keys of all alarms that can be raised here, and of those that stand or are put aside.
    pub fn alarm_keys(&self) -> BTreeSet<String> {
        let stand = self.alarms.keys().chain(self.shelved.keys()).chain(self.out_of_service.keys());
        let mut keys: BTreeSet<String> = stand.cloned().collect();
        for row in &TABLE {
            match row.name {
                Name::BalanceNonsense | Name::ProbeNonsense | Name::MassNotStable => {
                    let balance = row.name != Name::ProbeNonsense;
                    let of = self
                        .instruments
                        .iter()
                        .filter(|(_, kind)| (**kind == InstrumentKind::Balance) == balance);
                    keys.extend(of.map(|(about, _)| key(row.name, about)));
                }
                Name::NoAnswer
                | Name::InstrumentGone
                | Name::InstrumentExchanged
                | Name::InstrumentError
                | Name::OutsideCertificate => {
                    keys.extend(self.instruments.keys().map(|about| key(row.name, about)));
                }
                // The station's own has no key here: putting it aside could not be stored, and must not
                // outlast it. What was left out meanwhile is told afterwards, like anything else.
                Name::NotKept => {
                    let about = self.instruments.keys().map(String::as_str).chain([OTHER_SOURCES]);
                    keys.extend(about.map(|about| key(row.name, about)));
                }
                Name::SwitchGone | Name::TriggerRefused => {
                    keys.extend(self.triggers.keys().map(|about| key(row.name, about)));
                    if row.name == Name::TriggerRefused {
                        keys.insert(key(row.name, UNKNOWN_TRIGGER));
                    }
                }
                Name::ConsumerBehind => {
                    keys.extend(self.network.consumers.keys().map(|about| key(row.name, about)));
                }
                _ => {
                    keys.insert(key(row.name, ""));
                }
            }
        }
        keys
    }

    /// The shelved alarms, with the instant of their end on the boot clock of `now`.
    pub(super) fn shelved_until<'a>(&'a self, now: &'a Moment) -> impl Iterator<Item = (&'a String, i64)> {
        let ns = |s: &Shelving| i64::from(s.minutes) * 60 * SECOND;
        self.shelved.iter().map(move |(key, s)| (key, s.since.boot_ns_seen_from(now).saturating_add(ns(s))))
    }

    pub(super) fn apply_alarm(&mut self, event: &Event, at: &Moment) {
        match event {
            Event::AlarmRaised { name, about, occurrence, text } => {
                if self.says_probe_dead(*name, about) {
                    // What was read before the gap says nothing of it: both delays begin anew.
                    self.probe.watches = <[LimitWatch; 2]>::default();
                }
                let key = key(*name, about);
                let replaced = self.alarms.get(&key).map_or_else(Vec::new, |old| {
                    let earlier = old.replaced.iter().rev().take(KEPT_REPLACED - 1).rev();
                    earlier.copied().chain([old.occurrence]).collect()
                });
                let alarm = Alarm {
                    name: *name,
                    about: about.clone(),
                    occurrence: *occurrence,
                    text: text.clone(),
                    raised: *at,
                    cleared: None,
                    acknowledged: None,
                    replaced,
                };
                self.alarms.insert(key, alarm);
            }
            Event::AlarmCleared { occurrence } => self.on_alarm(*occurrence, |a| a.cleared = Some(*at)),
            Event::AlarmAcknowledged { occurrence, by } => {
                self.on_alarm(*occurrence, |a| a.acknowledged = Some((by.clone(), *at)));
            }
            Event::AlarmShelved { alarm, minutes, reason, by } => {
                let shelving =
                    Shelving { by: by.clone(), reason: reason.clone(), since: *at, minutes: *minutes };
                self.shelved.insert(alarm.clone(), shelving);
            }
            Event::AlarmUnshelved { alarm, .. } => {
                self.shelved.remove(alarm);
            }
            Event::AlarmTakenOutOfService { alarm, reason, by } => {
                let out = OutOfService { by: by.clone(), reason: reason.clone(), since: *at };
                self.out_of_service.insert(alarm.clone(), out);
            }
            Event::AlarmPutInService { alarm, .. } => {
                self.out_of_service.remove(alarm);
            }
            _ => {}
        }
    }

    fn on_alarm(&mut self, occurrence: Uuid, change: impl FnOnce(&mut Alarm)) {
        if let Some(alarm) = self.alarms.values_mut().find(|a| a.occurrence == occurrence) {
            change(alarm);
        }
        self.alarms.retain(|_, alarm| !alarm.is_normal());
    }

    /// An alarm's condition is there now.
    pub(super) fn is_raised(&self, name: Name) -> bool {
        self.alarms.get(&key(name, "")).is_some_and(|a| a.cleared.is_none())
    }

    /// What the delays of the two temperature alarms lead to, and when on the boot clock of `now`.
    pub(super) fn limit_changes<'a>(
        &'a self,
        now: &'a Moment,
    ) -> impl Iterator<Item = (Name, LimitChange, i64)> + 'a {
        let after =
            |since: &Moment, s: u32| since.boot_ns_seen_from(now).saturating_add(i64::from(s) * SECOND);
        self.probe.watches.iter().zip(LIMITS).filter_map(move |(watch, (name, _))| {
            self.probe.stands_in?;
            if let Some(alarm) = self.alarms.get(&key(name, "")).filter(|a| a.cleared.is_none()) {
                let clears = after(&watch.clear_since?, definition(name).off_delay_s);
                return Some((name, LimitChange::Clear(alarm.occurrence), clears));
            }
            if self.suppressed(name).is_some() {
                return None;
            }
            Some((name, LimitChange::Raise, after(&watch.beyond_since?, self.on_delay_s(name))))
        })
    }

    /// The temperature alarms that are due at `now`. A reading that is stale by then is no
    /// evidence: the silence is an alarm of its own.
    pub(super) fn due_limits(&self, now: &Moment, mut fresh: impl FnMut() -> Uuid) -> Vec<Event> {
        let Some(held) = self.held().filter(|held| held.moment.holds_at(now, self.stale_ns())) else {
            return Vec::new();
        };
        self.limit_changes(now)
            .filter(|(_, _, at)| *at <= now.boot_ns)
            .map(|(name, change, _)| match change {
                LimitChange::Clear(occurrence) => Event::AlarmCleared { occurrence },
                LimitChange::Raise => Event::AlarmRaised {
                    name,
                    about: String::new(),
                    occurrence: fresh(),
                    text: self.limit_text(name, &held.temperature),
                },
            })
            .collect()
    }

    fn limit_text(&self, name: Name, temperature: &Quantity) -> String {
        let Some(limits) = self.limits_in_force() else { return temperature.to_string() };
        let back = match limits.side(temperature) {
            Some(Side::Within) => format!(
                ", back within them by less than {} {} since it was outside",
                definition(name).deadband.unwrap_or(Decimal::ZERO),
                limits.unit
            ),
            _ => String::new(),
        };
        format!("{temperature}, allowed {limits}{back}")
    }
}

/// What a delay leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LimitChange {
    Raise,
    Clear(Uuid),
}
