//! From a recipe's file to a checked recipe, or every fault at once with its line and key.

use super::recipe::{Kind, Recipe, StepRule, Takes, UseRule, Water, WaterRule};
use crate::domain::method::load::value::Units;
use crate::domain::method::load::walk::{Node, Table, Walk};
use crate::domain::method::load::{digest, id, parts, syntax};
use crate::domain::method::{Fault, Sourced};
use crate::domain::quantity::{self, Quantity, Unit};
use toml::de::DeTable;

const KINDS: [(&str, Kind); 2] = [("stock", Kind::Stock), ("working", Kind::Working)];
const WATERS: [(&str, Water); 3] =
    [("distilled", Water::Distilled), ("demineralised", Water::Demineralised), ("tap", Water::Tap)];
const TAKES: [(&str, Takes); 4] = [
    ("nothing", Takes::Nothing),
    ("ingredient", Takes::Ingredient),
    ("stock", Takes::Stock),
    ("water", Takes::Water),
];

/// Reads and checks the file of a recipe. `file` is its name, for messages; the id must equal its
/// stem.
///
/// # Errors
/// Every fault of the file, in order of lines.
pub fn load(file: &str, text: &str) -> Result<Recipe, Vec<Fault>> {
    let document = DeTable::parse(text).map_err(|error| vec![syntax(file, text, &error)])?;
    let mut walk = Walk::new(file, text);
    let recipe = recipe(&mut walk, &Table::root(document.get_ref()), file, text);
    match recipe {
        Some(recipe) if walk.clean() => Ok(recipe),
        _ => Err(walk.into_faults()),
    }
}

/// Everything is read before anything is asked for, so that no fault hides another.
fn recipe<'t>(walk: &mut Walk<'t>, root: &Table<'t>, file: &str, text: &str) -> Option<Recipe> {
    let known = [
        "id",
        "title",
        "kind",
        "standards",
        "notice",
        "makes",
        "shelf-life",
        "water",
        "step",
        "use",
        "safety",
    ];
    walk.only(root, &known);
    let id = id(walk, root, file);
    let title = walk.text(root, "title");
    let kind = walk.word(root, "kind", &KINDS);
    let standards = match root.get("standards") {
        Some(node) => texts(walk, &node),
        None => Some(Vec::new()),
    };
    let notice = walk.text(root, "notice");
    let makes = needed(walk, root, "makes", quantity::Kind::Volume);
    let shelf_life = walk.duration(root, "shelf-life");
    let lasts = shelf_life.as_ref().is_none_or(|sourced| sourced.value != Some(0));
    if !lasts {
        walk.bad_value(root, "shelf-life", "a time above 0");
    }
    let water = water(walk, root);
    let steps = steps(walk, root, kind);
    let uses = uses(walk, root);
    let safety = parts::sentences(walk, root, "safety");
    Some(Recipe {
        id: id?,
        title: title?,
        kind: kind?,
        standards: standards?,
        digest: digest(text),
        notice: notice?,
        makes: makes?,
        shelf_life_ns: shelf_life?,
        water: water?,
        steps: steps?,
        uses: uses?,
        safety: safety?,
    })
}

fn texts<'t>(walk: &mut Walk<'t>, node: &Node<'t>) -> Option<Vec<String>> {
    let elements = walk.elements(node, "an array of texts")?;
    let read: Vec<_> = elements.iter().map(|element| walk.as_text(element)).collect();
    read.into_iter().collect()
}

/// A positive quantity with its source; its value may be unknown.
fn amount<'t>(walk: &mut Walk<'t>, table: &Table<'t>, key: &str, units: Units) -> Option<Sourced<Quantity>> {
    let Sourced { value, source, confidence } = walk.positive(table, key, units)?;
    let inner = table.get(key).and_then(|node| walk.as_table(node))?;
    let unit = inner.get("unit").and_then(|node| walk.as_text(&node)).and_then(|code| Unit::from_code(&code));
    let value = value.zip(unit).map(|(value, unit)| Quantity::new(value, unit));
    Some(Sourced { value, source, confidence })
}

/// The same, and its value must be known.
fn needed<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    key: &str,
    kind: quantity::Kind,
) -> Option<Sourced<Quantity>> {
    let sourced = amount(walk, table, key, Units::Of(kind))?;
    if sourced.value.is_none() {
        let at = table.get(key).map_or(table.at, |node| node.at);
        walk.fault(at, &table.path(key), "no value", "a value: everything is in proportion to it");
        return None;
    }
    Some(sourced)
}

/// The same where the key may be left out. The outer `None` is a fault, already noted.
#[expect(clippy::option_option, reason = "absent, wrong and right are three things here")]
fn maybe<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    key: &str,
    units: Units,
) -> Option<Option<Sourced<Quantity>>> {
    match table.get(key) {
        None => Some(None),
        Some(_) => amount(walk, table, key, units).map(Some),
    }
}

