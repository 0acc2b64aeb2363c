//! A method file as the model reads it: by a reader of its own, which shares nothing with the
//! station's but the file.

use super::route::Preparing;
use rust_decimal::Decimal;
use stillstand::domain::method::{Edge, Level};
use toml::{Table, Value};

/// One method, as far as the model judges by it.
#[derive(Debug, Clone)]
pub struct Book {
    pub id: String,
    pub resolution_ns: i64,
    pub steps: Vec<Step>,
    pub points: Vec<Point>,
    pub temperature: Option<Degrees>,
    pub from: usize,
    pub to: usize,
    pub total_max_ns: Option<i64>,
    pub notes: Notes,
    pub levels: Levels,
    pub numbers: Numbers,
    /// Masses of the sample with their limits in grams, by name.
    pub masses: Vec<(String, Limits)>,
    pub tempering_ns: Option<i64>,
    pub preparing: Preparing,
    /// Mass of a portion in grams, and whether it is on the dry basis.
    pub portion: Option<(Limits, Option<DryBasis>)>,
    /// Further specimens may be called for.
    pub further: bool,
}

/// A step.
#[derive(Debug, Clone)]
pub struct Step {
    pub name: String,
    pub interval: Option<Interval>,
}

/// An interval.
#[derive(Debug, Clone)]
#[expect(clippy::struct_excessive_bools, reason = "each is one key of a method file")]
pub struct Interval {
    pub begins_by_press: bool,
    pub ends_by_press: bool,
    pub min_ns: Option<i64>,
    pub max_ns: Option<i64>,
    pub machine: bool,
    pub undisturbed: bool,
    pub count: Option<(u32, u32)>,
    /// What follows a run that was cut short counts with it, without a word of anybody.
    pub together: bool,
}

/// An instant of the method.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Point {
    pub step: usize,
    pub edge: Edge,
    pub optional: bool,
    pub machine: bool,
    pub frees: bool,
}

/// Limits of a mass, ends included.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    pub min: Option<Decimal>,
    pub max: Option<Decimal>,
}

impl Limits {
    pub fn hold(&self, value: Decimal) -> bool {
        self.min.is_none_or(|min| value >= min) && self.max.is_none_or(|max| value <= max)
    }
}

/// Limits of a temperature.
#[derive(Debug, Clone, Copy)]
pub struct Degrees {
    pub limits: Limits,
    pub fahrenheit: bool,
}

/// A portion on the dry basis.
#[derive(Debug, Clone, Copy)]
pub struct DryBasis {
    pub moisture_max: Decimal,
    pub fines_max: Option<Decimal>,
}

/// When a note is a deviation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    Always,
    Undisturbed,
    Never,
}

/// The rules of notes.
#[derive(Debug, Clone, Copy)]
pub struct Notes {
    pub bumped: Rule,
    pub moved: Rule,
    pub spilled: Rule,
    pub leaked: Rule,
    pub dropped: Rule,
}

/// How levels are read.
#[derive(Debug, Clone)]
pub struct Levels {
    pub mark: Decimal,
    pub top: Decimal,
    pub higher: bool,
    pub feet: Vec<(String, Decimal)>,
    pub sediment_only: bool,
}

/// How numbers are made.
#[derive(Debug, Clone)]
pub struct Numbers {
    pub ratio: String,
    pub result: String,
    pub average: String,
    /// `linear-quotient` or `cotangent`, and its coefficients.
    pub height: Option<(String, [Decimal; 4])>,
}

fn number(value: &Value) -> Option<Decimal> {
    match value {
        Value::Integer(n) => Some(Decimal::from(*n)),
        // The shortest digits that are this number are those of the file.
        Value::Float(f) => f.to_string().parse().ok(),
        _ => None,
    }
}

pub fn figure(table: &Table, key: &str) -> Option<Decimal> {
    number(table.get(key)?.as_table()?.get("value")?)
}

pub fn word<'t>(table: &'t Table, key: &str) -> Option<&'t str> {
    table.get(key)?.as_table()?.get("value")?.as_str()
}

fn unit_ns(unit: &str) -> i64 {
    match unit {
        "s" => 1_000_000_000,
        "min" => 60_000_000_000,
        "h" => 3_600_000_000_000,
        "d" => 86_400_000_000_000,
        other => panic!("a duration in {other}"),
    }
}

