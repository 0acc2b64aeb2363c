//! The stages, and whether they make sense in their order.

use super::value::{Units, Window};
use super::walk::{Node, Table, Walk};
use crate::domain::method::{Begins, Ends, Level, Machine, ResumedRule, Sourced, Step, StepKind, Timed};
use crate::domain::quantity::{Kind, Range};

const BEGINS: [(&str, Begins); 2] = [("press", Begins::Press), ("previous", Begins::Previous)];
const ENDS: [(&str, Ends); 2] = [("press", Ends::Press), ("next", Ends::Next)];
const LEVELS: [(&str, Level); 2] = [("clay", Level::Clay), ("sand", Level::Sand)];
const RESUMED: [(&str, ResumedRule); 3] =
    [("person", ResumedRule::Person), ("together", ResumedRule::Together), ("apart", ResumedRule::Apart)];
const MACHINES: [(&str, Machine); 1] = [("shaker", Machine::Shaker)];

#[derive(Clone, Copy)]
enum KindWord {
    Mark,
    Interval,
    Reading,
}

const KINDS: [(&str, KindWord); 3] =
    [("mark", KindWord::Mark), ("interval", KindWord::Interval), ("reading", KindWord::Reading)];

/// What is known of a step even if a part of it is wrong: enough to judge the order.
#[derive(Clone, Copy)]
enum Shape {
    Unknown,
    Mark { optional: Option<bool>, frees: Option<bool> },
    Interval { begins: Option<Begins>, ends: Option<Ends> },
    Reading { of: Option<Level> },
}

/// One step as it was read.
pub(super) struct Seen<'t> {
    table: Table<'t>,
    name: Option<String>,
    shape: Shape,
    step: Option<Step>,
}

impl<'t> Seen<'t> {
    fn named(&self) -> Option<(Node<'t>, String)> {
        self.table.get("name").zip(self.name.clone())
    }
}

/// Reads all steps and judges their order.
pub(super) fn read<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Vec<Seen<'t>>> {
    let tables = walk.tables(root, "step")?;
    let seen: Vec<_> = tables.into_iter().map(|table| step(walk, table)).collect();
    let names: Vec<_> = seen.iter().filter_map(Seen::named).collect();
    walk.unique(&names, "step");
    for (i, this) in seen.iter().enumerate() {
        neighbours(walk, this, i.checked_sub(1).and_then(|i| seen.get(i)), i + 1 == seen.len());
    }
    two_readings(walk, root, &seen);
    place_is_freed(walk, root, &seen);
    Some(seen)
}

/// The steps, if each of them is whole.
pub(super) fn whole(seen: Vec<Seen<'_>>) -> Option<Vec<Step>> {
    seen.into_iter().map(|seen| seen.step).collect()
}

