//! Instruments that are noisy, and that lie: a probe once a minute, a balance when something is put
//! on it.

use super::chance::Chance;
use rust_decimal::Decimal;
use stillstand::domain::quantity::{Quantity, Unit};
use stillstand::domain::reading::{InstrumentReport, Wire};

/// How the probe is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mood {
    Well,
    Drifts(i64),
    Stuck,
    Silent,
    Absurd,
}

/// The instruments.
#[derive(Debug, Clone)]
pub struct Tools {
    pub chance: Chance,
    milli: i64,
    mood: Mood,
    left: u64,
}

/// A report is a temperature of the solution.
pub fn is_temperature(report: &InstrumentReport) -> bool {
    matches!(report, InstrumentReport::Temperature { wire, .. } if wire.instrument == "probe")
}

impl Tools {
    pub const fn new(chance: Chance) -> Self {
        Self { chance, milli: 22_300, mood: Mood::Well, left: 40 }
    }

    /// What the probe says in this minute.
    pub fn probe(&mut self) -> Option<InstrumentReport> {
        if self.left == 0 {
            self.mood = match self.chance.below(24) {
                0 | 1 => Mood::Drifts(self.chance.between(-90, 90)),
                2 => Mood::Stuck,
                3 | 4 => Mood::Silent,
                5 => Mood::Absurd,
                _ => Mood::Well,
            };
            self.left = 1 + self.chance.below(if self.mood == Mood::Well { 600 } else { 40 });
        }
        self.left -= 1;
        let back = if self.milli > 22_300 { -20 } else { 20 };
        self.milli += match self.mood {
            Mood::Drifts(by) => by,
            Mood::Stuck => 0,
            _ => back + self.chance.between(-60, 60),
        };
        self.milli = self.milli.clamp(12_000, 32_000);
        let milli = match self.mood {
            Mood::Silent => return None,
            Mood::Absurd => *self.chance.pick(&[999_900, -273_100, 150_000, -10_010, -9_990]),
            _ => self.milli,
        };
        let hundredths = milli / 10;
        Some(temperature("probe", Decimal::new(hundredths, 2)))
    }

    /// What the probe of the room says.
    pub fn room(&mut self) -> InstrumentReport {
        let tenths = self.chance.between(185, 260);
        temperature("room", Decimal::new(tenths, 1))
    }

    /// A mass on the balance, in grams.
    pub fn mass(&mut self, grams: Decimal) -> InstrumentReport {
        let (value, unit) = match self.chance.below(12) {
            0 => (grams / Decimal::ONE_THOUSAND, Unit::Kilogram),
            _ => (grams, Unit::Gram),
        };
        let mass = Quantity::new(value, unit);
        InstrumentReport::Mass { wire: Wire::of("balance", "/dev/balance", format!("{mass}\\r\\n")), mass }
    }

    /// What a balance says that nobody asked, or that is nonsense.
    pub fn odd_mass(&mut self) -> InstrumentReport {
        let wire = |raw: &str| Wire::of("balance", "/dev/balance", raw.to_owned());
        match self.chance.below(5) {
            0 => InstrumentReport::Nonsense { wire: wire("E7"), why: "no number".to_owned(), lines: 3 },
            1 => InstrumentReport::NotStable {
                mass: Quantity::new(Decimal::new(51_230, 2), Unit::Gram),
                wire: wire("S? 512.30"),
            },
            2 => self.mass(Decimal::new(-310, 2)),
            3 => InstrumentReport::Released { instrument: "balance".to_owned() },
            _ => {
                let grams = Decimal::new(self.chance.between(1, 200_000_000), 2);
                self.mass(grams)
            }
        }
    }
}

fn temperature(instrument: &str, celsius: Decimal) -> InstrumentReport {
    let raw = format!("{celsius}\\r\\n");
    InstrumentReport::Temperature {
        temperature: Quantity::new(celsius, Unit::Celsius),
        wire: Wire::of(instrument, &format!("/dev/{instrument}"), raw),
    }
}
