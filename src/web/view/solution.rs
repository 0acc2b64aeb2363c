//! Solutions: a line for the bench page with the live difference of what is weighed out, and the
//! whole shelf for its own page.

use super::ms;
use crate::domain::bench::Bench;
use crate::domain::moment::Moment;
use crate::domain::quantity::{Kind as Measured, Quantity, Side};
use crate::domain::reading::Live;
use crate::domain::solution::{
    Batch, Kind, Part, Recipe, Shelf, State, Taken, Takes, Target, Water, limits_text, shown,
};
use crate::domain::specimen;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// What the bench page says of solutions; nothing where no batch was ever noted.
pub(super) fn line(bench: &Bench, now: &Moment, live: &BTreeMap<String, Live>) -> Value {
    let shelf = &bench.solutions;
    if !shelf.is_kept() {
        return Value::Null;
    }
    let in_use = [Kind::Working, Kind::Stock].into_iter().filter_map(|of| Some((of, shelf.in_use(of)?)));
    let in_use = in_use.map(|(of, batch)| {
        json!({
            "kind": of,
            "id": batch.id,
            "state": batch.state(now),
            "stateText": batch.state(now).words(),
            "expiresMs": batch.expires_wall_ns().map(ms),
            "left": batch.left().map(|left| left.to_string()),
            "cylinders": batch.cylinders_left(),
        })
    });
    json!({
        "inUse": in_use.collect::<Vec<_>>(),
        "weighing": weighing(bench, live),
    })
}

/// What is being weighed out, against what each balance shows at this instant.
fn weighing(bench: &Bench, live: &BTreeMap<String, Live>) -> Option<Value> {
    let (wait, batch, component, further) = bench.awaited.iter().find_map(|wait| match &wait.target {
        specimen::Target::Component { batch, component, further } => Some((wait, batch, component, further)),
        _ => None,
    })?;
    let part = bench.solutions.batches.get(batch)?.part(component)?;
    let target = part.mass.as_ref()?;
    let before = part.sum().filter(|_| *further);
    let balances = bench.balances().filter(|name| wait.balance.as_deref().is_none_or(|of| of == *name));
    let shows = balances.filter_map(|name| {
        let live = live.get(name)?;
        let mut value = json!({ "instrument": name, "stable": live.stable, "overload": live.overload });
        let (together, side) = together(target, before.as_ref(), live.value.as_ref()?)?;
        let at = on_scale(target, together.value);
        let off = Quantity::new(together.value.checked_sub(target.amount.value)?, together.unit);
        if let Value::Object(fields) = &mut value {
            fields.insert("shows".to_owned(), json!(live.value.as_ref().map(ToString::to_string)));
            fields.insert("difference".to_owned(), json!(signed(&off)));
            fields.insert("side".to_owned(), json!(side));
            fields.insert("at".to_owned(), json!(at));
        }
        Some(value)
    });
    Some(json!({
        "batch": batch,
        "component": component,
        "further": further,
        "balance": wait.balance,
        "before": before.as_ref().map(ToString::to_string),
        "target": shown(&target.amount).to_string(),
        "limits": limits_text(target.limits.as_ref()),
        "balances": shows.collect::<Vec<_>>(),
    }))
}

/// What would count if the balance were taken now, in the target's unit, and where it lies.
fn together(
    target: &Target,
    before: Option<&Quantity>,
    shows: &Quantity,
) -> Option<(Quantity, Option<Side>)> {
    let shows = shows.convert(target.amount.unit)?;
    let value = match before {
        Some(before) => before.convert(target.amount.unit)?.value.checked_add(shows.value)?,
        None => shows.value,
    };
    let sum = Quantity::new(value, target.amount.unit);
    Some((sum, target.limits.and_then(|limits| limits.side(&sum))))
}

/// Where a value stands on a scale of a thousand marks that the limits take the middle quarter of.
fn on_scale(target: &Target, value: Decimal) -> Option<u32> {
    let of_limits = target.limits.and_then(|limits| limits.max?.checked_sub(limits.min?));
    let quarter = match of_limits.filter(|width| *width > Decimal::ZERO) {
        Some(width) => width,
        // Without limits: five percent.
        None => target.amount.value.checked_div(Decimal::from(20))?,
    };
    let off = value.checked_sub(target.amount.value)?;
    let marks = off.checked_mul(Decimal::from(250))?.checked_div(quarter)?.checked_add(Decimal::from(500))?;
    marks.clamp(Decimal::ZERO, Decimal::ONE_THOUSAND).round().to_u32()
}

/// A difference with its sign, for people.
fn signed(off: &Quantity) -> String {
    let off = shown(off);
    let sign = if off.value.is_sign_negative() || off.value.is_zero() { "" } else { "+" };
    format!("{sign}{off}")
}

/// The whole shelf: what is under way first, then what is in use, then the newest.
pub fn page(bench: &Bench, now: &Moment, zone: &str) -> Value {
    let shelf = &bench.solutions;
    let mut batches: Vec<&Batch> = shelf.batches.values().map(|batch| &**batch).collect();
    batches.sort_by_key(|batch| {
        let rank = match batch.state(now) {
            State::Making => 0,
            _ if shelf.is_in_use(&batch.id) => 1,
            State::Discarded => 3,
            _ => 2,
        };
        (rank, std::cmp::Reverse(batch.begun.moment.wall_ns))
    });
    json!({
        "station": { "title": bench.title, "rehearsal": bench.rehearsal, "zone": zone },
        "nowMs": ms(now.wall_ns),
        "recipes": shelf.recipes.values().map(recipe).collect::<Vec<_>>(),
        "stocks": bench.stocks(now),
        "batches": batches.into_iter().map(|b| batch(shelf, b, now)).collect::<Vec<_>>(),
    })
}

