//! The equipment of the bench: which items there are, what is required of them, what was checked,
//! when the next check is due, and which of them a specimen used.
//!
//! A laboratory that registers no item sees nothing of this: no question, no deviation. What is
//! required comes from the method files (their table of apparatus) and from the files of kinds
//! under `config/equipment`; nothing here knows an item's limits.

mod act;
mod civil;
pub mod figures;
mod register;
mod rules;
mod standing;
mod used;

#[cfg(test)]
mod test;

pub use act::{Act, Found, Shown};
pub use register::{Began, CheckResult, Happened, Item, Kept, Register};
pub use rules::{CheckRule, Class, Every, EveryUnit, How, Kind, Limits, MassLimits, RulesFault, load};
pub use standing::{LookBack, Standing, State};
pub use used::{Cycles, Moves, Used, deviations};

use super::method::Method;
use super::quantity::Range;

/// Limits of a check, and where they were found. The methods in use come first: where several
/// name the requirement, all of them must be kept. Only where they name none, or contradict each
/// other, the kind's own limits hold.
pub fn required<'a>(
    check: &'a CheckRule,
    methods: impl Iterator<Item = &'a Method>,
) -> Option<(Range, String)> {
    let mut found: Option<(Range, String)> = None;
    let mut contradict = false;
    if let Some(name) = &check.apparatus {
        for (range, source) in methods.filter_map(|method| of_method(method, name)) {
            found = Some(match found {
                None => (range, source),
                Some((so_far, sources)) if so_far == range => (so_far, sources),
                Some((so_far, sources)) => {
                    if let Some(narrow) = both(&so_far, &range) {
                        (narrow, format!("{sources}; {source}"))
                    } else {
                        contradict = true;
                        (so_far, sources)
                    }
                }
            });
        }
    }
    if found.is_some() && !contradict {
        return found;
    }
    check.limits.as_ref().map(|limits| (limits.range(), limits.source.clone()))
}

/// What a method requires under a name: an entry of its table of apparatus, or one of the two
/// values that stand elsewhere in it.
fn of_method(method: &Method, name: &str) -> Option<(Range, String)> {
    let stands = |range: &Option<Range>, source: &str| {
        range.map(|range| (range, format!("{}: {source}", method.standard)))
    };
    match name {
        "specimen size" => stands(&method.specimen.size.value, &method.specimen.size.source),
        "oven" => stands(&method.preparation.oven.value, &method.preparation.oven.source),
        _ => {
            let entry = method.apparatus.iter().find(|entry| entry.name == name)?;
            stands(&entry.limits, &entry.source)
        }
    }
}

/// What keeps both; `None` where nothing can, or where the units differ.
fn both(a: &Range, b: &Range) -> Option<Range> {
    if a.unit != b.unit {
        return None;
    }
    let range = Range {
        min: a.min.into_iter().chain(b.min).max(),
        max: a.max.into_iter().chain(b.max).min(),
        unit: a.unit,
    };
    let empty = range.min.zip(range.max).is_some_and(|(min, max)| min > max);
    (!empty).then_some(range)
}
