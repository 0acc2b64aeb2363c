//! The way from the bag to the tin on a published record, held against the model; and its deviations.

use super::expected::Expected;
use super::judging::instant;
use super::ledger::Ledger;
use super::oven::last;
use super::route::{Kind, millionths};
use super::vial::{Vial, between};
use super::way::{Noted, Stand, Until, Way, at, is_right};
use rust_decimal::Decimal;
use serde_json::Value;
use stillstand::domain::moment::Moment;

/// How far a specimen's preparation is looked at: up to the filling of its tin, and the drying up to
/// its own begin.
struct Judged<'a> {
    way: &'a Way,
    tin: Option<u32>,
    filled: (Until, Moment),
    begun: Moment,
}

impl Ledger {
    fn judged_way(&self, vial: &Vial, begun: Moment) -> Option<Judged<'_>> {
        let way = self.bags.get(&vial.sample)?.way.as_ref()?;
        let tin = way.tin_of(vial.id);
        let filled = tin.and_then(|tin| way.filled(tin));
        let filled = filled.map_or((Until::At(begun), begun), |(place, at)| (Until::Entry(place), at));
        Some(Judged { way, tin, filled, begun })
    }

    /// Deviations of a specimen's way; none before it was begun.
    pub fn of_way(&self, vial: &Vial) -> Vec<Expected> {
        let judged = self.begun(vial).and_then(|begun| self.judged_way(vial, begun));
        let Some(Judged { way, tin, filled: (until, filled), begun }) = judged else { return Vec::new() };
        let mut found = Vec::new();
        let mut add = |code: &str| found.push(Expected::new(code, None));
        for (place, stage) in way.route.stages.iter().enumerate() {
            if way.is_skipped(&stage.name, until) {
                continue;
            }
            match &stage.kind {
                Kind::Done | Kind::Weigh(_) | Kind::Cast => {
                    if !self.stand(vial.sample, place, until, &filled).is_complete() {
                        add("preparation-not-shown");
                    }
                }
                Kind::Temper => {
                    // A record tells what the clocks said.
                    let least = way.tempering(until).zip(way.book.tempering_ns);
                    if least.is_some_and(|((_, since), least)| between(&since, &filled).0 < least) {
                        add("tempering-short");
                    }
                }
                Kind::Tins { remix, .. } => match tin.and_then(|tin| way.filled(tin)) {
                    None => add("preparation-not-shown"),
                    Some((entry, _)) if *remix && !way.is_mixed(entry) => add("not-remixed"),
                    Some(_) => {}
                },
                Kind::Dry { cooled } => {
                    let Some(tin) = tin else { continue };
                    let Some(load) = way.load_of(tin) else {
                        add("preparation-not-shown");
                        continue;
                    };
                    of_load(way, load, &begun, &mut add);
                    if *cooled && way.cooled(load, Until::At(begun)).is_none() {
                        add("preparation-not-shown");
                    }
                }
            }
        }
        found
    }

    /// The preparation of a record. Gives how many changes of a mass it tells.
    pub fn preparation(&mut self, vial: &Vial, told: &Value) -> Result<(), String> {
        let begun = self.begun(vial).unwrap_or(vial.registered);
        let Some(judged) = self.judged_way(vial, begun) else {
            let known = self.bags.contains_key(&vial.sample);
            return if known && !told.is_null() {
                Err(format!("no preparation, and it tells {told}"))
            } else {
                Ok(())
            };
        };
        let Judged { way, tin, filled: (until, filled), .. } = judged;
        same("course", &told["course"], Some(&way.route.name))?;
        for (place, stage) in way.route.stages.iter().enumerate() {
            let stand = self.stands_in_record(vial, &judged, place);
            let told = &told["steps"][place];
            same("step", &told["name"], Some(&stage.name))?;
            same(&stage.name, &told["standing"], Some(stand))?;
        }
        let casts = way.casts(until);
        let told_casts = told["casts"].as_array().ok_or("no casts")?;
        if casts.len() != told_casts.len() {
            return Err(format!("{} casts, and it tells {}", casts.len(), told["casts"]));
        }
        for ((_, finding, at), told) in casts.iter().zip(told_casts) {
            let word = serde_json::to_value(finding).map_err(|e| e.to_string())?;
            if told["finding"] != word || told["accepted"] != is_right(*finding) {
                return Err(format!("the cast was {finding:?}, and it tells {told}"));
            }
            instant(at, &told["at"])?;
        }
        match way.tempering(until) {
            None if told["tempering"].is_null() => {}
            None => return Err(format!("nothing was tempered, and it tells {}", told["tempering"])),
            Some((_, since)) => {
                instant(&since, &told["tempering"]["begin"])?;
                let (ns, _) = between(&since, &filled);
                if told["tempering"]["duration"]["exactNs"].as_i64() != Some(ns) {
                    return Err(format!("tempered for {ns} ns, and it tells {}", told["tempering"]));
                }
            }
        }
        if told["tin"]["number"].as_u64() != tin.map(u64::from) {
            return Err(format!("its tin is {tin:?}, and it tells {}", told["tin"]));
        }
        if let Some(tin) = tin {
            let known = &way.tins[at(tin)];
            same("mark", &told["tin"]["mark"], known.mark.as_deref())?;
            instant(&filled, &told["tin"]["filled"])?;
        }
        let back = way.entries.iter().filter(|entry| entry.taken_back).count();
        if told["takenBack"].as_array().map(Vec::len) != Some(back) {
            return Err(format!("{back} entries were taken back, and it tells {}", told["takenBack"]));
        }
        let load = tin.and_then(|tin| way.load_of(tin));
        let (changes, constant) = match load {
            Some(load) => drying(way, load, &begun, &told["drying"])?,
            None if told["drying"].is_null() => (0, false),
            None => return Err(format!("nothing was dried, and it tells {}", told["drying"])),
        };
        self.judged.ways += 1;
        self.judged.changes += changes;
        self.judged.constant += u64::from(constant);
        Ok(())
    }

    fn stands_in_record(&self, vial: &Vial, judged: &Judged<'_>, place: usize) -> &'static str {
        let Judged { way, tin, filled: (until, _), begun } = judged;
        let done = |yes: bool| if yes { "done" } else { "open" };
        let stage = &way.route.stages[place];
        let stand = self.stand(vial.sample, place, *until, begun);
        match &stage.kind {
            _ if stand == Stand::Skipped => "skipped",
            Kind::Temper if stand == Stand::NotNeeded => "not-needed",
            Kind::Temper => done(way.tempering(*until).is_some()),
            Kind::Tins { .. } => done(tin.is_some()),
            Kind::Dry { .. } => {
                let load = tin.and_then(|tin| way.load_of(tin));
                done(load.is_some_and(|load| way.is_over(load, Until::At(*begun))))
            }
            Kind::Done | Kind::Weigh(_) | Kind::Cast => done(stand.is_complete()),
        }
    }
}

