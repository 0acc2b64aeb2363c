//! A load of the oven in the model: masses net of the tare, and whether they are constant, in whole
//! numbers.

use super::route::{Constancy, millionths};
use super::vial::{age, between};
use rust_decimal::Decimal;
use stillstand::domain::moment::Moment;
use stillstand::domain::quantity::Unit;
use uuid::Uuid;

/// A mass as the balance gave it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mass {
    pub value: Decimal,
    pub unit: Unit,
    pub at: Moment,
}

impl Mass {
    pub fn millionths(&self) -> i128 {
        millionths(self.value)
    }

    pub fn grams(&self) -> Option<Decimal> {
        match self.unit {
            Unit::Gram => Some(self.value),
            Unit::Kilogram => Some(self.value * Decimal::ONE_THOUSAND),
            _ => None,
        }
    }

    /// The last digit that was shown, in millionths.
    fn division(&self) -> i128 {
        10_i128.pow(6 - self.value.scale())
    }
}

/// Masses of one thing; the last one counts.
pub type Masses = Vec<(Uuid, Mass)>;

pub fn last(masses: &[(Uuid, Mass)]) -> Option<&Mass> {
    masses.last().map(|(_, mass)| mass)
}

/// Tins that are dried together.
#[derive(Debug, Clone, Default)]
pub struct Load {
    pub tins: Vec<u32>,
    pub in_pan: bool,
    pub pan: Masses,
    pub before: Masses,
    pub dried: Masses,
    /// Weighings after which the next one was announced.
    pub announced: usize,
}

/// What one weighing says against the one before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Change {
    /// Thousandths of a percent, halves away from nought.
    pub percent: i128,
    pub verdict: &'static str,
    pub coarse: bool,
}

/// Divides, halves away from nought.
pub fn divided(number: i128, by: i128) -> i128 {
    number.signum() * ((2 * number.abs() + by) / (2 * by))
}

impl Change {
    /// From one net mass to the next. `wrongly`: a planted fault, which takes the percentage of the
    /// later mass.
    fn of(from: (i128, Mass), to: (i128, Mass), rule: Option<Constancy>, wrongly: bool) -> Option<Self> {
        let ((from, first), (to, second)) = (from, to);
        if from <= 0 {
            return None;
        }
        let lost = from - to;
        let division = first.division().max(second.division());
        let verdict = match rule {
            _ if -lost > division => "gained",
            None => "no-criterion",
            Some(rule) => {
                let (change, allowed) = (100_000_000 * lost, rule.percent * from);
                if change < allowed || rule.at_most && change == allowed { "constant" } else { "losing" }
            }
        };
        let coarse = rule.is_some_and(|rule| from * rule.percent < 300_000_000 * division);
        let percent = divided(100_000 * lost, if wrongly { to.max(1) } else { from });
        Some(Self { percent, verdict, coarse })
    }
}

/// A load with its tare.
#[derive(Debug, Clone)]
pub struct Oven<'a> {
    pub load: &'a Load,
    pub rule: Option<Constancy>,
    /// The empty tins, or the empty pan; `None`: not all of it was weighed, or in two units.
    pub tare: Option<i128>,
    pub unit: Unit,
    pub wrongly: bool,
}

impl<'a> Oven<'a> {
    pub fn of(
        load: &'a Load,
        empty: impl Fn(u32) -> Option<Mass>,
        rule: Option<Constancy>,
        wrongly: bool,
    ) -> Self {
        let tares: Option<Vec<Mass>> = if load.in_pan {
            last(&load.pan).map(|pan| vec![*pan])
        } else {
            load.tins.iter().map(|tin| empty(*tin)).collect()
        };
        let unit = tares.as_ref().and_then(|tares| tares.first()).map_or(Unit::Gram, |tare| tare.unit);
        let tare = tares
            .filter(|tares| tares.iter().all(|tare| tare.unit == unit))
            .map(|tares| tares.iter().map(Mass::millionths).sum());
        Self { load, rule, tare, unit, wrongly }
    }

    pub fn net(&self, mass: &Mass) -> Option<i128> {
        self.tare.filter(|_| mass.unit == self.unit).map(|tare| mass.millionths() - tare)
    }

    /// Weighings by an instant.
    pub fn dried(&self, until: Option<&Moment>) -> Vec<Mass> {
        let known = |mass: &Mass| until.is_none_or(|until| between(&mass.at, until).0 >= 0);
        self.load.dried.iter().map(|(_, mass)| *mass).filter(known).collect()
    }

    /// What the second of two weighings says.
    pub fn change(&self, first: &Mass, second: &Mass) -> Option<Change> {
        let nets = (self.net(first)?, self.net(second)?);
        Change::of((nets.0, *first), (nets.1, *second), self.rule, self.wrongly)
    }

    /// The last two weighings by an instant show a constant mass.
    pub fn is_constant(&self, until: Option<&Moment>) -> bool {
        let dried = self.dried(until);
        let [.., first, second] = dried.as_slice() else { return false };
        self.change(first, second).is_some_and(|change| change.verdict == "constant")
    }

    /// Time from now until it may be weighed again.
    pub fn waits(&self, now: &Moment) -> i64 {
        let every = self.rule.and_then(|rule| rule.every_ns).unwrap_or(0);
        last(&self.load.dried).map_or(0, |last| every - age(&last.at, now))
    }

    /// Water that was driven off, hundredths of a percent of the dry mass.
    pub fn water(&self, until: &Moment) -> Option<i128> {
        let before = last(&self.load.before).filter(|mass| between(&mass.at, until).0 >= 0);
        let dry = self.dried(Some(until)).last().copied().filter(|_| self.is_constant(Some(until)));
        let (before, dry) = (self.net(before?)?, self.net(&dry?)?);
        (dry > 0).then(|| divided(10_000 * (before - dry), dry))
    }

    /// Whether a mass cannot be that of this load.
    pub fn cannot_be(&self, of: Part, mass: &Mass) -> bool {
        if of == Part::Pan {
            return false;
        }
        let Some(net) = self.net(mass) else { return true };
        if net <= 0 {
            return true;
        }
        if of == Part::Before {
            let first = self.load.dried.first().map(|(_, first)| first).filter(|m| m.unit == mass.unit);
            return first.is_some_and(|first| first.value > mass.value);
        }
        let heavier = last(&self.load.before).is_some_and(|before| before.value < mass.value);
        let soon = last(&self.load.dried)
            .zip(self.rule.and_then(|rule| rule.every_ns))
            .is_some_and(|(last, every)| between(&last.at, &mass.at).0 < every);
        heavier || soon
    }
}

/// Which mass of a load.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    Pan,
    Before,
    Dried,
}