fn nanoseconds(figure: Decimal, unit: &str) -> i64 {
    let ns = figure * Decimal::from(unit_ns(unit));
    ns.to_string().split('.').next().expect("digits").parse().expect("a duration")
}

/// A table's key as nanoseconds.
pub fn duration(table: &Table, key: &str, of: &str) -> Option<i64> {
    let table = table.get(key)?.as_table()?;
    Some(nanoseconds(number(table.get(of)?)?, table.get("unit")?.as_str()?))
}

/// A range in grams or in the unit of a level; `None`: it limits nothing.
pub fn limits(table: &Table, key: &str) -> Option<Limits> {
    let table = table.get(key)?.as_table()?;
    let times = match table.get("unit").and_then(Value::as_str) {
        Some("kg") => Decimal::ONE_THOUSAND,
        _ => Decimal::ONE,
    };
    let end = |of| Some(number(table.get(of)?)? * times);
    let limits = Limits { min: end("min"), max: end("max") };
    (limits.min.is_some() || limits.max.is_some()).then_some(limits)
}

impl Book {
    /// Reads a method file.
    pub fn read(text: &str) -> Self {
        let file: Table = text.parse().expect("a shipped method");
        let part = |key: &str| file.get(key).and_then(Value::as_table).cloned().unwrap_or_default();
        let (preparation, specimen) = (part("preparation"), part("specimen"));
        let steps: Vec<&Table> = list(&file, "step");
        let names: Vec<&str> = steps.iter().map(|step| step["name"].as_str().expect("a name")).collect();
        let temperature = part("temperature");
        let step_of = |key: &str| {
            let name = temperature[key].as_str().expect("a step");
            names.iter().position(|known| *known == name).expect("a step of the method")
        };
        let mut points = Vec::new();
        let steps_read =
            steps.iter().enumerate().map(|(at, step)| read_step(at, step, &mut points)).collect();
        let fahrenheit =
            temperature["limits"].get("unit").and_then(Value::as_str).is_some_and(|unit| unit == "[degF]");
        let replicates = part("replicates");
        Self {
            id: file["id"].as_str().expect("an id").to_owned(),
            resolution_ns: duration(&file, "time-resolution", "value").unwrap_or(1),
            temperature: limits(&temperature, "limits").map(|limits| Degrees { limits, fahrenheit }),
            from: step_of("from"),
            to: step_of("to"),
            total_max_ns: duration(&part("late-line"), "total-max", "value"),
            notes: read_notes(&part("notes")),
            levels: read_levels(&part("readings"), &points),
            numbers: read_numbers(&part("calculation")),
            masses: list(&preparation, "weighing")
                .into_iter()
                .map(|rule| {
                    let none = Limits { min: None, max: None };
                    let name = rule["name"].as_str().expect("a name").to_owned();
                    (name, limits(rule, "limits").unwrap_or(none))
                })
                .collect(),
            tempering_ns: duration(&preparation, "tempering-min", "value"),
            preparing: Preparing::read(&preparation),
            portion: read_portion(&specimen),
            further: figure(&replicates, "further-specimens").is_some(),
            steps: steps_read,
            points,
        }
    }

    /// The step of the machine.
    pub fn machine(&self) -> Option<usize> {
        self.points.iter().find(|point| point.machine).map(|point| point.step)
    }

    /// The point of a step's edge.
    pub fn point(&self, step: &str, edge: Edge) -> Option<usize> {
        self.points.iter().position(|point| self.steps[point.step].name == step && point.edge == edge)
    }

    /// The point at which the machine begins or ends.
    pub fn machine_point(&self, edge: Edge) -> Option<usize> {
        self.points.iter().position(|point| point.machine && point.edge == edge)
    }

    /// The foot that is in use where the bench is set to `foot`.
    pub fn offset(&self, foot: &str) -> Decimal {
        let feet = &self.levels.feet;
        let own = feet.iter().find(|(name, _)| name == foot).or_else(|| feet.first());
        own.map_or(Decimal::ZERO, |(_, offset)| *offset)
    }
}

pub fn list<'t>(table: &'t Table, key: &str) -> Vec<&'t Table> {
    let array = table.get(key).and_then(Value::as_array);
    array.into_iter().flatten().filter_map(Value::as_table).collect()
}