fn same(what: &str, told: &Value, wanted: Option<&str>) -> Result<(), String> {
    if told.as_str() == wanted { Ok(()) } else { Err(format!("{what} is {wanted:?}, and it tells {told}")) }
}

/// Deviations of a load: its mass and its oven by the begin of a specimen.
fn of_load(way: &Way, load: u32, begun: &Moment, add: &mut impl FnMut(&str)) {
    let preparing = &way.book.preparing;
    let dry = way.oven(load).is_some_and(|oven| oven.is_constant(Some(begun)));
    if preparing.constancy.is_some() && !dry {
        add("not-constant");
    }
    let Some(limits) = preparing.oven else { return };
    let noted = ninths(way, load, begun);
    if noted.is_empty() {
        add("oven-not-shown");
    }
    let nine = Decimal::from(9);
    for value in noted {
        if limits.min.is_some_and(|min| value < min * nine)
            || limits.max.is_some_and(|max| value > max * nine)
        {
            add("oven-outside");
        }
    }
}

fn ninths(way: &Way, load: u32, begun: &Moment) -> Vec<Decimal> {
    let entries = way.entries(Until::At(*begun));
    let of_load = |(_, entry): &(usize, &super::way::Entry)| match entry.what {
        Noted::Oven(of, ninths) if of == load => Some(ninths),
        _ => None,
    };
    entries.iter().filter_map(of_load).collect()
}

