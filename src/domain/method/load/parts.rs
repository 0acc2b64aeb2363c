//! Everything of a method but its steps.

use super::course;
use super::steps::{Seen, position};
use super::value::Units;
use super::walk::{Node, Table, Walk};
use crate::domain::method::{
    BelowRule, BetweenMarks, Bound, DryBasis, Foot, LateLineRule, Level, NoteRule, NoteRules, Preparation,
    ReadingRule, Requirement, Sourced, SpecimenKind, SpecimenRule, TemperatureRule, WeighingRule, not_said,
};
use crate::domain::quantity::{Kind, Range, Unit};
use rust_decimal::Decimal;

const SPECIMEN_KINDS: [(&str, SpecimenKind); 2] =
    [("tin", SpecimenKind::Tin), ("portion", SpecimenKind::Portion)];
const BASES: [(&str, bool); 2] = [("as-weighed", false), ("dry", true)];
const READING_UNITS: [(&str, Unit); 2] = [("[in_i]", Unit::Inch), ("mm", Unit::Millimetre)];
const BETWEEN_MARKS: [(&str, BetweenMarks); 2] =
    [("higher", BetweenMarks::Higher), ("nearest", BetweenMarks::Nearest)];
const BELOW: [(&str, BelowRule); 2] = [("stands", BelowRule::Stands), ("deviates", BelowRule::Deviates)];
const BOUNDS: [(&str, Bound); 2] = [("under", Bound::Under), ("at-most", Bound::AtMost)];
const NOTES: [(&str, NoteRule); 3] =
    [("always", NoteRule::Always), ("undisturbed", NoteRule::Undisturbed), ("never", NoteRule::Never)];

/// `steps`: the stages of the method itself, as far as they could be told.
pub(super) fn preparation<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    steps: Option<&[Seen<'t>]>,
) -> Option<Preparation> {
    let table = walk.table(root, "preparation")?;
    let known = [
        "sieve",
        "tempering-min",
        "oven",
        "constant-mass",
        "constant-mass-every",
        "constant-mass-bound",
        "weighing",
        "alternative",
        "course",
    ];
    walk.only(&table, &known);
    let sieve = walk.sourced_text(&table, "sieve");
    let tempering = walk.duration(&table, "tempering-min");
    let oven = walk.range(&table, "oven", Units::Of(Kind::Temperature));
    let constant = walk.positive(&table, "constant-mass", Units::Only(Unit::Percent));
    let every = walk.duration(&table, "constant-mass-every");
    let bound = match table.get("constant-mass-bound") {
        Some(_) => walk.rule(&table, "constant-mass-bound", &BOUNDS).map(Some),
        None => Some(None),
    };
    let weighings = all(walk, &table, "weighing", weighing);
    let alternatives = requirements(walk, &table, "alternative");
    let courses = course::courses(walk, &table, weighings.as_deref(), steps);
    Some(Preparation {
        sieve: sieve?,
        weighings: weighings?,
        tempering_min_ns: tempering?,
        alternatives: alternatives?,
        oven: oven?,
        constant_mass_percent: constant?,
        constant_mass_every_ns: every?,
        constant_mass_bound: bound?,
        courses: courses?,
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
    walk.only(&table, &["kind", "size", "basis", "moisture-max", "fines-max"]);
    let kind = walk.word(&table, "kind", &SPECIMEN_KINDS);
    let units = match kind {
        Some(SpecimenKind::Tin) => Units::Of(Kind::Volume),
        Some(SpecimenKind::Portion) => Units::Of(Kind::Mass),
        None => Units::Any,
    };
    let size = walk.range(&table, "size", units);
    let dry = match table.get("basis") {
        Some(node) => walk.as_word(&node, &BASES),
        None => Some(false),
    };
    let dry_basis = dry_basis(walk, &table, kind, dry, size.as_ref());
    Some(SpecimenRule { kind: kind?, size: size?, dry_basis: dry_basis? })
}

/// What belongs to a dry basis, and that nothing of it stands without one.
#[expect(clippy::option_option, reason = "the outer `None` is a fault, the inner one no dry basis")]
fn dry_basis<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    kind: Option<SpecimenKind>,
    dry: Option<bool>,
    size: Option<&Sourced<Range>>,
) -> Option<Option<DryBasis>> {
    if dry? {
        let whole = size.is_none_or(|size| size.value.is_none_or(|r| r.min.is_some() && r.max.is_some()));
        if kind == Some(SpecimenKind::Tin) || !whole {
            walk.bad_value(table, "basis", "`dry` only for a `portion` whose `size` has `min` and `max`");
            return None;
        }
        let percent = Units::Only(Unit::Percent);
        let moisture_max = walk.positive(table, "moisture-max", percent);
        let fines_max = match table.get("fines-max") {
            Some(_) => walk.positive(table, "fines-max", percent).map(Some),
            None => Some(None),
        };
        return Some(Some(DryBasis { moisture_max: moisture_max?, fines_max: fines_max? }));
    }
    let mut stray = false;
    for key in ["moisture-max", "fines-max"] {
        if let Some(node) = table.get(key) {
            walk.fault(node.at, &node.key, "a figure without a dry basis", "`basis = \"dry\"` beside it");
            stray = true;
        }
    }
    (!stray).then_some(None)
}

pub(super) fn temperature<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    steps: Option<&[Seen<'t>]>,
) -> Option<TemperatureRule> {
    let table = walk.table(root, "temperature")?;
    walk.only(&table, &["limits", "from", "to", "passing-below"]);
    let limits = walk.range(&table, "limits", Units::Of(Kind::Temperature));
    let passing_below = match table.get("passing-below") {
        Some(_) => walk.rule(&table, "passing-below", &BELOW),
        None => Some(not_said()),
    };
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
    Some(TemperatureRule { limits: limits?, from: from?, to: to?, passing_below: passing_below? })
}

/// `levels`: what the steps read, as far as that could be told.
pub(super) fn readings<'t>(
    walk: &mut Walk<'t>,
    root: &Table<'t>,
    levels: Option<&[Level]>,
) -> Option<ReadingRule> {
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
    let needs_foot = levels.is_none_or(|levels| levels.contains(&Level::Sand));
    if needs_foot && feet.as_ref().is_some_and(Vec::is_empty) {
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

/// Without the table the method has no rule for a late line, and nothing is limited by it.
pub(super) fn late_line<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<LateLineRule> {
    if root.get("late-line").is_none() {
        return Some(LateLineRule { total_max_ns: not_said(), repeat_specimens: not_said() });
    }
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

pub(super) fn requirements<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    key: &str,
) -> Option<Vec<Requirement>> {
    all(walk, table, key, Walk::requirement)
}

pub(crate) fn sentences<'t>(walk: &mut Walk<'t>, root: &Table<'t>, key: &str) -> Option<Vec<String>> {
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
pub(crate) fn all<'t, T>(
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