fn read_step(at: usize, step: &Table, points: &mut Vec<Point>) -> Step {
    let name = step["name"].as_str().expect("a name").to_owned();
    let is = |key: &str| step.get(key).and_then(Value::as_bool).unwrap_or(false);
    let (optional, frees) = (is("optional"), is("frees-place"));
    let mut push = |edge, optional, machine| points.push(Point { step: at, edge, optional, machine, frees });
    let interval = match step["kind"].as_str().expect("a kind") {
        "interval" => {
            let interval = read_interval(step);
            if interval.begins_by_press {
                push(Edge::Begin, optional, interval.machine);
            }
            if interval.ends_by_press {
                // Nothing but a reading comes after it: the reading bounds it.
                push(Edge::End, !interval.begins_by_press, interval.machine);
            }
            Some(interval)
        }
        "mark" => {
            push(Edge::Done, optional, false);
            None
        }
        _ => {
            let level = match step["of"].as_str().expect("a level") {
                "clay" => Level::Clay,
                "sand" => Level::Sand,
                _ => Level::Sediment,
            };
            push(Edge::Value(level), false, false);
            None
        }
    };
    Step { name, interval }
}

fn read_interval(step: &Table) -> Interval {
    let text = |key: &str| step.get(key).and_then(Value::as_str);
    let (min_ns, max_ns) = (duration(step, "window", "min"), duration(step, "window", "max"));
    let machine = text("machine").is_some();
    let said = step.get("undisturbed").and_then(Value::as_bool);
    let count = step.get("count").and_then(Value::as_table).and_then(|count| {
        let whole = |key| u32::try_from(count.get(key)?.as_integer()?).ok();
        Some((whole("min")?, whole("max")?))
    });
    Interval {
        begins_by_press: text("begins") == Some("press"),
        ends_by_press: text("ends") == Some("press"),
        min_ns,
        max_ns,
        machine,
        undisturbed: said.unwrap_or(!machine && (min_ns.is_some() || max_ns.is_some())),
        count,
        together: word(step, "resumed") == Some("together"),
    }
}

fn read_notes(table: &Table) -> Notes {
    let rule = |key: &str, unsaid: Rule| match word(table, key) {
        Some("always") => Rule::Always,
        Some("undisturbed") => Rule::Undisturbed,
        Some("never") => Rule::Never,
        _ => unsaid,
    };
    Notes {
        bumped: rule("bumped", Rule::Undisturbed),
        moved: rule("moved", Rule::Undisturbed),
        spilled: rule("spilled", Rule::Always),
        leaked: rule("leaked", Rule::Always),
        dropped: rule("foot-dropped", Rule::Never),
    }
}

fn read_levels(table: &Table, points: &[Point]) -> Levels {
    Levels {
        mark: figure(table, "mark").expect("marks"),
        top: figure(table, "top").expect("a top mark"),
        higher: word(table, "between-marks") == Some("higher"),
        feet: list(table, "foot")
            .into_iter()
            .map(|foot| {
                let name = foot["name"].as_str().expect("a name").to_owned();
                (name, figure(foot, "offset").unwrap_or_default())
            })
            .collect(),
        sediment_only: points.iter().any(|point| point.edge == Edge::Value(Level::Sediment)),
    }
}

fn read_numbers(table: &Table) -> Numbers {
    let text = |key| word(table, key).unwrap_or_default().to_owned();
    let height = table.get("height").and_then(Value::as_table).map(|height| {
        let of = |key| figure(height, key).expect("a coefficient");
        let rule = word(height, "rule").expect("a rule").to_owned();
        (rule, [of("a"), of("b"), of("c"), of("d")])
    });
    Numbers { ratio: text("ratio"), result: text("result"), average: text("average"), height }
}

fn read_portion(table: &Table) -> Option<(Limits, Option<DryBasis>)> {
    if table["kind"].as_str() != Some("portion") {
        return None;
    }
    let size = limits(table, "size")?;
    let dry = table.get("basis").and_then(Value::as_str) == Some("dry");
    let basis = dry.then(|| DryBasis {
        moisture_max: figure(table, "moisture-max").expect("a limit of moisture"),
        fines_max: figure(table, "fines-max"),
    });
    Some((size, basis))
}
