//! Alarms of the bench: the watch over the temperature's limits, what is suppressed, what is due.

use super::{Bench, Event};
use crate::domain::alarm::{Against, LimitWatch, Name, OnDelay, definition, key};
use crate::domain::moment::{Moment, SECOND};
use crate::domain::quantity::{Quantity, Side};
use crate::domain::reading::InstrumentKind;
use rust_decimal::Decimal;
use uuid::Uuid;

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
        let awaits = |s: &super::Specimen| !s.is_complete();
        if !self.is_watching() && !self.specimens.values().any(awaits) {
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
            Name::ProbeSilent | Name::ProbeNonsense => true,
            Name::NoAnswer | Name::InstrumentGone => {
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
        let Some(held) = self.held().filter(|held| now.since(&held.moment).ns < self.stale_ns()) else {
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
