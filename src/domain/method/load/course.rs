//! Courses of preparation.

use super::parts::all;
use super::steps::{Seen, position};
use super::walk::{Table, Walk, listed};
use crate::domain::method::{CourseKind, CourseRule, CourseStep, Noted, WeighingRule};

const KINDS: [(&str, Kind); 6] = [
    ("done", Kind::Done),
    ("weigh", Kind::Weigh),
    ("cast", Kind::Cast),
    ("temper", Kind::Temper),
    ("tins", Kind::Tins),
    ("dry", Kind::Dry),
];
const NOTED: [(&str, Noted); 3] =
    [("sieved", Noted::Sieved), ("reduced", Noted::Reduced), ("moisture-right", Noted::MoistureRight)];

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Done,
    Weigh,
    Cast,
    Temper,
    Tins,
    Dry,
}

/// What stands elsewhere in the file and a course may name.
struct Elsewhere<'a, 't> {
    weighings: Option<&'a [WeighingRule]>,
    steps: Option<&'a [Seen<'t>]>,
}

/// `weighings` and `steps`: those of the method, as far as they could be told.
pub(super) fn courses<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    weighings: Option<&[WeighingRule]>,
    steps: Option<&[Seen<'t>]>,
) -> Option<Vec<CourseRule>> {
    let elsewhere = Elsewhere { weighings, steps };
    let mut before: Vec<CourseRule> = Vec::new();
    all(walk, table, "course", |walk, table| {
        let course = course(walk, table, &before, &elsewhere)?;
        before.push(course.clone());
        Some(course)
    })
}

fn course<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    before: &[CourseRule],
    elsewhere: &Elsewhere<'_, 't>,
) -> Option<CourseRule> {
    walk.only(table, &["name", "title", "as-in", "step", "source", "confidence"]);
    let name = walk.text(table, "name");
    let title = walk.text(table, "title");
    let begun = match table.get("as-in") {
        None => Some(Vec::new()),
        Some(node) => walk.as_text(&node).and_then(|of| {
            let found = before.iter().find(|course| course.name == of).map(|course| course.steps.clone());
            if found.is_none() {
                let names: Vec<&str> = before.iter().map(|course| course.name.as_str()).collect();
                let expected = match names.as_slice() {
                    [] => "no `as-in`: no course stands before this one".to_owned(),
                    names => format!("a course that stands before this one: {}", listed(names)),
                };
                walk.fault(node.at, &node.key, format!("`{of}`"), expected);
            }
            found
        }),
    };
    let own = all(walk, table, "step", |walk, table| step(walk, table, elsewhere));
    let sourced = walk.sourced(table, true)?;
    let mut steps = begun?;
    steps.extend(own?);
    sensible(walk, table, &steps)?;
    Some(CourseRule {
        name: name?,
        title: title?,
        steps,
        source: sourced.source,
        confidence: sourced.confidence,
    })
}

fn step<'t>(walk: &mut Walk<'t>, table: &Table<'t>, elsewhere: &Elsewhere<'_, 't>) -> Option<CourseStep> {
    let known = ["name", "instruction", "kind", "optional", "noted-as", "weigh", "remix", "marks", "cooled"];
    walk.only(table, &known);
    let name = walk.text(table, "name");
    let instruction = walk.text(table, "instruction");
    let optional = walk.switch(table, "optional");
    let word = walk.word(table, "kind", &KINDS);
    let mut stray = false;
    for (key, of) in [
        ("noted-as", Kind::Done),
        ("weigh", Kind::Weigh),
        ("remix", Kind::Tins),
        ("marks", Kind::Tins),
        ("cooled", Kind::Dry),
    ] {
        if let (Some(node), Some(word)) = (table.get(key), word)
            && word != of
        {
            let kind = KINDS.iter().find(|(_, kind)| *kind == of).map_or("", |(word, _)| word);
            let expected = format!("only beside `kind = \"{kind}\"`");
            walk.fault(node.at, &node.key, "a key of another kind of step", expected);
            stray = true;
        }
    }
    let kind = kind(walk, table, word?, elsewhere);
    if stray {
        return None;
    }
    Some(CourseStep { name: name?, instruction: instruction?, optional: optional?, kind: kind? })
}

