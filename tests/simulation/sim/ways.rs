//! What may be done on a sample's way from the bag to its tins, and what must be refused: worked out
//! by the model from the inputs and the method files.

use super::ledger::{Bag, Ledger};
use super::oven::{Part, last};
use super::route::Kind;
use super::vial::between;
use super::way::{Moist, Noted, Stand, Tin, Until, Way, at, is_right, numbered};
use rust_decimal::Decimal;
use stillstand::domain::bench::Do;
use stillstand::domain::moment::{Moment, Stamp};
use stillstand::domain::preparation::{Act, Finding, MassOf};
use stillstand::domain::specimen::Target;
use uuid::Uuid;

/// Tins of one sample, at most.
const MOST_TINS: usize = 60;

/// A sample that somebody means.
enum Found<'a> {
    On(&'a Bag, &'a Way),
    /// It follows no course, or has its result.
    Refused,
    /// It may have left the bench.
    Unsure,
}

/// Which tin is meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Choice {
    Known(u32),
    Another(Option<String>),
}

/// The act's person, and its instants: now, and when it was done.
#[derive(Debug, Clone, Copy)]
pub struct Told<'a> {
    pub who: Option<&'a str>,
    pub now: &'a Moment,
    pub moment: &'a Moment,
}

impl Told<'_> {
    fn is_named(&self) -> bool {
        self.who.is_some_and(|who| !who.trim().is_empty())
    }
}

fn is_reason(text: &str) -> bool {
    let text = text.trim();
    !text.is_empty() && text.chars().count() <= 200
}

