//! What methods require of a check. Each method is looked at by itself: equipment that is right by
//! one of them may be wrong by another.

use super::register::CheckResult;
use super::rules::{CheckRule, How};
use crate::domain::method::{Method, SpecimenKind};
use crate::domain::quantity::{Quantity, Range, Side};
use serde::{Deserialize, Serialize};

/// Limits of a check, and the methods that set them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Required {
    /// Designations of the standards; none where the limits are of the trade in general.
    pub standards: Vec<String>,
    /// The limits.
    pub limits: Range,
    /// Where they were found.
    pub source: String,
}

/// What a result is by some methods.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Verdict {
    /// Designations of their standards.
    pub standards: Vec<String>,
    /// Limits that they set.
    pub limits: Range,
    /// The result keeps them.
    pub good: bool,
}

/// What a method says of a requirement.
enum Says {
    /// It has figures.
    Figures(Range, String),
    /// It names it and gives no figures: nothing is required.
    NoFigures,
    /// It does not name it.
    Nothing,
}

/// What one method requires of a check, and where that was found; `None`: nothing. Limits of the
/// kind's own file hold where the method does not name the requirement.
pub fn required(check: &CheckRule, method: &Method) -> Option<(Range, String)> {
    let said = check.apparatus.as_ref().map_or(Says::Nothing, |name| says(method, name));
    match said {
        Says::Figures(range, source) => Some((range, format!("{}: {source}", method.standard))),
        Says::NoFigures => None,
        Says::Nothing => check.limits.as_ref().map(|limits| (limits.range(), limits.source.clone())),
    }
}

/// What methods require of a check: an entry for each set of limits, in the order of the methods.
pub fn requirements<'a>(check: &CheckRule, methods: impl Iterator<Item = &'a Method>) -> Vec<Required> {
    let mut found: Vec<Required> = Vec::new();
    if check.apparatus.is_none() {
        let own = check.limits.as_ref();
        let of_trade = |limits: &super::rules::Limits| Required {
            standards: Vec::new(),
            limits: limits.range(),
            source: limits.source.clone(),
        };
        return own.map(of_trade).into_iter().collect();
    }
    for method in methods {
        let Some((limits, source)) = required(check, method) else { continue };
        let standard = method.standard.clone();
        match found.iter_mut().find(|known| known.limits == limits) {
            Some(known) if known.standards.contains(&standard) => {}
            Some(known) => known.standards.push(standard),
            None => found.push(Required { standards: vec![standard], limits, source }),
        }
    }
    found
}

impl Required {
    /// Holds a value to the limits, ends included.
    pub fn judge(&self, value: &Quantity) -> Verdict {
        Verdict {
            standards: self.standards.clone(),
            limits: self.limits,
            good: self.limits.side(value) == Some(Side::Within),
        }
    }

    /// The limits in words; with the standards where others have other limits.
    pub fn text(all: &[Self]) -> Option<String> {
        match all {
            [] => None,
            [only] => Some(only.limits.to_string()),
            several => {
                let each = several.iter().map(|one| format!("{}: {}", one.standards.join(", "), one.limits));
                Some(each.collect::<Vec<_>>().join("; "))
            }
        }
    }

    /// Where they were found.
    pub fn sources(all: &[Self]) -> String {
        all.iter().map(|one| one.source.as_str()).collect::<Vec<_>>().join("; ")
    }
}

impl CheckRule {
    /// Its result is a figure that methods may limit.
    pub(super) const fn is_limited_by_methods(&self) -> bool {
        self.apparatus.is_some() && matches!(self.how, How::Weigh | How::WaterVolume | How::Rate | How::Value)
    }

    /// Some of these methods require something of it. Without methods, and for what no method
    /// limits, always.
    pub fn concerns(&self, methods: &[&Method]) -> bool {
        methods.is_empty()
            || !self.is_limited_by_methods()
            || methods.iter().any(|method| required(self, method).is_some())
    }

    /// A result is good by at least one of these methods that require something. Without methods,
    /// as it was judged when it was made.
    pub(super) fn is_good(&self, result: &CheckResult, methods: &[&Method]) -> bool {
        let Some(value) = result.value.filter(|_| !methods.is_empty() && self.is_limited_by_methods()) else {
            return result.good;
        };
        let mut limits = methods.iter().filter_map(|method| required(self, method)).peekable();
        limits.peek().is_none() || limits.any(|(range, _)| range.side(&value) == Some(Side::Within))
    }
}

/// What a method says under a name: an entry of its table of apparatus, or one of the two values
/// that stand elsewhere in it. A portion that is weighed needs no tin.
fn says(method: &Method, name: &str) -> Says {
    let stands = |limits: Option<Range>, source: &str| {
        limits.map_or(Says::NoFigures, |range| Says::Figures(range, source.to_owned()))
    };
    match name {
        "specimen size" if method.specimen.kind == SpecimenKind::Tin => {
            stands(method.specimen.size.value, &method.specimen.size.source)
        }
        "specimen size" => Says::NoFigures,
        "oven" => stands(method.preparation.oven.value, &method.preparation.oven.source),
        _ => match method.apparatus.iter().find(|entry| entry.name == name) {
            Some(entry) => stands(entry.limits, &entry.source),
            None => Says::Nothing,
        },
    }
}