fn kind<'t>(
    walk: &mut Walk<'t>,
    table: &Table<'t>,
    word: Kind,
    elsewhere: &Elsewhere<'_, 't>,
) -> Option<CourseKind> {
    match word {
        Kind::Done => {
            let noted_as = match table.get("noted-as") {
                Some(node) => Some(walk.as_word(&node, &NOTED)?),
                None => None,
            };
            Some(CourseKind::Done { noted_as })
        }
        Kind::Weigh => {
            let weighing = walk.text(table, "weigh")?;
            let known = elsewhere.weighings?;
            if !known.iter().any(|rule| rule.name == weighing) {
                let names: Vec<&str> = known.iter().map(|rule| rule.name.as_str()).collect();
                let expected = format!("the name of a weighing of this file: {}", listed(&names));
                walk.bad_value(table, "weigh", &expected);
                return None;
            }
            Some(CourseKind::Weigh { weighing })
        }
        Kind::Cast => Some(CourseKind::Cast),
        Kind::Temper => Some(CourseKind::Temper),
        Kind::Tins => {
            let remix = walk.switch(table, "remix");
            let marks = match table.get("marks") {
                Some(node) => {
                    let name = walk.as_text(&node)?;
                    position(walk, &node, &name, elsewhere.steps?)?;
                    Some(name)
                }
                None => None,
            };
            Some(CourseKind::Tins { remix: remix?, marks })
        }
        Kind::Dry => Some(CourseKind::Dry { cooled: walk.switch(table, "cooled")? }),
    }
}

/// What a course must be, whatever its steps: names of their own, each of the larger stages once,
/// and in an order that can be walked.
fn sensible<'t>(walk: &mut Walk<'t>, table: &Table<'t>, steps: &[CourseStep]) -> Option<()> {
    let key = table.path("step");
    let mut whole = true;
    let mut complain = |found: String, expected: &str| {
        walk.fault(table.at, &key, found, expected);
        whole = false;
    };
    if steps.is_empty() {
        complain("nothing".to_owned(), "at least one step, or `as-in`");
    }
    for (at, step) in steps.iter().enumerate() {
        if steps.iter().take(at).any(|other| other.name == step.name) {
            complain(format!("`{}` twice", step.name), "a name of its own for each step of the course");
        }
        let once = |kind: &CourseKind| !matches!(kind, CourseKind::Done { .. } | CourseKind::Weigh { .. });
        let same =
            |other: &&CourseStep| std::mem::discriminant(&other.kind) == std::mem::discriminant(&step.kind);
        if once(&step.kind) && steps.iter().take(at).any(|other| same(&other)) {
            complain(
                format!("`{}`, a second step of its kind", step.name),
                "`cast`, `temper`, `tins` and `dry` once",
            );
        }
    }
    let at = |of: fn(&CourseKind) -> bool| steps.iter().position(|step| of(&step.kind));
    let cast = at(|kind| matches!(kind, CourseKind::Cast));
    let temper = at(|kind| matches!(kind, CourseKind::Temper));
    let tins = at(|kind| matches!(kind, CourseKind::Tins { .. }));
    let dry = at(|kind| matches!(kind, CourseKind::Dry { .. }));
    for (what, later, earlier) in [
        ("a `temper` without a `cast` before it", temper, cast),
        ("a `dry` without `tins` before it", dry, tins),
    ] {
        if let Some(later) = later
            && earlier.is_none_or(|earlier| earlier > later)
        {
            complain(what.to_owned(), "`cast`, then `temper`, then `tins`, then `dry`");
        }
    }
    if let Some(tins) = tins
        && [cast, temper].into_iter().flatten().any(|before| before > tins)
    {
        complain("`tins` in front of them".to_owned(), "`cast`, then `temper`, then `tins`, then `dry`");
    }
    whole.then_some(())
}