/// Position of the step that a key names. Where a step has lost its name nothing can be said.
pub(super) fn position(walk: &mut Walk<'_>, node: &Node<'_>, name: &str, seen: &[Seen<'_>]) -> Option<usize> {
    let names: Option<Vec<&str>> = seen.iter().map(|seen| seen.name.as_deref()).collect();
    let names = names?;
    let position = names.iter().position(|other| *other == name);
    if position.is_none() {
        let expected = format!("the name of a step: {}", super::walk::listed(&names));
        walk.fault(node.at, &node.key, format!("`{name}`"), expected);
    }
    position
}

fn step<'t>(walk: &mut Walk<'t>, table: Table<'t>) -> Seen<'t> {
    let name = walk.text(&table, "name");
    let instruction = walk.text(&table, "instruction");
    let (shape, kind) = match walk.word(&table, "kind", &KINDS) {
        Some(KindWord::Mark) => mark(walk, &table),
        Some(KindWord::Interval) => interval(walk, &table),
        Some(KindWord::Reading) => reading(walk, &table),
        None => (Shape::Unknown, None),
    };
    let step = match (name.clone(), instruction, kind) {
        (Some(name), Some(instruction), Some(kind)) => Some(Step { name, instruction, kind }),
        _ => None,
    };
    Seen { table, name, shape, step }
}

fn mark<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> (Shape, Option<StepKind>) {
    walk.only(table, &["name", "instruction", "kind", "optional", "level", "frees-place"]);
    let optional = walk.switch(table, "optional");
    let frees = walk.switch(table, "frees-place");
    let level = level(walk, table);
    let whole = || Some(StepKind::Mark { optional: optional?, level: level?, frees_place: frees? });
    (Shape::Mark { optional, frees }, whole())
}

fn reading<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> (Shape, Option<StepKind>) {
    walk.only(table, &["name", "instruction", "kind", "of"]);
    let of = walk.word(table, "of", &LEVELS);
    (Shape::Reading { of }, of.map(|of| StepKind::Reading { of }))
}

fn interval<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> (Shape, Option<StepKind>) {
    let known = [
        "name",
        "instruction",
        "kind",
        "begins",
        "ends",
        "optional",
        "required",
        "window",
        "machine",
        "level",
        "undisturbed",
        "resumed",
    ];
    walk.only(table, &known);
    let begins = walk.word(table, "begins", &BEGINS);
    let ends = walk.word(table, "ends", &ENDS);
    let optional = walk.switch(table, "optional");
    let required = walk.duration(table, "required");
    let window = walk.window(table, "window");
    let machine = match table.get("machine") {
        Some(node) => walk.as_word(&node, &MACHINES).map(Some),
        None => Some(None),
    };
    let level = level(walk, table);
    let touch = touch(walk, table);
    let fits = fits(walk, table, optional, required.as_ref(), window.as_ref());
    let whole = || {
        let (window, (undisturbed, resumed)) = (window?, touch?);
        Some(StepKind::Interval(Timed {
            begins: begins?,
            ends: ends?,
            optional: optional?,
            required_ns: required?,
            min_ns: window.min_ns,
            max_ns: window.max_ns,
            machine: machine?,
            level: level?,
            undisturbed,
            resumed,
        }))
    };
    (Shape::Interval { begins, ends }, if fits { whole() } else { None })
}

/// Whether the cylinder stands untouched, and what an interrupted run's further runs count for.
fn touch<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<(Option<bool>, Option<Sourced<ResumedRule>>)> {
    let said = table.get("undisturbed").is_some();
    let undisturbed = walk.switch(table, "undisturbed");
    let resumed = match (table.get("resumed"), table.get("machine")) {
        (None, _) => Some(None),
        (Some(_), None) => {
            fault_at(walk, table, "resumed", "`resumed` without `machine`", "a step that a machine makes");
            None
        }
        (Some(_), Some(_)) => walk.rule(table, "resumed", &RESUMED).map(Some),
    };
    Some((undisturbed?.then_some(true).or(said.then_some(false)), resumed?))
}

#[expect(clippy::option_option, reason = "the outer `None` is a fault, the inner one an absent level")]
fn level<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<Option<Sourced<Range>>> {
    if table.get("level").is_none() {
        return Some(None);
    }
    walk.range(table, "level", Units::Of(Kind::Length)).map(Some)
}

/// Whether duration, window and `optional` go together.
fn fits<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    optional: Option<bool>,
    required: Option<&Sourced<i64>>,
    window: Option<&Window>,
) -> bool {
    let required_ns = required.and_then(|sourced| sourced.value);
    let (min, max) = window.map_or((None, None), |window| (window.min_ns.value, window.max_ns.value));
    let outside =
        required_ns.is_some_and(|ns| min.is_some_and(|min| ns < min) || max.is_some_and(|max| ns > max));
    if outside {
        walk.bad_value(table, "required", "a duration inside the step's `window`");
    }
    let limited = required_ns.is_some() || min.is_some() || max.is_some();
    let passable = optional == Some(true) && limited;
    if passable {
        let at = table.get("optional").map_or(table.at, |node| node.at);
        let expected = "`optional` only for an interval without a duration and a window";
        walk.fault(at, &table.path("optional"), "`true` beside limits", expected);
    }
    !outside && !passable
}

