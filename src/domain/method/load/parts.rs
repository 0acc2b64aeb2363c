//! Everything of a method but its steps.

use super::steps::{Seen, position};
use super::value::Units;
use super::walk::{Node, Table, Walk};
use crate::domain::method::{
    AverageRule, BetweenMarks, CalculationRule, Foot, LateLineRule, NoteRule, NoteRules, Precision,
    Preparation, RatioRule, ReadingRule, ReplicateRule, Requirement, ResultRule, SpecimenKind, SpecimenRule,
    TemperatureRule, WeighingRule,
};
use crate::domain::quantity::{Kind, Unit};
use rust_decimal::Decimal;

const SPECIMEN_KINDS: [(&str, SpecimenKind); 2] =
    [("tin", SpecimenKind::Tin), ("portion", SpecimenKind::Portion)];
const READING_UNITS: [(&str, Unit); 2] = [("[in_i]", Unit::Inch), ("mm", Unit::Millimetre)];
const BETWEEN_MARKS: [(&str, BetweenMarks); 2] =
    [("higher", BetweenMarks::Higher), ("nearest", BetweenMarks::Nearest)];
const NOTES: [(&str, NoteRule); 3] =
    [("always", NoteRule::Always), ("undisturbed", NoteRule::Undisturbed), ("never", NoteRule::Never)];
const RATIOS: [(&str, RatioRule); 1] = [("nearest-tenth", RatioRule::NearestTenth)];
const RESULTS: [(&str, ResultRule); 2] =
    [("raise-to-whole", ResultRule::RaiseToWhole), ("tenth", ResultRule::Tenth)];
const AVERAGES: [(&str, AverageRule); 2] = [
    ("raise-mean-of-reported", AverageRule::RaiseMeanOfReported),
    ("nearest-whole", AverageRule::NearestWhole),
];

pub(super) fn preparation<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Preparation> {
    let table = walk.table(root, "preparation")?;
    let known =
        ["sieve", "tempering-min", "oven", "constant-mass", "constant-mass-every", "weighing", "alternative"];
    walk.only(&table, &known);
    let sieve = walk.sourced_text(&table, "sieve");
    let tempering = walk.duration(&table, "tempering-min");
    let oven = walk.range(&table, "oven", Units::Of(Kind::Temperature));
    let constant = walk.positive(&table, "constant-mass", Units::Only(Unit::Percent));
    let every = walk.duration(&table, "constant-mass-every");
    let weighings = all(walk, &table, "weighing", weighing);
    let alternatives = requirements(walk, &table, "alternative");
    Some(Preparation {
        sieve: sieve?,
        weighings: weighings?,
        tempering_min_ns: tempering?,
        alternatives: alternatives?,
        oven: oven?,
        constant_mass_percent: constant?,
        constant_mass_every_ns: every?,
    })
}

fn weighing<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<WeighingRule> {
    walk.only(table, &["name", "title", "limits"]);
    let name = walk.text(table, "name");
    let title = walk.text(table, "title");
    let limits = walk.range(table, "limits", Units::Of(Kind::Mass));
    Some(WeighingRule { name: name?, title: title?, limits: limits? })
}

pub(super) fn specimen<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<SpecimenRule> {
    let table = walk.table(root, "specimen")?;
    walk.only(&table, &["kind", "size"]);
    let kind = walk.word(&table, "kind", &SPECIMEN_KINDS);
    let units = match kind {
        Some(SpecimenKind::Tin) => Units::Of(Kind::Volume),
        Some(SpecimenKind::Portion) => Units::Of(Kind::Mass),
        None => Units::Any,
    };
    let size = walk.range(&table, "size", units);
    Some(SpecimenRule { kind: kind?, size: size? })
}

pub(super) fn temperature<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    steps: Option<&[Seen<'t>]>,
) -> Option<TemperatureRule> {
    let table = walk.table(root, "temperature")?;
    walk.only(&table, &["limits", "from", "to"]);
    let limits = walk.range(&table, "limits", Units::Of(Kind::Temperature));
    let from = walk.text(&table, "from");
    let to = walk.text(&table, "to");
    let mut place = |key: &str, name: &Option<String>| {
        let (node, name) = table.get(key).zip(name.as_deref())?;
        position(walk, &node, name, steps?).zip(Some(node))
    };
    let opens = place("from", &from);
    let closes = place("to", &to);
    if let (Some((first, _)), Some((last, node))) = (opens, closes)
        && first > last
    {
        walk.fault(node.at, &node.key, "a step before `from`", "the step of `from`, or one after it");
        return None;
    }
    Some(TemperatureRule { limits: limits?, from: from?, to: to? })
}

pub(super) fn readings<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<ReadingRule> {
    let table = walk.table(root, "readings")?;
    walk.only(&table, &["unit", "mark", "top", "between-marks", "foot"]);
    let unit = walk.word(&table, "unit", &READING_UNITS);
    let units = unit.map_or(Units::Of(Kind::Length), Units::Only);
    let mark = walk.positive(&table, "mark", units);
    let top = walk.positive(&table, "top", units);
    let between_marks = walk.rule(&table, "between-marks", &BETWEEN_MARKS);
    let feet = all(walk, &table, "foot", |walk, table| foot(walk, table, units));
    if let (Some(mark), Some(top)) = (&mark, &top)
        && let (Some(mark), Some(top)) = (mark.value, top.value)
        && top.checked_rem(mark) != Some(Decimal::ZERO)
    {
        walk.bad_value(&table, "top", &format!("a whole number of marks of {mark}"));
        return None;
    }
    if feet.as_ref().is_some_and(Vec::is_empty) {
        walk.fault(table.at, &table.path("foot"), "nothing", "at least one foot assembly");
        return None;
    }
    Some(ReadingRule { mark: mark?, top: top?, unit: unit?, between_marks: between_marks?, feet: feet? })
}

