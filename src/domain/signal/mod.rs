//! What horn, lamps and stack light show, and what the shaker's relay may do: functions of the bench
//! and of now. The meaning of a signal lies in its rhythm first and in its colour second, so that it is
//! read without colours too.
//!
//! ```text
//!   Bench, now ──▶ scene ──▶ show(what an output is for) ──▶ rhythm ──▶ on or off, and until when
//!                    run of the shaker ──▶ relay ──▶ closed or open, and why
//! ```

pub mod relay;
mod rhythm;
mod scene;

pub use rhythm::Rhythm;
pub use scene::{Conditions, Scene, Wanted};

use super::alarm::Priority;
use super::moment::Moment;
use serde::{Deserialize, Serialize};

/// What an output is for. The colours of a stack light have the meanings of IEC 60073 (from memory):
/// red danger, yellow something abnormal, green normal, blue a person must act, white none of these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shows {
    /// The horn.
    Horn,
    /// The lamp of one place.
    Place,
    /// Alarms of high priority.
    Red,
    /// Alarms of medium and low priority.
    Yellow,
    /// All is as it should be.
    Green,
    /// An act is coming, due or overdue at some place.
    Blue,
    /// Some interval runs.
    White,
    /// The relay in the circuit of the shaker.
    ShakerRelay,
}

impl Shows {
    /// It moves a machine.
    pub const fn moves(self) -> bool {
        matches!(self, Self::ShakerRelay)
    }

    /// As in the settings.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Horn => "horn",
            Self::Place => "place",
            Self::Red => "red",
            Self::Yellow => "yellow",
            Self::Green => "green",
            Self::Blue => "blue",
            Self::White => "white",
            Self::ShakerRelay => "shaker-relay",
        }
    }
}

/// A rhythm and the instant from which it counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Show {
    /// The rhythm.
    pub rhythm: Rhythm,
    /// Its begin on the boot clock, nanoseconds. Lamps share one, so that they flash together.
    pub from_ns: i64,
}

impl Show {
    /// Nothing.
    pub const DARK: Self = Self { rhythm: Rhythm::Off, from_ns: 0 };

    /// A lamp.
    const fn lamp(rhythm: Rhythm) -> Self {
        Self { rhythm, from_ns: 0 }
    }

    /// On at this instant.
    pub fn is_on(&self, now: &Moment) -> bool {
        self.rhythm.is_on(now.boot_ns.saturating_sub(self.from_ns))
    }

    /// When that changes next, on the boot clock.
    pub fn changes_at(&self, now: &Moment) -> Option<i64> {
        let after = self.rhythm.changes_after(now.boot_ns.saturating_sub(self.from_ns))?;
        Some(now.boot_ns.saturating_add(after))
    }
}

/// What an output does now, for the pages.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Told {
    /// What it is for.
    pub shows: Shows,
    /// The place that its lamp stands at.
    pub place: Option<u32>,
    /// How it comes and goes; of a relay: closed is on.
    pub rhythm: Rhythm,
    /// Why the relay is open.
    pub why: Option<String>,
    /// Why its line cannot be used.
    pub fault: Option<String>,
}

/// What an output shows. The relay shows nothing of itself: see [`relay`].
pub fn show(shows: Shows, place: Option<u32>, scene: &Scene) -> Show {
    let high = scene.alarms(|p| p == Priority::High);
    match shows {
        Shows::Horn => horn(scene),
        Shows::Place => {
            let wanted = place.and_then(|place| scene.places.get(&place));
            Show::lamp(wanted.map_or(Rhythm::Off, |(wanted, _)| of_act(*wanted)))
        }
        Shows::Blue => {
            let most = scene.places.values().map(|(wanted, _)| *wanted).max();
            Show::lamp(most.map_or(Rhythm::Off, of_act))
        }
        Shows::Red => Show::lamp(of_alarms(&high)),
        Shows::Yellow => Show::lamp(of_alarms(&scene.alarms(|p| p != Priority::High))),
        Shows::Green => {
            let overdue = scene.places.values().any(|(wanted, _)| *wanted == Wanted::Overdue);
            let alarms = scene.alarms(|p| p != Priority::Low);
            let normal = !overdue && alarms.unseen.is_none() && !alarms.known;
            Show::lamp(if normal { Rhythm::Steady } else { Rhythm::Off })
        }
        Shows::White => Show::lamp(if scene.runs { Rhythm::Steady } else { Rhythm::Off }),
        Shows::ShakerRelay => Show::DARK,
    }
}

/// Nobody wanted, soon, now, too late.
const fn of_act(wanted: Wanted) -> Rhythm {
    match wanted {
        Wanted::Nobody => Rhythm::Off,
        Wanted::Soon => Rhythm::Wink,
        Wanted::Now => Rhythm::Steady,
        Wanted::Overdue => Rhythm::Quick,
    }
}

/// Seen by nobody, known, gone before anybody saw it.
fn of_alarms(alarms: &Conditions) -> Rhythm {
    match alarms {
        Conditions { unseen: Some(_), .. } => Rhythm::Quick,
        Conditions { known: true, .. } => Rhythm::Steady,
        Conditions { gone: Some(_), .. } => Rhythm::Wink,
        _ => Rhythm::Off,
    }
}

/// How long the horn tells of a condition that went away before anybody saw it: what only lasts an
/// instant, such as a lost edge, must be heard, and what came and went at night must not sound on.
const GONE_SOUNDS_NS: i64 = 10 * super::moment::SECOND;

/// The most urgent of what there is: an alarm of high priority, an act that is overdue, an alarm of
/// medium priority, an act that is due. An alarm that somebody acknowledged sounds no more.
fn horn(scene: &Scene) -> Show {
    let sounds = |alarms: Conditions| {
        let gone = alarms.gone.filter(|from| scene.now_ns.saturating_sub(*from) < GONE_SOUNDS_NS);
        alarms.unseen.or(gone)
    };
    let since = |of: Wanted| {
        let all = scene.places.values().filter(|(wanted, _)| *wanted == of);
        // The newest: each cylinder that becomes due is told.
        all.map(|(_, since)| *since).max()
    };
    let high = sounds(scene.alarms(|p| p == Priority::High)).map(|from| (Rhythm::Alarm, from));
    let medium = sounds(scene.alarms(|p| p == Priority::Medium)).map(|from| (Rhythm::Call, from));
    let overdue = since(Wanted::Overdue).map(|from| (Rhythm::Twice, from));
    let due = since(Wanted::Now).map(|from| (Rhythm::Once, from));
    let still = |(rhythm, from): &(Rhythm, i64)| !rhythm.is_over(scene.now_ns.saturating_sub(*from));
    let loudest = [high, overdue, medium, due].into_iter().flatten().find(still);
    loudest.map_or(Show::DARK, |(rhythm, from_ns)| Show { rhythm, from_ns })
}
