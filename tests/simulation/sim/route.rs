//! Courses of preparation as the model reads them from a method file.

use super::book::{Limits, duration, figure, limits, list, word};
use rust_decimal::Decimal;
use toml::{Table, Value};

/// A way from the bag to the tins.
#[derive(Debug, Clone)]
pub struct Route {
    pub name: String,
    pub stages: Vec<Stage>,
}

/// A step of it.
#[derive(Debug, Clone)]
pub struct Stage {
    pub name: String,
    pub kind: Kind,
    pub optional: bool,
}

/// What a step is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Kind {
    Done,
    Weigh(String),
    Cast,
    Temper,
    Tins { remix: bool, marks: Option<String> },
    Dry { cooled: bool },
}

/// When a mass is constant.
#[derive(Debug, Clone, Copy)]
pub struct Constancy {
    /// Millionths of a percent.
    pub percent: i128,
    pub at_most: bool,
    pub every_ns: Option<i64>,
}

/// What a method file says of preparing.
#[derive(Debug, Clone)]
pub struct Preparing {
    pub routes: Vec<Route>,
    pub constancy: Option<Constancy>,
    /// Of the oven, in degrees Celsius.
    pub oven: Option<Limits>,
}

/// A number in millionths, exactly.
pub fn millionths(value: Decimal) -> i128 {
    let digits = 6_u32.checked_sub(value.normalize().scale()).expect("six digits at most");
    value.normalize().mantissa() * 10_i128.pow(digits)
}

impl Preparing {
    pub fn read(table: &Table) -> Self {
        let constancy = figure(table, "constant-mass").map(|percent| Constancy {
            percent: millionths(percent),
            at_most: word(table, "constant-mass-bound") == Some("at-most"),
            every_ns: duration(table, "constant-mass-every", "value"),
        });
        let mut routes: Vec<Route> = Vec::new();
        for course in list(table, "course") {
            let text = |key: &str| course.get(key).and_then(Value::as_str);
            let same = |route: &&Route| Some(route.name.as_str()) == text("as-in");
            let mut stages = routes.iter().find(same).map(|route| route.stages.clone()).unwrap_or_default();
            stages.extend(list(course, "step").into_iter().map(stage));
            routes.push(Route { name: text("name").expect("a name").to_owned(), stages });
        }
        Self { routes, constancy, oven: limits(table, "oven") }
    }
}

fn stage(step: &Table) -> Stage {
    let text = |key: &str| step.get(key).and_then(Value::as_str);
    let is = |key: &str| step.get(key).and_then(Value::as_bool).unwrap_or(false);
    let kind = match text("kind").expect("a kind") {
        "done" => Kind::Done,
        "weigh" => Kind::Weigh(text("weigh").expect("a mass").to_owned()),
        "cast" => Kind::Cast,
        "temper" => Kind::Temper,
        "tins" => Kind::Tins { remix: is("remix"), marks: text("marks").map(str::to_owned) },
        "dry" => Kind::Dry { cooled: is("cooled") },
        other => panic!("a step of the kind {other}"),
    };
    Stage { name: text("name").expect("a name").to_owned(), kind, optional: is("optional") }
}

impl Route {
    /// The step of a kind.
    pub fn stage(&self, is_it: impl Fn(&Kind) -> bool) -> Option<usize> {
        self.stages.iter().position(|stage| is_it(&stage.kind))
    }

    pub fn tins(&self) -> Option<usize> {
        self.stage(|kind| matches!(kind, Kind::Tins { .. }))
    }

    pub fn dries(&self) -> Option<usize> {
        self.stage(|kind| matches!(kind, Kind::Dry { .. }))
    }

    /// What is dried must cool.
    pub fn cools(&self) -> bool {
        self.stage(|kind| *kind == Kind::Dry { cooled: true }).is_some()
    }

    /// The portion is mixed before each tin.
    pub fn mixes(&self) -> bool {
        self.stage(|kind| matches!(kind, Kind::Tins { remix: true, .. })).is_some()
    }

    /// The step of the method that filling a tin marks.
    pub fn marks(&self) -> Option<&str> {
        self.stages.iter().find_map(|stage| match &stage.kind {
            Kind::Tins { marks, .. } => marks.as_deref(),
            _ => None,
        })
    }
}
