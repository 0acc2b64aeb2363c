//! The probe of the room: thinned, without limits, and its silence.

use super::Bench;
use crate::domain::alarm::Name;
use crate::domain::moment::{Moment, SECOND};
use crate::domain::quantity::Quantity;
use crate::domain::reading::{InstrumentKind, Wire};
use crate::domain::specimen::Specimen;
use crate::domain::specimen::tally::Held;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A change of more than this since the last kept temperature of the room is kept at once, in the
/// unit of the probe: half a degree (this project's own judgement).
const ROOM_STEP: Decimal = Decimal::from_parts(5, 0, 0, false, 1);

/// What is known of the room.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Room {
    /// Since when its probe is listened to; `None`: it has none.
    pub since: Option<Moment>,
    /// The last kept reading.
    pub last: Option<(Held, Wire)>,
}

impl Bench {
    /// The room's temperature, unless it is stale.
    pub fn room_held(&self, now: &Moment) -> Option<&(Held, Wire)> {
        self.room.last.as_ref().filter(|(held, _)| held.moment.holds_at(now, self.room_stale_ns()))
    }

    pub(super) fn room_stale_ns(&self) -> i64 {
        i64::from(self.settings.room_stale_s) * SECOND
    }

    /// Since when nothing was heard of the room's probe, unless that is known already.
    pub(super) fn room_silent_from(&self, now: &Moment) -> Option<Moment> {
        let since = self.room.since?;
        if self.is_raised(Name::RoomProbeSilent) {
            return None;
        }
        let last = self.room.last.as_ref().map(|(held, _)| held.moment);
        Some(last.filter(|last| last.boot_ns_seen_from(now) > since.boot_ns_seen_from(now)).unwrap_or(since))
    }

    /// One in a while, each larger change, and what widens the range of a specimen at work.
    pub(super) fn is_room_worth_keeping(&self, temperature: &Quantity, now: &Moment) -> bool {
        let Some((held, _)) = self.room_held(now) else { return true };
        let every = i64::from(self.settings.room_every_s) * SECOND;
        let step = (temperature.value - held.temperature.value).abs();
        held.moment.age_seen_from(now) >= every
            || held.moment.boot != now.boot
            || temperature.unit != held.temperature.unit
            || step > ROOM_STEP
            || self.specimens.values().any(|s| is_at_work(s) && s.room.is_new(temperature))
    }

    pub(super) fn read_room(&mut self, temperature: &Quantity, wire: &Wire, moment: &Moment) {
        let applied = wire.corrected.as_ref().map(|corrected| corrected.applied);
        let held = Held { temperature: *temperature, moment: *moment, applied };
        for specimen in self.specimens.values_mut().filter(|s| is_at_work(s)) {
            specimen.room.meet(&held, wire);
        }
        self.room.last = Some((held, wire.clone()));
    }

    /// The instruments of a start: a probe of the room is listened to from then on.
    pub(super) fn start_room(&mut self, instruments: &BTreeMap<String, InstrumentKind>, at: &Moment) {
        let has = instruments.values().any(|kind| *kind == InstrumentKind::RoomProbe);
        self.room.since = has.then_some(*at);
        if !has {
            self.room.last = None;
        }
    }
}

fn is_at_work(specimen: &Specimen) -> bool {
    specimen.last_marked().is_some() && !specimen.is_over()
}
