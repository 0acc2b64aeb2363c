//! The list of equipment: a line for the bench page, and the whole for its own page.

use super::ms;
use crate::domain::bench::Bench;
use crate::domain::equipment::{
    CheckRule, Item, Judged, Kind, LookBack, Register, Required, Shown, State, requirements,
};
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::quantity::Unit;
use serde_json::{Value, json};

/// What the bench page says of the equipment; nothing where no list is kept.
pub(super) fn line(bench: &Bench, now: &Moment) -> Value {
    let register = &bench.equipment;
    if !register.is_kept() {
        return Value::Null;
    }
    let kit = || register.items.values().filter(|item| item.kit);
    let bad = kit().filter(|item| !bench.standing(item, now).state.is_in_order()).count();
    let soon = kit().filter(|item| bench.standing(item, now).state == State::DueSoon).count();
    let began = register.began.as_ref();
    json!({
        "notInOrder": bad,
        "dueSoon": soon,
        "daily": daily(bench, now),
        // The next mass is not a sample's.
        "checking": began.map(|began| json!({ "item": began.item, "check": began.check, "masses": began.masses.len() })),
    })
}

/// Daily checks, with whether each was made.
fn daily(bench: &Bench, now: &Moment) -> Vec<Value> {
    let register = &bench.equipment;
    let made = |shown: &Shown| {
        let item = register.items.get(&shown.item)?;
        let (_, rule) = register.rule(item, &shown.check)?;
        let methods: Vec<&Method> = bench.methods_in_use().collect();
        let by = Judged { methods: &methods, at: now, looking_back: false };
        let standing = item.check_standing(rule, by);
        Some(json!({
            "item": shown.item,
            "check": shown.check,
            "title": rule.title,
            "kind": item.kind,
            "made": standing.is_some_and(|standing| standing.state.is_in_order()),
        }))
    };
    bench.daily_checks().iter().filter_map(made).collect()
}

/// The whole list, for its own page. The worst item stands first, then the one that is due first.
pub fn page(bench: &Bench, now: &Moment, zone: &str) -> Value {
    let register = &bench.equipment;
    let mut items: Vec<_> = register.items.values().map(|item| (bench.standing(item, now), item)).collect();
    items.sort_by_key(|(standing, _)| {
        (std::cmp::Reverse(standing.state), standing.due_wall_ns.unwrap_or(i64::MAX))
    });
    let items = items.iter().map(|(standing, item)| {
        let kind = register.kinds.get(&item.kind);
        json!({
            "id": item.id,
            "kind": item.kind,
            "kindTitle": kind.map_or(&item.kind, |kind| &kind.title),
            "title": item.title,
            "place": item.place,
            "instrument": item.instrument,
            "class": item.class,
            "nominal": item.nominal.map(|nominal| nominal.to_string()),
            "kit": item.kit,
            "outOfUse": item.out_of_use.as_ref().map(|(reason, _)| reason),
            "state": standing.state,
            "why": standing.why,
            "lastGoodMs": standing.last_good.map(|moment| ms(moment.wall_ns)),
            "dueMs": standing.due_wall_ns.map(ms),
            "notFor": not_for(bench, item, now),
            "checks": kind.map_or(&[][..], |kind| &kind.checks).iter()
                .filter_map(|rule| check(bench, item, rule, now)).collect::<Vec<_>>(),
            "lookBack": Register::look_back(item, standing).iter().map(doubt).collect::<Vec<_>>(),
        })
    });
    json!({
        "station": { "title": bench.title, "rehearsal": bench.rehearsal, "zone": zone },
        "nowMs": ms(now.wall_ns),
        "places": bench.last_place(),
        "instruments": bench.instruments.keys().collect::<Vec<_>>(),
        "kinds": register.kinds.values().map(kind).collect::<Vec<_>>(),
        "items": items.collect::<Vec<_>>(),
        "daily": daily(bench, now),
        "began": register.began.as_ref().map(|began| json!({
            "item": began.item,
            "check": began.check,
            "wants": began.wants,
            "masses": began.masses.iter().map(|weighing| weighing.mass.to_string()).collect::<Vec<_>>(),
            "atMs": ms(began.marked.moment.wall_ns),
        })),
    })
}

fn kind(kind: &Kind) -> Value {
    let masses = kind.mass_limits.as_ref();
    let classes: Vec<&String> = match masses {
        Some(masses) => masses.classes.iter().collect(),
        None => kind.classes.iter().map(|class| &class.name).collect(),
    };
    json!({
        "kind": kind.kind,
        "title": kind.title,
        "standsAtPlace": kind.stands_at_place,
        "classes": classes,
        "nominals": masses.map(|m| m.rows.iter().map(|row| row.nominal.to_string()).collect::<Vec<_>>()),
    })
}

/// Standards of methods in use by which a check of the item was not passed.
fn not_for(bench: &Bench, item: &Item, now: &Moment) -> Vec<String> {
    let failed = bench.methods_in_use().filter(|method| {
        let by = Judged { methods: &[method], at: now, looking_back: false };
        bench.equipment.standing_by(item, by).state == State::Failed
    });
    let mut standards: Vec<String> = failed.map(|method| method.standard.clone()).collect();
    standards.dedup();
    standards
}

/// A check with its results; `None` where no method in use asks for it and it was never made.
fn check(bench: &Bench, item: &Item, rule: &CheckRule, now: &Moment) -> Option<Value> {
    let methods: Vec<&Method> = bench.methods_in_use().collect();
    let required = requirements(rule, methods.iter().copied());
    let standing = item.check_standing(rule, Judged { methods: &methods, at: now, looking_back: false });
    let results = item.checks.get(&rule.name).map_or(&[][..], |kept| &kept.results);
    if results.is_empty() && !rule.concerns(&methods) {
        return None;
    }
    let unit = rule.unit.or_else(|| required.first().map(|one| one.limits.unit));
    Some(json!({
        "name": rule.name,
        "title": rule.title,
        "instruction": rule.instruction,
        "how": rule.how,
        "daily": rule.daily,
        "required": Required::text(&required),
        "unit": unit.map(Unit::symbol),
        "source": Some(Required::sources(&required)).filter(|source| !source.is_empty()),
        "every": rule.every.as_ref().map(|every| json!({ "value": every.value, "unit": every.unit })),
        "state": standing.as_ref().map(|standing| standing.state),
        "dueMs": standing.and_then(|standing| standing.due_wall_ns).map(ms),
        "results": results.iter().rev().map(|result| json!({
            "good": result.good,
            "detail": result.detail,
            "with": result.with,
            "note": result.note,
            "limits": result.limits.map(|limits| limits.to_string()),
            "atMs": ms(result.marked.moment.wall_ns),
            "by": result.marked.by.person,
        })).collect::<Vec<_>>(),
    }))
}

fn doubt(doubt: &LookBack) -> Value {
    json!({
        "check": doubt.check,
        "fromMs": doubt.from_wall_ns.map(ms),
        "toMs": doubt.to_wall_ns.map(ms),
        "standards": doubt.standards,
        "kept": doubt.kept,
    })
}