fn water<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<WaterRule> {
    let table = walk.table(root, "water")?;
    walk.only(&table, &["kinds", "tap-if", "source", "confidence"]);
    let kinds = walk.need(&table, "kinds", "an array of kinds of water").and_then(|node| {
        let elements = walk.elements(&node, "an array of kinds of water")?;
        if elements.is_empty() {
            walk.fault(node.at, &node.key, "an empty array", "at least one kind of water");
            return None;
        }
        let read: Vec<_> = elements.iter().map(|element| walk.as_word(element, &WATERS)).collect();
        read.into_iter().collect::<Option<Vec<_>>>()
    });
    let tap_if = match table.get("tap-if") {
        Some(node) => walk.as_text(&node).map(Some),
        None => Some(None),
    };
    let sourced = walk.sourced(&table, false);
    let Sourced { source, confidence, .. } = sourced?;
    Some(WaterRule { kinds: kinds?, tap_if: tap_if?, source, confidence })
}

fn steps<'t>(walk: &mut Walk<'t>, root: &Table<'t>, kind: Option<Kind>) -> Option<Vec<StepRule>> {
    let steps = parts::all(walk, root, "step", step)?;
    let tables = walk.tables(root, "step")?;
    if tables.is_empty() {
        walk.fault(root.at, "step", "no step", "a `[[step]]` for each thing that is taken or done");
        return None;
    }
    for (table, step) in tables.iter().zip(&steps) {
        if step.takes == Takes::Stock && kind == Some(Kind::Stock) {
            walk.bad_value(table, "takes", "what a stock solution is made of; stock goes into a working one");
        }
    }
    Some(steps)
}

fn step<'t>(walk: &mut Walk<'t>, table: &Table<'t>) -> Option<StepRule> {
    let known = ["name", "instruction", "takes", "ingredient", "mass", "volume", "tolerance", "about"];
    walk.only(table, &known);
    let name = walk.text(table, "name");
    let instruction = walk.text(table, "instruction");
    let takes = match table.get("takes") {
        Some(node) => walk.as_word(&node, &TAKES),
        None => Some(Takes::Nothing),
    };
    let ingredient = match table.get("ingredient") {
        Some(node) => walk.as_text(&node).map(Some),
        None => Some(None),
    };
    let mass = maybe(walk, table, "mass", Units::Of(quantity::Kind::Mass));
    let volume = maybe(walk, table, "volume", Units::Of(quantity::Kind::Volume));
    let tolerance = maybe(walk, table, "tolerance", Units::Any);
    let about = maybe(walk, table, "about", Units::Any);
    let step = StepRule {
        name: name?,
        instruction: instruction?,
        takes: takes?,
        ingredient: ingredient?,
        mass: mass?,
        volume: volume?,
        tolerance: tolerance?,
        about: about?,
    };
    fits(walk, table, &step).then_some(step)
}

/// What belongs together in a step.
fn fits<'t>(walk: &mut Walk<'t>, table: &Table<'t>, step: &StepRule) -> bool {
    let mut good = true;
    let mut fault = |walk: &mut Walk<'t>, key: &str, found: &str, expected: &str| {
        let at = table.get(key).map_or(table.at, |node| node.at);
        walk.fault(at, &table.path(key), found, expected);
        good = false;
    };
    let known = |amount: &Option<Sourced<Quantity>>| amount.as_ref().is_some_and(|a| a.value.is_some());
    let any = known(&step.mass) || known(&step.volume);
    match step.takes {
        Takes::Nothing => {
            for (key, there) in [
                ("mass", step.mass.is_some()),
                ("volume", step.volume.is_some()),
                ("tolerance", step.tolerance.is_some()),
                ("ingredient", step.ingredient.is_some()),
            ] {
                if there {
                    fault(walk, key, "a step that takes nothing", "`takes` beside it, or `about`");
                }
            }
        }
        Takes::Ingredient if step.ingredient.is_none() => {
            fault(walk, "ingredient", "nothing", "what is taken, with its grade");
        }
        Takes::Ingredient | Takes::Stock | Takes::Water if !any => {
            fault(walk, "mass", "no amount", "`mass` or `volume` with a value");
        }
        Takes::Ingredient | Takes::Stock | Takes::Water => {}
    }
    if let Some(tolerance) = step.tolerance.as_ref().and_then(|t| t.value)
        && tolerance.unit != Unit::Percent
        && step.takes != Takes::Nothing
    {
        let of = |amount: &Option<Sourced<Quantity>>| amount.as_ref().and_then(|a| a.value);
        let fits = |amount: Option<Quantity>| amount.is_none_or(|a| a.unit.kind() == tolerance.unit.kind());
        if !(fits(of(&step.mass)) && fits(of(&step.volume))) {
            fault(walk, "tolerance", tolerance.unit.code(), "`%`, or a unit of what the step takes");
        }
    }
    good
}

fn uses<'t>(walk: &mut Walk<'t>, root: &Table<'t>) -> Option<Vec<UseRule>> {
    let tables = walk.tables(root, "use")?;
    let read: Vec<_> = tables
        .iter()
        .map(|table| {
            walk.only(table, &["step", "volume"]);
            let step = walk.text(table, "step");
            let volume = needed(walk, table, "volume", quantity::Kind::Volume);
            Some(UseRule { step: step?, volume: volume? })
        })
        .collect();
    read.into_iter().collect()
}