/// What a step needs of the step before it, and of the step after it.
fn neighbours(walk: &mut Walk<'_>, this: &Seen<'_>, before: Option<&Seen<'_>>, last: bool) {
    let Shape::Interval { begins, ends } = this.shape else { return };
    if begins == Some(Begins::Previous) && !before.is_some_and(|before| has_end(before.shape)) {
        let found = match before {
            Some(before) => {
                let name = before.name.as_deref().unwrap_or("a step without a name");
                format!("`previous` after `{name}`, whose end need not be marked")
            }
            None => "`previous` on the first step".to_owned(),
        };
        fault_at(
            walk,
            &this.table,
            "begins",
            &found,
            "`press`, or a step before it whose end is always marked",
        );
    }
    if ends == Some(Ends::Next) && last {
        fault_at(walk, &this.table, "ends", "`next` on the last step", "`press`, or a step after it");
    }
}

/// Whether the end of a step is always known. What could not be read is given the benefit of the
/// doubt: its own fault is on the list already.
fn has_end(shape: Shape) -> bool {
    match shape {
        Shape::Unknown | Shape::Reading { .. } => true,
        Shape::Mark { optional, .. } => optional != Some(true),
        Shape::Interval { begins, ends } => begins != Some(Begins::Previous) && ends != Some(Ends::Next),
    }
}

/// Exactly one clay and one sand reading, in that order.
fn two_readings<'t>(walk: &mut Walk<'t>, root: &Table<'t>, seen: &[Seen<'t>]) {
    let mut readings = Vec::new();
    for this in seen {
        match this.shape {
            Shape::Unknown | Shape::Reading { of: None } => return,
            Shape::Reading { of: Some(level) } => readings.push((level, this)),
            _ => {}
        }
    }
    let levels: Vec<_> = readings.iter().map(|(level, _)| *level).collect();
    if levels == [Level::Clay, Level::Sand] {
        return;
    }
    let words: Vec<_> =
        levels.iter().map(|level| if *level == Level::Clay { "clay" } else { "sand" }).collect();
    let found =
        if words.is_empty() { "no readings".to_owned() } else { format!("readings of {}", words.join(", ")) };
    let expected = "exactly one reading of clay and then one of sand";
    match readings.last() {
        Some((_, this)) => fault_at(walk, &this.table, "of", &found, expected),
        None => fault_at(walk, root, "step", &found, expected),
    }
}

/// Exactly one step frees the place, and only when everything was read.
fn place_is_freed<'t>(walk: &mut Walk<'t>, root: &Table<'t>, seen: &[Seen<'t>]) {
    if seen.iter().any(|this| matches!(this.shape, Shape::Unknown | Shape::Mark { frees: None, .. })) {
        return;
    }
    let frees = |this: &Seen<'_>| matches!(this.shape, Shape::Mark { frees: Some(true), .. });
    let mut freeing = seen.iter().filter(|this| frees(this));
    let Some(first) = freeing.next() else {
        let expected = "a step of kind `mark` with `frees-place = true`, after the readings";
        fault_at(walk, root, "step", "no step that frees the place", expected);
        return;
    };
    for second in freeing {
        fault_at(walk, &second.table, "frees-place", "a second step that frees the place", "one such step");
    }
    if matches!(first.shape, Shape::Mark { optional: Some(true), .. }) {
        fault_at(walk, &first.table, "optional", "`true` on the step that frees the place", "`false`");
    }
    let reads = |this: &Seen<'_>| matches!(this.shape, Shape::Reading { .. });
    if seen.iter().skip_while(|this| !frees(this)).any(reads) {
        fault_at(walk, &first.table, "frees-place", "`true` before a reading", "a step after the readings");
    }
}

fn fault_at(walk: &mut Walk<'_>, table: &Table<'_>, key: &str, found: &str, expected: &str) {
    let at = table.get(key).map_or(table.at, |node| node.at);
    walk.fault(at, &table.path(key), found, expected);
}
