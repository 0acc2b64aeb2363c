//! Acts of drying to constant mass.

use super::equipment::quantity;
use super::note::{named, reason};
use super::preparation::Walking;
use super::{Decided, Deciding};
use crate::domain::bench::{Outcome, Refusal};
use crate::domain::method::CourseKind;
use crate::domain::moment::Stamp;
use crate::domain::preparation::constant::minutes;
use crate::domain::preparation::{Act, Course, Drying, Entered, Entry, MassOf};
use crate::domain::quantity::{Kind, Unit};
use crate::domain::specimen::{Marked, Target, Weighing};
use uuid::Uuid;

impl Deciding<'_> {
    pub(super) fn drying(&mut self, act: &Act, marked: Marked) -> Decided {
        match act {
            Act::BeginDrying { sample, tins, in_pan } => self.begin_drying(*sample, tins, *in_pan, marked),
            Act::AwaitDryingMass { sample, of } => self.await_drying_mass(*sample, *of, marked),
            Act::NoteOven { sample, load, temperature, unit } => {
                self.note_oven(*sample, *load, temperature, *unit, marked)
            }
            Act::Cooled { sample, load } => self.cooled(*sample, *load, marked),
            Act::StopDrying { sample, load, reason } => self.stop_drying(*sample, *load, reason, marked),
            // Decided where it came from.
            _ => Ok(Outcome::done("")),
        }
    }

    fn begin_drying(&mut self, id: Uuid, tins: &[u32], in_pan: bool, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        let on = walking.on()?;
        let at = Self::step_of_kind(&on, |kind| matches!(kind, CourseKind::Dry { .. }), "drying")?;
        self.in_order(&walking, at, "drying", &marked)?;
        let tins = if tins.is_empty() { on.to_dry() } else { tins.to_vec() };
        if tins.is_empty() {
            let what = format!("{}: no filled tin waits for the oven", walking.sample.label);
            return Err(Refusal::Already { what });
        }
        for (n, tin) in tins.iter().enumerate() {
            self.mass_of_course(id, MassOf::EmptyTin { tin: *tin })?;
            if tins.iter().take(n).any(|other| other == tin) {
                return Err(Refusal::Field { field: "tins", why: format!("tin {tin} stands there twice") });
            }
            may_dry(on.course, *tin, in_pan)?;
        }
        let load = u32::try_from(on.course.loads.len()).unwrap_or(u32::MAX).saturating_add(1);
        let listed = tins.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
        self.enter(id, Entered::DryingBegan { load, tins, in_pan }, marked);
        Ok(self.entered_text(&walking, &format!("drying {load}: tin {listed}")))
    }

    fn load(walking: &Walking, number: u32) -> Result<Drying<'_>, Refusal> {
        let on = walking.on()?;
        on.drying(number).ok_or_else(|| {
            let known = on.course.numbered_loads().map(|(number, _)| number.to_string());
            super::unknown("drying of the sample", number, known)
        })
    }

    fn await_drying_mass(&mut self, id: Uuid, of: MassOf, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        let Some(number) = of.load() else {
            let why = "an empty tin is weighed by `weigh-empty-tin`".to_owned();
            return Err(Refusal::Field { field: "of", why });
        };
        let drying = Self::load(&walking, number)?;
        let refuse = |what: String| Err(Refusal::Already { what });
        let dried = !drying.load.dried.is_empty();
        match of {
            MassOf::EmptyPan { .. } if !drying.load.in_pan => {
                return refuse(format!("drying {number} is of tins without a pan"));
            }
            MassOf::EmptyPan { .. } if dried || drying.load.before.is_some() => {
                return refuse(format!(
                    "the pan of drying {number} is filled: its empty mass can no longer be weighed"
                ));
            }
            MassOf::BeforeDrying { .. } if dried => {
                return refuse(format!("drying {number} was weighed dried already"));
            }
            MassOf::BeforeDrying { .. } | MassOf::Dried { .. } if drying.tare.is_none() => {
                let wanted = if dried { "its dried mass" } else { "its mass" };
                return Err(walking.out_of_order(&format!("{wanted} before the empty pan"), self.now()));
            }
            MassOf::Dried { .. } if drying.stopped.is_some() || drying.cooled.is_some() => {
                return refuse(format!("drying {number} is out of the oven"));
            }
            MassOf::Dried { .. } if drying.waits_ns(self.now()) > 0 => {
                let every = drying.criterion.and_then(|c| c.every_ns).unwrap_or(0);
                return Err(Refusal::Level {
                    why: format!(
                        "too soon for constant mass: the method dries on for {} between two weighings, {} to go",
                        minutes(every),
                        minutes(drying.waits_ns(self.now()))
                    ),
                });
            }
            _ => {}
        }
        self.wait_for_mass(Target::Preparation { sample: id, of }, marked.by)?;
        Ok(Outcome::done(format!("{}: waiting for the mass of {}", walking.sample.label, of.text())))
    }

    fn note_oven(
        &mut self,
        id: Uuid,
        load: u32,
        digits: &str,
        unit: Option<Unit>,
        marked: Marked,
    ) -> Decided {
        let walking = self.walking(id)?;
        Self::load(&walking, load)?;
        not_before(walking.on()?.course, load, None, &marked)?;
        let limits = walking.method.preparation.oven.value;
        let usual = limits.map_or(Unit::Celsius, |limits| limits.unit);
        let temperature = quantity("temperature", digits, unit, usual)?;
        if temperature.unit.kind() != Kind::Temperature {
            let why = format!("{} is no unit of temperature: give Cel or [degF]", temperature.unit.code());
            return Err(Refusal::Field { field: "unit", why });
        }
        let outside =
            limits.filter(|limits| limits.side(&temperature) != Some(crate::domain::quantity::Side::Within));
        let said =
            outside.map_or_else(String::new, |limits| format!("; the method asks for {limits}: a deviation"));
        let text = format!("drying {load}, oven at {temperature}{said}");
        self.enter(id, Entered::OvenNoted { load, temperature }, marked);
        Ok(self.entered_text(&walking, &text))
    }

    fn cooled(&mut self, id: Uuid, load: u32, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        let drying = Self::load(&walking, load)?;
        if drying.cooled.is_some() {
            return Err(Refusal::Already { what: format!("drying {load} is entered as cooled already") });
        }
        if !drying.is_out() && drying.criterion.is_some() {
            return Err(walking
                .out_of_order(&format!("drying {load} cooled, before its mass is constant"), self.now()));
        }
        not_before(walking.on()?.course, load, drying.load.dried.last(), &marked)?;
        self.enter(id, Entered::Cooled { load }, marked);
        Ok(self.entered_text(&walking, &format!("drying {load} cooled to room temperature")))
    }

    fn stop_drying(&mut self, id: Uuid, load: u32, why: &str, marked: Marked) -> Decided {
        let walking = self.walking(id)?;
        named(&marked, "taking a load out early names a person: write your name")?;
        let reason = reason(why)?;
        let drying = Self::load(&walking, load)?;
        if drying.is_out() {
            let what = if drying.is_constant() { "is of constant mass" } else { "was taken out" };
            return Err(Refusal::Already { what: format!("drying {load} {what} already") });
        }
        not_before(walking.on()?.course, load, drying.load.dried.last(), &marked)?;
        let deviation = if drying.criterion.is_some() { "; a deviation on its specimens" } else { "" };
        self.enter(id, Entered::DryingStopped { load, reason }, marked);
        Ok(self.entered_text(&walking, &format!("drying {load} taken out{deviation}")))
    }
}

