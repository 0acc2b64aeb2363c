//! Which complete specimens of a sample make its result, and why each other one does not: one pure
//! function of the sample, for the average, the documents and the pages alike.

use crate::domain::specimen::late::Repeat;
use crate::domain::specimen::sample::{Counted, Sample};
use uuid::Uuid;

/// Why a complete specimen does not count for its sample's result.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// It had no line in time.
    NoLineInTime,
    /// It is from before the repeat, which stands for the sample.
    BeforeTheRepeat,
    /// Of the new ones another settled sooner.
    NotTheSoonest,
    /// It has deviations, and nobody has decided yet.
    Held,
    /// It has deviations, and another is run in its place.
    Replaced,
}

impl Why {
    /// In a sentence.
    pub const fn text(self) -> &'static str {
        match self {
            Self::NoLineInTime => "no clear line within the method's longest sedimentation",
            Self::BeforeTheRepeat => "the sample was run again with new specimens",
            Self::NotTheSoonest => "another of the new specimens settled sooner",
            Self::Held => "it has deviations, and nobody has admitted it",
            Self::Replaced => "it has deviations, and another specimen is run in its place",
        }
    }

    /// In documents.
    pub const fn code(self) -> &'static str {
        match self {
            Self::NoLineInTime => "no-line-in-time",
            Self::BeforeTheRepeat => "before-the-repeat",
            Self::NotTheSoonest => "not-the-soonest",
            Self::Held => "held",
            Self::Replaced => "replaced",
        }
    }
}

/// Which complete specimens of a sample make its result.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Counting<'a> {
    /// These.
    pub counts: Vec<&'a Counted>,
    /// These not.
    pub others: Vec<(&'a Counted, Why)>,
    /// Of a repeat: nothing that is only bounded could have settled sooner than the one that counts.
    pub certain: bool,
}

impl<'a> Counting<'a> {
    /// Specimens that wait for somebody's decision.
    pub fn held(&self) -> impl Iterator<Item = &'a Counted> {
        self.others.iter().filter(|(_, why)| *why == Why::Held).map(|(counted, _)| *counted)
    }

    /// Why a specimen does not count; `None`: it does, or is not complete.
    pub fn why(&self, specimen: Uuid) -> Option<Why> {
        self.others.iter().find(|(counted, _)| counted.specimen == specimen).map(|(_, why)| *why)
    }
}

/// Which complete specimens make the result: all that nothing bars, or of a repeat the one that
/// settled soonest.
pub fn counting(sample: &Sample) -> Counting<'_> {
    let chosen = sample.repeat.as_ref().map(|repeat| soonest(sample, repeat));
    let why = |counted: &Counted| match (&sample.repeat, chosen) {
        (Some(repeat), Some(chosen)) => why_of_repeat(sample, repeat, chosen, counted),
        _ if is_before_further(sample, counted) => Some(Why::BeforeTheRepeat),
        _ => bar(sample, counted),
    };
    let (mut counts, mut others) = (Vec::new(), Vec::new());
    for counted in &sample.counted {
        match why(counted) {
            None => counts.push(counted),
            Some(why) => others.push((counted, why)),
        }
    }
    let unknown = |counted: &Counted| counted.settled.is_none_or(|s| s.bound || s.ns < 0);
    let certain = !others.iter().any(|(c, why)| *why == Why::NotTheSoonest && unknown(c));
    Counting { counts, others, certain }
}

/// The result of the sample can be made: enough specimens count, and none waits for a decision.
pub fn is_ready(sample: &Sample) -> bool {
    let complete = sample.complete();
    if complete == 0 || complete < sample.wanted() {
        return false;
    }
    let counting = counting(sample);
    !counting.counts.is_empty() && counting.held().next().is_none()
}

/// How many complete specimens another one stands for.
pub fn replaced(sample: &Sample) -> u32 {
    let of_group = |c: &&Counted| sample.repeat.as_ref().is_none_or(|r| r.group.contains(&c.specimen));
    let replaced = |c: &&Counted| bar(sample, c) == Some(Why::Replaced);
    u32::try_from(sample.counted.iter().filter(of_group).filter(replaced).count()).unwrap_or(u32::MAX)
}

fn bar(sample: &Sample, counted: &Counted) -> Option<Why> {
    sample.quality.bar(counted, sample.intake.particulars.limit.as_ref())
}

/// The new specimen of a repeat whose sedimentation was the shortest.
fn soonest(sample: &Sample, repeat: &Repeat) -> Option<Uuid> {
    // A duration that the clocks leave open (across a restart, disagreeing) is longer than any.
    let took = |c: &Counted| c.settled.map_or(i64::MAX, |s| if s.ns < 0 { i64::MAX } else { s.ns });
    let new = sample.counted.iter().filter(|c| repeat.group.contains(&c.specimen));
    // Of equals the first: it was completed first.
    let standing = new.filter(|c| bar(sample, c) != Some(Why::Replaced));
    standing.min_by_key(|c| took(c)).map(|c| c.specimen)
}

fn why_of_repeat(sample: &Sample, repeat: &Repeat, chosen: Option<Uuid>, counted: &Counted) -> Option<Why> {
    if chosen == Some(counted.specimen) {
        return bar(sample, counted);
    }
    Some(if repeat.was_called_by(counted.specimen) {
        Why::NoLineInTime
    } else if repeat.group.contains(&counted.specimen) {
        bar(sample, counted).filter(|why| *why == Why::Replaced).unwrap_or(Why::NotTheSoonest)
    } else {
        Why::BeforeTheRepeat
    })
}

/// The method runs the test again on new specimens, and one of them has been begun at least: until
/// then a person may still plan fewer, and the first ones stand.
fn is_before_further(sample: &Sample, counted: &Counted) -> bool {
    let Some(further) = sample.quality.further.as_ref().filter(|f| f.alone) else { return false };
    let still = sample.counted.iter().filter(|c| further.before.contains(&c.specimen)).count();
    let begun = usize::try_from(sample.standing()).is_ok_and(|standing| standing > still);
    begun && further.before.contains(&counted.specimen)
}
