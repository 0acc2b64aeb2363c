//! What a page shows, as one JSON value: a pure function of the committed state, this instant and
//! what the instruments show. It decides nothing.

pub mod charts;
pub mod equipment;
pub mod following;
mod forecast;
mod corrections;
mod lists;
mod measured;
mod odd;
pub mod people;
mod places;
mod quality;
pub mod preparation;
pub mod review;
pub mod room;
pub mod samples;
pub mod solution;

use crate::domain::bench::Bench;
use crate::domain::moment::Moment;
use crate::domain::reading::Live;
use crate::domain::signal::Told;
use crate::domain::units::Units;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Everything that a view is made of.
#[derive(Debug)]
pub struct Seen<'a> {
    /// The committed bench.
    pub bench: &'a Bench,
    /// Sequence number of its newest event.
    pub sequence: u64,
    /// What is wrong with the journal.
    pub fault: Option<&'a str>,
    /// This instant.
    pub now: Moment,
    /// The clock runs by itself; a stepped one must not be carried on by the page.
    pub running_clock: bool,
    /// IANA time zone in which people see times.
    pub zone: &'a str,
    /// In which units figures are shown.
    pub units: Units,
    /// Documents that the network has not taken.
    pub waiting: u64,
    /// What the instruments show.
    pub live: BTreeMap<String, Live>,
    /// What horn, lamps and relay do.
    pub outputs: BTreeMap<String, Told>,
}

/// The whole view.
pub fn view(seen: &Seen<'_>) -> Value {
    let bench = seen.bench;
    json!({
        "station": {
            "id": bench.station,
            "title": bench.title,
            "rehearsal": bench.rehearsal,
            "version": bench.version,
            "zone": seen.zone,
            "foot": bench.settings.foot,
            "shakerHolds": bench.settings.shaker_holds,
            "charts": bench.settings.charts == crate::domain::quality::charts::Charts::On,
        },
        "now": beat(seen.now, seen.running_clock),
        "sequence": seen.sequence,
        "fault": seen.fault,
        "waiting": seen.waiting,
        "unconfirmed": bench.network.unconfirmed,
        "consumers": lists::consumers(bench),
        "places": (1..=bench.last_place())
            .map(|place| json!({
                "place": place,
                "specimen": bench.at_place(place).map(|s| places::specimen(bench, s, &seen.now)),
            }))
            .collect::<Vec<_>>(),
        "doNext": lists::do_next(bench, &seen.now),
        "ahead": lists::ahead(bench, &seen.now),
        "samples": bench.samples.values().map(|s| lists::sample(bench, s, &seen.now)).collect::<Vec<_>>(),
        "methods": lists::methods(bench),
        "lastOfProjects": samples::last_of_projects(bench),
        "switches": bench.triggers.iter().map(|(name, t)| json!({
            "name": name,
            "place": t.place,
            "does": t.does,
            "meaning": bench.meaning(t, &seen.now),
        })).collect::<Vec<_>>(),
        "presses": bench.presses.iter().map(|p| json!({
            "id": p.id,
            "trigger": p.trigger,
            "atMs": ms(p.moment.wall_ns),
            "endedMs": p.ended.map(|m| ms(m.wall_ns)),
            "why": p.why,
        })).collect::<Vec<_>>(),
        "refused": bench.refused.iter().rev().take(5).map(|r| json!({
            "trigger": r.trigger, "why": r.why, "atMs": ms(r.moment.wall_ns),
        })).collect::<Vec<_>>(),
        "alarms": lists::alarms(bench),
        "alarmsAside": lists::alarms_aside(bench),
        "equipment": equipment::line(bench, &seen.now),
        "solutions": solution::line(bench, &seen.now, &seen.live),
        "people": people::line(bench, &seen.now),
        "review": review::line(bench),
        "probe": lists::probe(bench, &seen.now, seen.units),
        "room": lists::room(bench, &seen.now, seen.units),
        "balance": lists::balance(bench),
        "instruments": lists::instruments(bench, &seen.live, seen.units),
        "outputs": seen.outputs,
        "finished": bench.finished.iter().rev().take(12).map(|f| json!({
            "document": f.document, "number": f.number, "label": f.label, "reported": f.reported,
            "deviations": f.deviations, "kind": f.kind, "atMs": ms(f.moment.wall_ns),
        })).collect::<Vec<_>>(),
    })
}

/// The instant of a view, and whether the page may carry it on by its own clock.
pub fn beat(now: Moment, running: bool) -> Value {
    json!({ "wallMs": ms(now.wall_ns), "running": running })
}

/// Whole milliseconds, towards the past.
const fn ms(ns: i64) -> i64 {
    ns.div_euclid(1_000_000)
}