impl Ledger {
    fn found(&self, sample: Uuid) -> Found<'_> {
        match self.bags.get(&sample) {
            Some(bag) if bag.reported => Found::Refused,
            Some(bag) if !bag.closed => bag.way.as_ref().map_or(Found::Refused, |way| Found::On(bag, way)),
            _ => Found::Unsure,
        }
    }

    pub fn way_mut(&mut self, sample: Uuid) -> Result<&mut Way, String> {
        let way = self.bags.get_mut(&sample).and_then(|bag| bag.way.as_mut());
        way.ok_or_else(|| format!("sample {sample} follows no course in the model"))
    }

    /// Specimens that a sample still wants; `None`: more is to be known for it.
    pub fn wanted(&self, sample: Uuid) -> Option<usize> {
        let bag = self.bags.get(&sample).filter(|bag| !bag.odd)?;
        let stand = self.vials.values().filter(|vial| vial.sample == sample && vial.void.is_none()).count();
        Some(usize::try_from(bag.planned).ok()?.saturating_sub(stand))
    }

    /// How a step of a sample's way stands.
    pub fn stand(&self, sample: Uuid, stage: usize, until: Until, now: &Moment) -> Stand {
        let Some((bag, way)) = self.bags.get(&sample).and_then(|bag| Some((bag, bag.way.as_ref()?))) else {
            return Stand::Open;
        };
        let by = match until {
            Until::Now => None,
            Until::Entry(place) => Some(way.entries[place].at),
            Until::At(moment) => Some(moment),
        };
        let weighed = |name: &str| {
            let masses = bag.masses.get(name).map(Vec::as_slice).unwrap_or_default();
            masses.iter().any(|(id, _)| {
                let mass = self.scales.get(id);
                mass.zip(by.as_ref()).is_none_or(|(mass, by)| between(&mass.at, by).0 >= 0)
            })
        };
        way.stands(stage, (until, now), &weighed, self.wanted(sample))
    }

    /// Something before a step must be done first.
    fn is_blocked(&self, sample: Uuid, way: &Way, stage: usize, now: &Moment) -> bool {
        (0..stage).any(|before| {
            let stand = self.stand(sample, before, Until::Now, now);
            let goes_on = matches!(way.route.stages[before].kind, Kind::Tins { .. } | Kind::Temper);
            !(stand.is_complete() || goes_on && stand == Stand::Running)
        })
    }

    /// A step's turn has come, and a stated time lies after what was entered last.
    fn in_turn(&self, sample: Uuid, way: &Way, stage: usize, told: &Told<'_>) -> bool {
        let last = way.last_entry().map_or(&way.chosen, |place| &way.entries[place].at);
        let after = told.moment.stamp != Stamp::Entered || between(last, told.moment).0 >= 0;
        after && !self.is_blocked(sample, way, stage, told.now)
    }

    /// Somebody else has the tin with this mark; `None`: who knows.
    fn is_in_use(&self, mark: &str) -> Option<bool> {
        let mut unsure = false;
        for bag in self.bags.values().filter(|bag| !bag.reported) {
            for tin in bag.way.iter().flat_map(|way| &way.tins) {
                let used = tin.mark.as_deref() == Some(mark) && self.is_held(tin);
                if used && !bag.closed {
                    return Some(true);
                }
                unsure |= used;
            }
        }
        (!unsure).then_some(false)
    }

    /// What is in a tin was not poured into a cylinder yet.
    fn is_held(&self, tin: &Tin) -> bool {
        let Some(id) = tin.vial else { return true };
        let vial = self.vials.get(&id).filter(|vial| !vial.is_over() && !self.cleaned.contains(&id));
        vial.is_some_and(|vial| vial.marks.iter().skip(1).all(Option::is_none))
    }

    /// The tin that is filled, or weighed empty, where only its mark is known or nothing.
    pub fn choose(way: &Way, tin: Option<u32>, mark: Option<&str>, weighed: bool) -> Choice {
        let free = |place: &usize| way.filled(numbered(*place)).is_none();
        let fits = |place: &usize| {
            let known = &way.tins[*place];
            match mark {
                Some(_) => known.mark.as_deref() == mark,
                // Of those that nobody weighed, one without a mark.
                None if weighed => known.mark.is_none() && known.empty.is_empty(),
                None => true,
            }
        };
        let open = (0..way.tins.len()).find(|place| free(place) && fits(place));
        match tin.or(open.map(numbered)) {
            Some(tin) => Choice::Known(tin),
            None => Choice::Another(mark.map(str::to_owned)),
        }
    }

    fn is_to_be_had(&self, way: &Way, choice: &Choice) -> Option<bool> {
        match choice {
            Choice::Known(tin) => Some(way.tin(*tin).is_some() && way.filled(*tin).is_none()),
            Choice::Another(_) if way.tins.len() >= MOST_TINS => Some(false),
            Choice::Another(None) => Some(true),
            Choice::Another(Some(mark)) if mark.chars().count() > 32 => Some(false),
            Choice::Another(Some(mark)) => self.is_in_use(mark).map(|used| !used),
        }
    }

    /// Whether a step of preparing must be taken, or refused; `None`: the model does not say.
    pub fn may_prepare(&self, act: &Act, told: &Told<'_>) -> Option<bool> {
        let sample = subject(act);
        if let Act::Follow { course, .. } = act {
            let bag = self.bags.get(&sample).filter(|bag| !bag.closed || bag.reported)?;
            let known = bag.book.preparing.routes.iter().any(|route| route.name == *course);
            let begun = bag.way.as_ref().is_some_and(|way| {
                way.last_entry().is_some() || way.tins.iter().any(|tin| !tin.empty.is_empty())
            });
            return Some(known && !begun && !bag.reported);
        }
        if let Act::GiveTin { specimen, tin } = act {
            return self.may_give_tin(*specimen, *tin);
        }
        let way = match self.found(sample) {
            Found::On(_, way) => way,
            Found::Refused => return Some(false),
            Found::Unsure => return None,
        };
        let turn = |stage: usize| self.in_turn(sample, way, stage, told);
        match act {
            Act::Done { step, .. } | Act::Skip { step, .. } => {
                let Some(at) = way.route.stages.iter().position(|stage| stage.name == *step) else {
                    return Some(false);
                };
                let open = !self.stand(sample, at, Until::Now, told.now).is_complete();
                let of_kind = match act {
                    Act::Skip { reason, .. } => {
                        way.route.stages[at].optional && told.is_named() && is_reason(reason)
                    }
                    _ => way.route.stages[at].kind == Kind::Done,
                };
                Some(open && of_kind && turn(at))
            }
            Act::Cast { finding, changed, .. } => {
                let at = way.route.stage(|kind| *kind == Kind::Cast);
                Some(at.is_some_and(turn) && fits(way, *finding, changed.as_deref()))
            }
            Act::Remix { .. } => {
                let at = way.route.tins().filter(|_| way.route.mixes());
                Some(at.is_some_and(turn) && !way.is_mixed(usize::MAX))
            }
            Act::WeighEmptyTin { tin, mark, .. } => {
                self.is_to_be_had(way, &Self::choose(way, *tin, mark.as_deref(), true))
            }
            Act::FillTin { tin, mark, confirmed, .. } => {
                let turn = way.route.tins().is_some_and(turn);
                let choice = Self::choose(way, *tin, mark.as_deref(), false);
                if turn { self.may_fill(sample, way, &choice, *confirmed, told.moment) } else { Some(false) }
            }
            Act::TakeBack { reason, .. } => {
                let Some(place) = way.last_entry() else { return Some(false) };
                let held = match way.entries[place].what {
                    Noted::Filled(tin) => way.tins[at(tin)].vial.is_some(),
                    Noted::Began(load) => {
                        let load = &way.loads[at(load)];
                        !(load.pan.is_empty() && load.before.is_empty() && load.dried.is_empty())
                    }
                    _ => false,
                };
                Some(!held && told.is_named() && is_reason(reason))
            }
            _ => Some(self.may_dry(sample, way, act, told)),
        }
    }

    /// A tin may be filled: at once, or only if somebody who was asked confirms it.
    fn may_fill(&self, sample: Uuid, way: &Way, tin: &Choice, confirmed: bool, at: &Moment) -> Option<bool> {
        let to_be_had = self.is_to_be_had(way, tin);
        if confirmed || to_be_had == Some(false) {
            return to_be_had;
        }
        if way.is_tempering(Until::Now, at) || way.route.mixes() && !way.is_mixed(usize::MAX) {
            return Some(false);
        }
        let enough = self.wanted(sample)? <= way.ready().len();
        if enough { Some(false) } else { to_be_had }
    }

    fn may_give_tin(&self, specimen: Uuid, tin: u32) -> Option<bool> {
        let vial = self.vials.get(&specimen)?;
        if self.cleaned.contains(&specimen) {
            return Some(false);
        }
        match self.found(vial.sample) {
            Found::On(_, way) => {
                let free = way.tin(tin).is_some_and(|tin| tin.vial.is_none());
                Some(free && way.filled(tin).is_some() && !vial.is_over())
            }
            Found::Refused => Some(false),
            Found::Unsure => None,
        }
    }

    fn may_dry(&self, sample: Uuid, way: &Way, act: &Act, told: &Told<'_>) -> bool {
        let known = |load: u32| way.loads.get(at(load)).is_some();
        // A stated time of a load lies neither before it went into the oven nor before a weighing.
        let began = |load: u32| {
            let entries = way.entries(Until::Now);
            entries.iter().find(|(_, entry)| entry.what == Noted::Began(load)).map(|(_, entry)| entry.at)
        };
        let weighed = |load: u32| way.loads.get(at(load)).and_then(|l| last(&l.dried)).map(|mass| mass.at);
        let after = |from: Option<Moment>| {
            let late = from.is_none_or(|from| between(&from, told.moment).0 >= 0);
            late || told.moment.stamp != Stamp::Entered
        };
        match act {
            Act::BeginDrying { tins, in_pan, .. } => {
                let turn = way.route.dries().is_some_and(|at| self.in_turn(sample, way, at, told));
                let tins = oven_tins(way, tins);
                let twice = tins.iter().enumerate().any(|(n, tin)| tins[..n].contains(tin));
                let fits = |tin: &u32| {
                    let free = way
                        .tin(*tin)
                        .is_some_and(|known| known.vial.is_none() && (*in_pan || !known.empty.is_empty()));
                    free && way.filled(*tin).is_some() && way.load_of(*tin).is_none()
                };
                turn && !tins.is_empty() && !twice && tins.iter().all(fits)
            }
            Act::AwaitDryingMass { of, .. } => {
                let Some((part, number)) = part(*of) else { return false };
                let Some(oven) = way.oven(number) else { return false };
                let dried = !oven.load.dried.is_empty();
                match part {
                    Part::Pan => oven.load.in_pan && !dried && oven.load.before.is_empty(),
                    Part::Before => !dried && oven.tare.is_some(),
                    Part::Dried => {
                        let inside =
                            !way.is_stopped(number, Until::Now) && way.cooled(number, Until::Now).is_none();
                        inside && oven.tare.is_some() && oven.waits(told.now) <= 0
                    }
                }
            }
            Act::NoteOven { load, temperature, .. } => {
                known(*load) && temperature.parse::<Decimal>().is_ok() && after(began(*load))
            }
            Act::Cooled { load, .. } => {
                let out = way.is_out(*load, Until::Now) || way.book.preparing.constancy.is_none();
                let in_time = after(began(*load)) && after(weighed(*load));
                known(*load) && way.cooled(*load, Until::Now).is_none() && out && in_time
            }
            Act::StopDrying { load, reason, .. } => {
                let in_time = after(began(*load)) && after(weighed(*load));
                let inside = known(*load) && !way.is_out(*load, Until::Now);
                inside && in_time && told.is_named() && is_reason(reason)
            }
            _ => false,
        }
    }

    /// A mass that is a step of a way comes in its turn; notes without a way are for samples that
    /// follow none. `None`: the model does not say.
    pub fn may_beside(&self, what: &Do, now: &Moment) -> Option<bool> {
        match what {
            Do::AwaitSampleMass { sample, name } => {
                let Found::On(bag, way) = self.found(*sample) else { return None };
                let known = bag.book.masses.iter().any(|(mass, _)| mass == name);
                let step = way.route.stage(|kind| *kind == Kind::Weigh(name.clone()));
                Some(known && step.is_none_or(|at| !self.is_blocked(*sample, way, at, now)))
            }
            Do::Prepare { sample, .. } => {
                let bag = self.bags.get(sample).filter(|bag| !bag.closed)?;
                bag.way.is_some().then_some(false)
            }
            Do::PlaceWeighing { weighing, target } | Do::ReassignWeighing { weighing, target } => {
                let Target::Preparation { sample, of } = target else { return None };
                let Found::On(_, way) = self.found(*sample) else { return None };
                let mass = self.scales.get(weighing)?;
                let (part, load) = part(*of)?;
                let wrong = way.oven(load)?.cannot_be(part, mass);
                wrong.then_some(false)
            }
            _ => None,
        }
    }
}