fn recipe(recipe: &Recipe) -> Value {
    let life = &recipe.shelf_life_ns;
    json!({
        "id": recipe.id,
        "title": recipe.title,
        "kind": recipe.kind,
        "standards": recipe.standards,
        "notice": recipe.notice,
        "makes": recipe.makes.value.map(|makes| json!({
            "value": makes.value.to_string(), "unit": makes.unit.code(), "text": makes.to_string(),
        })),
        "makesSource": recipe.makes.source,
        "keepsDays": life.value.map(|ns| ns / (24 * 60 * crate::domain::moment::MINUTE)),
        "keepsSource": life.source,
        "keepsConfidence": life.confidence,
        "water": recipe.water.kinds.iter().map(|water| json!([water, water.words()])).collect::<Vec<_>>(),
        "tapIf": recipe.water.tap_if,
        "waterSource": recipe.water.source,
        "takesStock": recipe.steps.iter().any(|step| step.takes == Takes::Stock),
        "safety": recipe.safety,
    })
}

fn batch(shelf: &Shelf, batch: &Batch, now: &Moment) -> Value {
    let state = batch.state(now);
    let safety = shelf.recipes.get(&batch.recipe.id).map(|recipe| &recipe.safety);
    json!({
        "id": batch.id,
        "kind": batch.kind,
        "kindText": batch.kind.words(),
        "recipe": batch.recipe.title,
        "state": state,
        "stateText": state.words(),
        "inUse": shelf.is_in_use(&batch.id),
        "volume": batch.volume.to_string(),
        "left": batch.left().map(|left| left.to_string()),
        "fillings": batch.fillings,
        "cylinders": batch.cylinders_left(),
        "water": batch.water.map(Water::words),
        "waterNote": batch.water_note,
        "stock": batch.stock.as_ref().map(|stock| &stock.id),
        "bought": batch.bought.as_ref().map(|bought| json!({ "maker": bought.maker, "lot": bought.lot })),
        "begunMs": ms(batch.begun.moment.wall_ns),
        "begunBy": batch.begun.by.person,
        "madeMs": batch.made_wall_ns().map(ms),
        "madeBy": batch.finished.as_ref().map(|finished| &finished.marked.by.person),
        "expiresMs": batch.expires_wall_ns().map(ms),
        "expiresBy": batch.finished.as_ref().map(|finished| &finished.expires_by),
        "doubts": batch.all_doubts().iter()
            .map(|doubt| json!({ "what": doubt.what, "reason": doubt.reason })).collect::<Vec<_>>(),
        "discarded": batch.discarded.as_ref().map(|(reason, marked)| json!({
            "reason": reason, "atMs": ms(marked.moment.wall_ns), "by": marked.by.person,
        })),
        "faults": if batch.is_under_way() { batch.faults() } else { Vec::new() },
        "withoutLot": batch.without_lot(),
        "parts": batch.parts.iter().map(part).collect::<Vec<_>>(),
        "safety": safety,
    })
}

fn part(part: &Part) -> Value {
    let sum = part.sum();
    let target = sum.and_then(|sum| part.target(sum.unit.kind()));
    let off = sum
        .zip(target)
        .and_then(|(sum, target)| Some(Quantity::new(sum.value.checked_sub(target.amount.value)?, sum.unit)));
    json!({
        "name": part.name,
        "instruction": part.instruction,
        "takes": part.takes,
        "ingredient": part.ingredient,
        "mass": part.mass.as_ref().map(amount),
        "volume": part.volume.as_ref().map(amount),
        "about": part.about.as_ref().map(|about| shown(about).to_string()),
        "lot": part.lot.as_ref().map(|lot| json!({
            "number": lot.number, "expires": lot.expires.map(|day| day.to_string()), "reason": lot.reason,
        })),
        "taken": part.taken.iter().map(taken).collect::<Vec<_>>(),
        "replaced": part.replaced.iter().flatten().map(taken).collect::<Vec<_>>(),
        "sum": sum.as_ref().map(ToString::to_string),
        "difference": off.as_ref().map(signed),
        "side": part.side(),
        "doneMs": part.done.as_ref().map(|marked| ms(marked.moment.wall_ns)),
        "doneBy": part.done.as_ref().map(|marked| &marked.by.person),
    })
}

fn amount(target: &Target) -> Value {
    json!({
        "text": shown(&target.amount).to_string(),
        "unit": target.amount.unit.code(),
        "limits": limits_text(target.limits.as_ref()),
        "source": target.source,
    })
}

fn taken(taken: &Taken) -> Value {
    match taken {
        Taken::Weighed { weighing } => json!({
            "amount": weighing.mass.to_string(),
            "with": weighing.wire.instrument,
            "atMs": ms(weighing.moment.wall_ns),
            "by": weighing.asked.as_ref().and_then(|by| by.person.as_ref()),
            "weighing": weighing.id,
        }),
        Taken::Stated { amount, with, marked } => json!({
            "amount": amount.to_string(),
            "with": with,
            "atMs": ms(marked.moment.wall_ns),
            "by": marked.by.person,
        }),
    }
}

/// What a kept weighing can be given to: components of batches under way.
pub(super) fn targets(bench: &Bench) -> impl Iterator<Item = (specimen::Target, String)> {
    let under_way = bench.solutions.batches.values().filter(|batch| batch.is_under_way());
    under_way.flat_map(|batch| {
        let weighed = batch.parts.iter().filter(|part| part.target(Measured::Mass).is_some());
        weighed.map(|part| {
            let target = specimen::Target::Component {
                batch: batch.id.clone(),
                component: part.name.clone(),
                further: false,
            };
            (target, format!("Solution {}: {}", batch.id, part.name))
        })
    })
}