/// A stated time of a load lies neither before it went into the oven nor before a weighing.
fn not_before(course: &Course, load: u32, last: Option<&Weighing>, marked: &Marked) -> Result<(), Refusal> {
    let is_it = |entry: &&Entry| matches!(&entry.what, Entered::DryingBegan { load: of, .. } if *of == load);
    let began = course.standing().find(is_it).map(|entry| (&entry.marked.moment, "it went into the oven"));
    let weighed = last.map(|weighing| (&weighing.moment, "its last weighing"));
    let mut all = began.into_iter().chain(weighed);
    match all.find(|(moment, _)| marked.moment.since(moment).ns < 0) {
        Some((_, what)) if marked.moment.stamp == Stamp::Entered => {
            Err(Refusal::StatedTime { why: format!("lies before {what} (drying {load})") })
        }
        _ => Ok(()),
    }
}

/// A tin goes into the oven once, filled, before a specimen is made of it.
fn may_dry(course: &Course, tin: u32, in_pan: bool) -> Result<(), Refusal> {
    let refuse = |what: String| Err(Refusal::Already { what });
    if course.filled(tin).is_none() {
        return refuse(format!("tin {tin} is not filled"));
    }
    if let Some(load) = course.load_of(tin) {
        return refuse(format!("tin {tin} is in drying {load} already"));
    }
    let known = course.tin(tin);
    if known.is_some_and(|t| t.specimen.is_some()) {
        return refuse(format!("tin {tin} is a specimen's already"));
    }
    if !in_pan && known.is_some_and(|t| t.tare.is_none()) {
        let why = format!(
            "tin {tin} was not weighed empty, so its net mass cannot be told: put its content into a pan and say so \
             (`in-pan`)"
        );
        return Err(Refusal::Field { field: "tins", why });
    }
    Ok(())
}