/// A cast may be judged so: what was too wet makes a good cast all the same, and is only right when
/// it is more fragile than the first; what is right is not changed, and what is not, is.
fn fits(way: &Way, finding: Finding, changed: Option<&str>) -> bool {
    let over_wet = way.moist(Until::Now) == Moist::Changing { over_wet: true };
    let fits = match finding {
        Finding::Good => !over_wet,
        Finding::MoreFragile | Finding::AsFirm => over_wet,
        _ => true,
    };
    fits && changed.is_some_and(|text| !text.trim().is_empty()) != is_right(finding)
}

/// Which mass of which load.
pub fn part(of: MassOf) -> Option<(Part, u32)> {
    match of {
        MassOf::EmptyTin { .. } => None,
        MassOf::EmptyPan { load } => Some((Part::Pan, load)),
        MassOf::BeforeDrying { load } => Some((Part::Before, load)),
        MassOf::Dried { load } => Some((Part::Dried, load)),
    }
}

/// The sample of an act; of a tin's that is given, nobody.
pub fn subject(act: &Act) -> Uuid {
    match act {
        Act::GiveTin { .. } => Uuid::nil(),
        Act::Follow { sample, .. }
        | Act::Done { sample, .. }
        | Act::Skip { sample, .. }
        | Act::Cast { sample, .. }
        | Act::Remix { sample }
        | Act::WeighEmptyTin { sample, .. }
        | Act::FillTin { sample, .. }
        | Act::BeginDrying { sample, .. }
        | Act::AwaitDryingMass { sample, .. }
        | Act::NoteOven { sample, .. }
        | Act::Cooled { sample, .. }
        | Act::StopDrying { sample, .. }
        | Act::TakeBack { sample, .. } => *sample,
    }
}

/// The tins that are named, or all that wait for the oven.
pub fn oven_tins(way: &Way, named: &[u32]) -> Vec<u32> {
    if named.is_empty() {
        way.ready().into_iter().filter(|tin| way.load_of(*tin).is_none()).collect()
    } else {
        named.to_vec()
    }
}