fn foot<'t>(walk: &mut Walk<'t>, table: &Table<'t>, units: Units) -> Option<Foot> {
    walk.only(table, &["name", "offset"]);
    let name = walk.text(table, "name");
    let offset = walk.amount(table, "offset", units);
    Some(Foot { name: name?, offset: offset? })
}

pub(super) fn late_line<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<LateLineRule> {
    let table = walk.table(root, "late-line")?;
    walk.only(&table, &["total-max", "repeat-specimens"]);
    let total = walk.duration(&table, "total-max");
    let repeat = walk.count(&table, "repeat-specimens", 1..=20);
    Some(LateLineRule { total_max_ns: total?, repeat_specimens: repeat? })
}

/// Without the table, and for each key that is not in it, the defaults of [`NoteRules`] hold.
pub(super) fn notes<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<NoteRules> {
    let mut rules = NoteRules::default();
    if root.get("notes").is_none() {
        return Some(rules);
    }
    let table = walk.table(root, "notes")?;
    walk.only(&table, &["bumped", "moved", "spilled", "leaked", "foot-dropped"]);
    let mut whole = true;
    for (key, slot) in [
        ("bumped", &mut rules.bumped),
        ("moved", &mut rules.moved),
        ("spilled", &mut rules.spilled),
        ("leaked", &mut rules.leaked),
        ("foot-dropped", &mut rules.foot_dropped),
    ] {
        if table.get(key).is_some() {
            match walk.rule(&table, key, &NOTES) {
                Some(rule) => *slot = rule,
                None => whole = false,
            }
        }
    }
    whole.then_some(rules)
}

pub(super) fn calculation<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<CalculationRule> {
    let table = walk.table(root, "calculation")?;
    walk.only(&table, &["ratio", "result", "average"]);
    let ratio = walk.rule(&table, "ratio", &RATIOS);
    let result = walk.rule(&table, "result", &RESULTS);
    let average = walk.rule(&table, "average", &AVERAGES);
    Some(CalculationRule { ratio: ratio?, result: result?, average: average? })
}

pub(super) fn replicates<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<ReplicateRule> {
    let table = walk.table(root, "replicates")?;
    walk.only(&table, &["specimens", "max-difference"]);
    let specimens = walk.count(&table, "specimens", 1..=20);
    let difference = walk.amount(&table, "max-difference", Units::Bare);
    Some(ReplicateRule { specimens: specimens?, max_difference: difference? })
}

pub(super) fn precision<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Vec<Precision>> {
    let tables = walk.tables(root, "precision")?;
    let read: Vec<_> = tables.iter().map(|table| precision_class(walk, table)).collect();
    read.into_iter().collect()
}

fn precision_class<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<Precision> {
    walk.only(table, &["class", "operator-1s", "operator-d2s", "laboratory-1s", "laboratory-d2s"]);
    let class = walk.text(table, "class");
    let operator_1s = walk.amount(table, "operator-1s", Units::Bare);
    let operator_d2s = walk.amount(table, "operator-d2s", Units::Bare);
    let laboratory_1s = walk.amount(table, "laboratory-1s", Units::Bare);
    let laboratory_d2s = walk.amount(table, "laboratory-d2s", Units::Bare);
    Some(Precision {
        class: class?,
        operator_1s: operator_1s?,
        operator_d2s: operator_d2s?,
        laboratory_1s: laboratory_1s?,
        laboratory_d2s: laboratory_d2s?,
    })
}

pub(super) fn requirements<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    key: &str,
) -> Option<Vec<Requirement>> {
    all(walk, table, key, Walk::requirement)
}

pub(super) fn sentences<'t>(walk: &mut Walk<'t>, root: &Table<'t>, key: &str) -> Option<Vec<String>> {
    let node = walk.need(root, key, "an array of sentences")?;
    let elements = walk.elements(&node, "an array of sentences")?;
    if elements.is_empty() {
        walk.fault(node.at, &node.key, "an empty array", "at least one sentence");
        return None;
    }
    let read: Vec<_> = elements.iter().map(|element| walk.as_text(element)).collect();
    read.into_iter().collect()
}

/// Every table of an array of tables, each with a name of its own.
fn all<'t, T>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    key: &str,
    mut one: impl FnMut(&mut Walk<'t>, &Table<'t>) -> Option<T>,
) -> Option<Vec<T>> {
    let tables = walk.tables(table, key)?;
    let read: Vec<_> = tables.iter().map(|table| one(walk, table)).collect();
    let names: Vec<(Node<'t>, String)> = tables.iter().filter_map(name_of).collect();
    walk.unique(&names, key);
    read.into_iter().collect()
}

fn name_of<'t>(table: &Table<'t>) -> Option<(Node<'t>, String)> {
    let node = table.get("name")?;
    let name = node.value.as_str()?.trim().to_owned();
    (!name.is_empty()).then_some((node, name))
}
