//! The temperature of the solution as the model counts it: from the readings that were taken, each
//! time anew from the beginning of a watch to its end.

use super::book::Degrees;
use super::expected::Expected;
use super::vial::{Vial, age, between, rounded};
use rust_decimal::Decimal;
use std::collections::VecDeque;
use stillstand::domain::moment::Moment;

/// A reading in thousandths of a degree Celsius, or the probe leaving the solution.
#[derive(Debug, Clone, Copy)]
struct Heard {
    at: Moment,
    milli: Option<i64>,
}

/// What was heard of the probe.
#[derive(Debug, Clone, Default)]
pub struct Warmth {
    heard: VecDeque<Heard>,
    stale_ns: i64,
    out: bool,
}

/// What a watch comes to.
#[derive(Debug, Clone, Copy, Default)]
pub struct Counted {
    pub below_ns: i64,
    pub above_ns: i64,
    pub missing_ns: i64,
    pub low: bool,
    pub high: bool,
    pub readings: u32,
    pub segments: i64,
}

impl Warmth {
    pub fn new(stale_s: i64) -> Self {
        Self { heard: VecDeque::new(), stale_ns: stale_s * 1_000_000_000, out: false }
    }

    /// A reading that a working solution can have.
    pub fn read(&mut self, at: Moment, milli: i64) {
        if !self.out && (-10_000..=100_000).contains(&milli) {
            self.heard.push_back(Heard { at, milli: Some(milli) });
        }
    }

    /// The probe is moved: what it said before counts no more.
    pub fn moved(&mut self, at: Moment, out: bool) {
        self.out = out;
        self.heard.push_back(Heard { at, milli: None });
    }

    /// A reading is newer than an instant that is told only now: the station counts from that reading
    /// on, for it does not keep the one before.
    pub fn overtook(&self, at: &Moment) -> bool {
        self.heard.back().is_some_and(|last| between(at, &last.at).0 > 0)
    }

    /// A reading was taken in the very instant of a mark: which came first the instants do not say.
    fn ties(&self, at: &Moment) -> bool {
        self.heard.iter().any(|heard| heard.at.boot == at.boot && heard.at.boot_ns == at.boot_ns)
    }

    /// At an instant soon after a start of the machine no reading has come yet, and one from before the
    /// start may still hold: on another clock, which this model does not count.
    fn is_held_over(&self, at: &Moment) -> bool {
        let came = |heard: &Heard| heard.at.boot == at.boot && heard.at.boot_ns <= at.boot_ns;
        let holds = |heard: &Heard| heard.at.boot != at.boot && age(&heard.at, at) < self.stale_ns;
        !self.heard.iter().any(came) && self.heard.iter().any(holds)
    }

    /// Forgets what no watch that began after `since` needs.
    pub fn forget(&mut self, since: &Moment) {
        while self.heard.len() > 2
            && self.heard.get(1).is_some_and(|next| between(&next.at, since).0 > self.stale_ns)
        {
            self.heard.pop_front();
        }
    }

    /// Counts a watch; `None` where it cannot be told from one clock.
    pub fn count(&self, open: &Moment, close: &Moment, degrees: &Degrees) -> Option<Counted> {
        if open.boot != close.boot {
            return None;
        }
        let (from, to) = (open.boot_ns, close.boot_ns.max(open.boot_ns));
        let mut counted = Counted::default();
        // What held when it was opened.
        let mut held: Option<(i64, i64)> = None;
        let mut at = from;
        for heard in self.heard.iter().filter(|heard| heard.at.boot == open.boot) {
            let when = heard.at.boot_ns;
            if when > to {
                break;
            }
            if when > from {
                self.share(&mut counted, at, when, held, degrees);
                at = when;
            }
            held = heard.milli.map(|milli| (when, milli));
            if let Some(milli) = heard.milli.filter(|_| when > from) {
                meet(&mut counted, milli, degrees);
            }
            if when <= from {
                counted = Counted::default();
                if let Some(milli) = heard.milli.filter(|_| from - when < self.stale_ns) {
                    meet(&mut counted, milli, degrees);
                }
            }
        }
        self.share(&mut counted, at, to, held, degrees);
        Some(counted)
    }

    /// Shares out the time from `from` to `to`, of which the reading that held covers a part.
    fn share(&self, counted: &mut Counted, from: i64, to: i64, held: Option<(i64, i64)>, degrees: &Degrees) {
        let covered = held.map_or(0, |(read, milli)| {
            let covered = (read + self.stale_ns).min(to) - from;
            let covered = covered.max(0);
            match side(milli, degrees) {
                -1 => counted.below_ns += covered,
                1 => counted.above_ns += covered,
                _ => {}
            }
            covered
        });
        counted.missing_ns += to - from - covered;
        counted.segments += 1;
    }

