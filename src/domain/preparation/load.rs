//! A load of the oven: its masses net of the tare, and whether they are constant.

use super::constant::{Change, Criterion, Verdict, change, division, sum, water};
use super::course::{Entered, Load, MassOf};
use super::walk::OnCourse;
use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::specimen::{Marked, Weighing};
use rust_decimal::Decimal;

/// One weighing of a load after drying.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Weighed<'a> {
    /// As the balance gave it, with the tare.
    pub weighing: &'a Weighing,
    /// Net of the tare, in the unit of the load; `None`: its unit is another one.
    pub net: Option<Decimal>,
    /// Against the weighing before it; `None`: it is the first.
    pub change: Option<Change>,
    /// Since the weighing before it, nanoseconds.
    pub after_ns: Option<i64>,
}

/// A load as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drying<'a> {
    /// The load.
    pub load: &'a Load,
    /// The criterion of its method.
    pub criterion: Option<Criterion>,
    /// Unit of its masses.
    pub unit: Unit,
    /// Mass of the empty tins, or of the empty pan; `None`: not all of it was weighed.
    pub tare: Option<Decimal>,
    /// Net mass before drying.
    pub before: Option<Decimal>,
    /// Weighings after drying, oldest first.
    pub weighed: Vec<Weighed<'a>>,
    /// Temperatures of the oven.
    pub oven: Vec<(&'a Quantity, &'a Marked)>,
    /// When it had cooled.
    pub cooled: Option<&'a Marked>,
    /// Why it was taken out before its mass was constant.
    pub stopped: Option<(&'a str, &'a Marked)>,
}

impl<'a> Drying<'a> {
    /// The load of that number, as far as it is known on the course.
    pub(super) fn of(on: &OnCourse<'a>, number: u32) -> Option<Self> {
        let load = on.course.load(number)?;
        let criterion = Criterion::of(&on.method.preparation);
        let tares: Option<Vec<&Quantity>> = if load.in_pan {
            load.pan.as_ref().map(|pan| vec![&pan.mass])
        } else {
            let of = |tin: &u32| on.course.tin(*tin).and_then(|tin| tin.tare.as_ref()).map(|w| &w.mass);
            load.tins.iter().map(of).collect()
        };
        let unit = tares.as_ref().and_then(|tares| tares.first()).map_or(Unit::Gram, |tare| tare.unit);
        let tare = tares.and_then(|tares| sum(unit, tares.into_iter()));
        let net = |mass: &Quantity| {
            tare.filter(|_| mass.unit == unit).and_then(|tare| mass.value.checked_sub(tare))
        };
        let before = load.before.as_ref().filter(|w| on.knows(&w.moment)).and_then(|w| net(&w.mass));
        let mut drying = Self {
            load,
            criterion,
            unit,
            tare,
            before,
            weighed: Vec::new(),
            oven: Vec::new(),
            cooled: None,
            stopped: None,
        };
        for weighing in load.dried.iter().filter(|w| on.knows(&w.moment)) {
            let net = net(&weighing.mass);
            let earlier = drying.weighed.last();
            let after_ns = earlier.map(|earlier| weighing.moment.since(&earlier.weighing.moment).ns);
            let change = earlier.and_then(|earlier| {
                let last_digit = division(&earlier.weighing.mass).max(division(&weighing.mass));
                change(earlier.net?, net?, last_digit, criterion.as_ref())
            });
            drying.weighed.push(Weighed { weighing, net, change, after_ns });
        }
        drying.note(on, number);
        Some(drying)
    }

    fn note(&mut self, on: &OnCourse<'a>, number: u32) {
        for entry in on.entries() {
            match &entry.what {
                Entered::OvenNoted { load, temperature } if *load == number => {
                    self.oven.push((temperature, &entry.marked));
                }
                Entered::Cooled { load } if *load == number => self.cooled = Some(&entry.marked),
                Entered::DryingStopped { load, reason } if *load == number => {
                    self.stopped = Some((reason.as_str(), &entry.marked));
                }
                _ => {}
            }
        }
    }

    /// The last change, once there are two weighings.
    pub fn change(&self) -> Option<Change> {
        self.weighed.last()?.change
    }

    /// The last two weighings show it.
    pub fn is_constant(&self) -> bool {
        self.change().is_some_and(|change| change.verdict == Verdict::Constant)
    }

    /// It needs no more weighing: its mass is constant, or it was taken out.
    pub fn is_out(&self) -> bool {
        self.is_constant() || self.stopped.is_some()
    }

    /// Nothing is to be done with it any more.
    pub fn is_over(&self, cooled: bool) -> bool {
        self.is_out() && (!cooled || self.cooled.is_some())
    }

    /// Water that was driven off, percent of the dry mass, once that is constant.
    pub fn water(&self) -> Option<Decimal> {
        let dry = self.weighed.last().filter(|_| self.is_constant())?.net?;
        water(self.before?, dry)
    }

    /// Time from now until it may be weighed again, nanoseconds; negative: since when it may. While the
    /// machine's clock has not been set since a restart, it counts from that restart.
    pub fn waits_ns(&self, now: &Moment) -> i64 {
        let every = self.criterion.and_then(|criterion| criterion.every_ns).unwrap_or(0);
        self.weighed.last().map_or(0, |last| every.saturating_sub(last.weighing.moment.age_seen_from(now)))
    }

    /// What must be weighed next of it.
    pub fn wants(&self, number: u32) -> MassOf {
        if self.load.in_pan && self.load.pan.is_none() {
            MassOf::EmptyPan { load: number }
        } else if self.load.before.is_none() && self.weighed.is_empty() {
            MassOf::BeforeDrying { load: number }
        } else {
            MassOf::Dried { load: number }
        }
    }

    /// Why a mass cannot be what it is to be; `None`: it can.
    pub fn declines(&self, of: MassOf, mass: &Quantity, moment: &Moment) -> Option<String> {
        if matches!(of, MassOf::EmptyPan { .. }) {
            return None;
        }
        let Some(tare) = self.tare else {
            return Some("the empty tins or the empty pan must be weighed first, in one unit".to_owned());
        };
        if mass.unit != self.unit {
            return Some(format!(
                "the balance shows {}, and the tare was weighed in {}: set the balance to {}",
                mass.unit, self.unit, self.unit
            ));
        }
        if mass.value <= tare {
            return Some(format!("it is not heavier than the empty tins or pan ({tare} {})", self.unit));
        }
        if matches!(of, MassOf::BeforeDrying { .. }) {
            let first =
                self.load.dried.first().filter(|w| w.mass.unit == mass.unit && w.mass.value > mass.value);
            return first.map(|w| format!("it is less than the dried mass {}", w.mass));
        }
        if let Some(before) = self.load.before.as_ref().filter(|w| w.mass.value < mass.value) {
            return Some(format!(
                "a dried mass cannot be more than the mass before drying ({}); see whether it is the right load \
                 and the pan is clean",
                before.mass
            ));
        }
        self.too_soon(moment)
    }

    fn too_soon(&self, moment: &Moment) -> Option<String> {
        let last = self.load.dried.last()?;
        let every = self.criterion?.every_ns?;
        let after = moment.since(&last.moment).ns;
        (after < every).then(|| {
            format!(
                "too soon for constant mass: {} after the weighing before, and the method dries on for {} between two",
                super::constant::minutes(after.max(0)),
                super::constant::minutes(every)
            )
        })
    }
}