/// A figure of a record in millionths.
fn figure(told: &Value) -> Option<i128> {
    told["text"].as_str()?.parse().ok().map(millionths)
}

/// One drying of a record, weighing by weighing: how many changes it has, and whether it is constant.
fn drying(way: &Way, load: u32, begun: &Moment, told: &Value) -> Result<(u64, bool), String> {
    let wrong = |what: &str, wanted: String, told: &Value| {
        Err(format!("drying {load}: {what} {wanted}, and it tells {told}"))
    };
    let oven = way.oven(load).ok_or("a drying that nobody knows")?;
    if told["number"].as_u64() != Some(u64::from(load)) || figure(&told["tare"]) != oven.tare {
        return wrong("tare", format!("{:?}", oven.tare), told);
    }
    let before = last(&oven.load.before).filter(|mass| between(&mass.at, begun).0 >= 0);
    let before = before.and_then(|mass| oven.net(mass));
    if figure(&told["netBefore"]) != before {
        return wrong("before", format!("{before:?}"), &told["netBefore"]);
    }
    let (weighed, weighings) = (oven.dried(Some(begun)), told["weighings"].as_array().ok_or("no weighings")?);
    if weighed.len() != weighings.len() {
        return wrong("weighings", weighed.len().to_string(), &told["weighings"]);
    }
    let mut changes = 0;
    for (place, (mass, told)) in weighed.iter().zip(weighings).enumerate() {
        if figure(&told["net"]) != oven.net(mass) {
            return wrong("net", format!("{:?}", oven.net(mass)), told);
        }
        let first = place.checked_sub(1).map(|before| &weighed[before]);
        let after = first.map(|first| i128::from(between(&first.at, &mass.at).0));
        let told_after = told["after"]["text"].as_str().and_then(|text| text.parse::<Decimal>().ok());
        if told_after != after.map(|ns| Decimal::from_i128_with_scale(ns, 9)) {
            return wrong("after", format!("{after:?} ns"), told);
        }
        let change = first.and_then(|first| oven.change(first, mass));
        let percent = change.map(|change| change.percent * 1000);
        let coarse = change.is_some_and(|change| change.coarse);
        if figure(&told["change"]) != percent || told["coarse"] != coarse {
            return wrong("change in percent", format!("{percent:?} millionths, coarse: {coarse}"), told);
        }
        same("verdict", &told["verdict"], change.map(|change| change.verdict))?;
        changes += u64::from(change.is_some());
    }
    let constant = oven.is_constant(Some(begun));
    if told["constant"] != constant {
        return wrong("constant", constant.to_string(), &told["constant"]);
    }
    let water = oven.water(begun).map(|hundredths| hundredths * 10_000);
    if figure(&told["water"]) != water {
        return wrong("water", format!("{water:?} millionths of a percent"), &told["water"]);
    }
    let by = Until::At(*begun);
    if told["stopped"].is_null() == way.is_stopped(load, by) {
        return wrong("stopped", way.is_stopped(load, by).to_string(), &told["stopped"]);
    }
    match way.cooled(load, by) {
        Some(at) => instant(&at, &told["cooled"])?,
        None if told["cooled"].is_null() => {}
        None => return wrong("cooled", "not".to_owned(), &told["cooled"]),
    }
    if told["oven"].as_array().map(Vec::len) != Some(ninths(way, load, begun).len()) {
        return wrong("oven", format!("{} times", ninths(way, load, begun).len()), &told["oven"]);
    }
    Ok((changes, constant))
}