    /// Deviations of a vial's temperature; whether they are to be compared says [`is_loose`].
    pub fn deviations(&self, vial: &Vial) -> Vec<Expected> {
        let Some((counted, _)) = self.of(vial) else { return Vec::new() };
        let mut found = Vec::new();
        found.extend(counted.low.then(|| Expected::new("temperature-low", None)));
        found.extend(counted.high.then(|| Expected::new("temperature-high", None)));
        let missing = rounded(counted.missing_ns, vial.book.resolution_ns) > 0;
        found.extend(missing.then(|| Expected::new("temperature-not-shown", None)));
        found
    }

    /// The watch of a vial with the readings around its ends, for whoever looks for a fault.
    pub fn told(&self, vial: &Vial) -> String {
        let Some((open, close)) = watch(vial) else { return "no watch".to_owned() };
        let near = |at: &Moment, heard: &&Heard| between(at, &heard.at).0.abs() < 2 * self.stale_ns;
        let around = |at: &Moment| -> Vec<String> {
            let told = |heard: &Heard| {
                format!("{:?} at {}, wall {}", heard.milli, heard.at.boot_ns, heard.at.wall_ns)
            };
            self.heard.iter().filter(|heard| near(at, heard)).map(told).collect()
        };
        let ends = close.map(|close| (close.boot_ns, around(&close)));
        format!(
            "watched from {}, wall {} {:?} to {ends:?}; marks {:?}",
            open.boot_ns,
            open.wall_ns,
            around(&open),
            vial.log
        )
    }

    /// What a vial's watch comes to, and whether the time without a reading lies so near to the
    /// limit that whole microseconds decide.
    pub fn of(&self, vial: &Vial) -> Option<(Counted, bool)> {
        let degrees = vial.book.temperature?;
        let (open, close) = watch(vial)?;
        let counted = match vial.counted {
            Some(counted) => counted,
            None => self.count(&open, &close?, &degrees)?,
        };
        let near = (counted.missing_ns - vial.book.resolution_ns / 2).abs() <= counted.segments * 2000;
        Some((counted, near))
    }
}

/// First and last instant of a vial's watch.
fn watch(vial: &Vial) -> Option<(Moment, Option<Moment>)> {
    let of = |step: usize| vial.book.points.iter().zip(&vial.marks).filter(move |(p, _)| p.step == step);
    let open = of(vial.book.from).find_map(|(_, mark)| *mark)?;
    let close = of(vial.book.to).filter_map(|(_, mark)| *mark).next_back();
    Some((open, close.or(vial.void)))
}

/// What the temperature of a vial came to, to be remembered.
pub fn remembered(vial: &Vial, warmth: &Warmth) -> Option<Counted> {
    warmth.of(vial).map(|(counted, _)| counted)
}

/// The model does not judge the temperature of a vial: an end of the watch was stated or corrected
/// after the readings had been counted, the machine was started during it or just before, or microseconds
/// decide.
pub fn is_loose(vial: &Vial, warmth: &Warmth) -> bool {
    let one_boot = watch(vial).is_none_or(|(open, close)| close.is_none_or(|close| close.boot == open.boot));
    let forgotten = vial.counted.is_none()
        && watch(vial).is_some_and(|(open, _)| {
            warmth.heard.front().is_some_and(|first| between(&first.at, &open).0 < 0)
        });
    let tied = watch(vial)
        .is_some_and(|(open, close)| warmth.ties(&open) || close.is_some_and(|close| warmth.ties(&close)));
    let held_over = watch(vial).is_some_and(|(open, _)| warmth.is_held_over(&open));
    vial.loose || tied || !one_boot || held_over || forgotten || warmth.of(vial).is_some_and(|(_, near)| near)
}

fn meet(counted: &mut Counted, milli: i64, degrees: &Degrees) {
    counted.readings += 1;
    counted.low |= side(milli, degrees) < 0;
    counted.high |= side(milli, degrees) > 0;
}

/// On which side of the limits a reading lies: -1 below, 1 above.
fn side(milli: i64, degrees: &Degrees) -> i32 {
    let celsius = Decimal::new(milli, 3);
    let value = if degrees.fahrenheit { celsius * Decimal::new(18, 1) + Decimal::from(32) } else { celsius };
    if degrees.limits.min.is_some_and(|min| value < min) {
        -1
    } else {
        i32::from(degrees.limits.max.is_some_and(|max| value > max))
    }
}
