//! A deviation as the model expects it, and how a list of them is compared with a record.

use rust_decimal::Decimal;
use serde_json::Value;
use std::fmt;

/// One deviation.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Expected {
    pub code: String,
    pub step: Option<String>,
    pub by: Option<String>,
    /// The model says nothing of the step.
    loose_step: bool,
}

impl Expected {
    pub fn new(code: &str, step: Option<&String>) -> Self {
        Self { code: code.to_owned(), step: step.cloned(), by: None, loose_step: false }
    }

    #[must_use]
    pub fn by(mut self, by: Option<String>) -> Self {
        self.by = by;
        self
    }

    #[must_use]
    pub fn any_step(mut self) -> Self {
        self.loose_step = true;
        self
    }

    fn matches(&self, told: &Told) -> bool {
        let exact = ["interval-short", "interval-over", "interval-interrupted"].contains(&self.code.as_str());
        self.code == told.code
            && (self.loose_step || self.step == told.step)
            && (!exact || self.by == told.by)
    }
}

impl fmt::Display for Expected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {:?} by {:?}", self.code, self.step, self.by)
    }
}

/// Seconds with the digits of a resolution.
pub fn by_seconds(ns: i64, resolution_ns: i64) -> String {
    let digits = match resolution_ns {
        1_000_000_000.. => 0,
        100_000_000.. => 1,
        10_000_000.. => 2,
        1_000_000.. => 3,
        _ => 9,
    };
    let mut value = Decimal::from_i128_with_scale(i128::from(ns), 9);
    value.rescale(digits);
    format!("{value} s")
}

/// A deviation as a record tells it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Told {
    code: String,
    step: Option<String>,
    by: Option<String>,
    /// In words, for whoever looks for a difference.
    what: Option<String>,
}

/// What a record's list lacks or has too much; `None`: it is just what was expected. Codes that
/// begin like one of `blind` are left out on both sides.
pub fn compare(expected: &[Expected], record: &Value, blind: &[&str]) -> Option<String> {
    let is_blind = |code: &str| blind.iter().any(|start| code.starts_with(start));
    let text = |told: &Value, key: &str| told.get(key).and_then(Value::as_str).map(str::to_owned);
    let told = record.as_array().into_iter().flatten().map(|told| Told {
        code: text(told, "code").unwrap_or_default(),
        step: text(told, "step"),
        by: text(told, "by"),
        what: text(told, "what"),
    });
    let mut told: Vec<Told> = told.filter(|told| !is_blind(&told.code)).collect();
    let mut missing = Vec::new();
    for one in expected.iter().filter(|one| !is_blind(&one.code)) {
        match told.iter().position(|told| one.matches(told)) {
            Some(at) => drop(told.swap_remove(at)),
            None => missing.push(one.to_string()),
        }
    }
    (!missing.is_empty() || !told.is_empty())
        .then(|| format!("deviations that the inputs imply and the record lacks: {missing:?}; that it has and they do not imply: {told:?}"))
}
