//! Which batch a specimen met, and how it stood at that moment: copied onto the specimen, so that
//! a record months later says the same.

use super::batch::{Batch, Bought, Doubt, State, StockUsed};
use super::recipe::{self, Kind, Water};
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::quantity::{Quantity, Range, Side, Unit};
use crate::domain::report::time;
use crate::domain::specimen::Specimen;
use crate::domain::specimen::judge::{Code, Deviation};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// The name under which methods say how old a working solution may be.
pub const AGE: &str = "working solution age";

/// A step of a specimen at which solution was drawn.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Use {
    /// The step.
    pub step: String,
    /// Of stock or of working solution.
    pub of: Kind,
    /// When.
    pub moment: Moment,
    /// About how much, millilitres.
    #[serde(with = "rust_decimal::serde::str")]
    pub drawn_ml: Decimal,
    /// The batch; `None`: no bottle was noted as in use.
    pub batch: Option<BatchSeen>,
}

/// A batch as it stood when it was used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BatchSeen {
    /// Its mark.
    pub id: String,
    /// Identifier of its recipe.
    pub recipe: String,
    /// Title of its recipe.
    pub title: String,
    /// Digest of its recipe's file.
    pub digest: String,
    /// Standards that it serves; empty: any.
    pub standards: Vec<String>,
    /// How it stood.
    pub state: State,
    /// When it was made, nanoseconds since 1970-01-01T00:00:00Z; `None`: not known.
    pub made_wall_ns: Option<i64>,
    /// Who made it.
    pub made_by: Option<String>,
    /// Until when it is good, likewise; `None`: not known.
    pub expires_wall_ns: Option<i64>,
    /// The water that it was made with.
    pub water: Option<Water>,
    /// The stock that it was made from.
    pub stock: Option<StockUsed>,
    /// From whom it came ready-made.
    pub bought: Option<Bought>,
    /// What is not in order, with the reasons that were given.
    pub doubts: Vec<Doubt>,
    /// Why it was thrown away, if it was by then.
    pub discarded: Option<String>,
}

impl BatchSeen {
    /// A batch at an instant.
    pub(super) fn of(batch: &Batch, at: &Moment) -> Self {
        let state = batch.state(at);
        let discarded = batch.discarded.as_ref().filter(|_| state == State::Discarded);
        let made_by = batch.finished.as_ref().filter(|_| batch.bought.is_none());
        Self {
            id: batch.id.clone(),
            recipe: batch.recipe.id.clone(),
            title: batch.recipe.title.clone(),
            digest: batch.recipe.digest.clone(),
            standards: batch.recipe.standards.clone(),
            state,
            made_wall_ns: batch.made_wall_ns(),
            made_by: made_by.and_then(|finished| finished.marked.by.person.clone()),
            expires_wall_ns: batch.expires_wall_ns(),
            water: batch.water,
            stock: batch.stock.clone(),
            bought: batch.bought.clone(),
            doubts: batch.all_doubts(),
            discarded: discarded.map(|(reason, _)| reason.clone()),
        }
    }
}

/// Deviations that come from the solution: each is said once, at the first step that it concerns.
pub fn deviations(specimen: &Specimen, method: &Method) -> Vec<Deviation> {
    let mut found: Vec<Deviation> = Vec::new();
    for deviation in specimen.solutions.iter().flat_map(|used| of_use(used, method)) {
        let said = |known: &Deviation| known.code == deviation.code && known.what == deviation.what;
        // One batch may have several things that are not in order.
        let same = |known: &Deviation| said(known) && known.step != deviation.step;
        if !found.iter().any(same) {
            found.push(deviation);
        }
    }
    found
}

fn of_use(used: &Use, method: &Method) -> Vec<Deviation> {
    let deviation = |code, what: String, required: String, actual: String| Deviation {
        code,
        step: Some(used.step.clone()),
        what,
        required,
        actual,
        by: None,
        moment: Some(used.moment),
    };
    let Some(batch) = &used.batch else {
        return vec![deviation(
            Code::SolutionUnknown,
            format!("no bottle of {} was noted as in use", used.of.words()),
            "a known batch".to_owned(),
            "not known".to_owned(),
        )];
    };
    let id = &batch.id;
    let mut found = Vec::new();
    if let Some(reason) = &batch.discarded {
        let what = format!("{id} was used although it had been discarded");
        found.push(deviation(Code::SolutionDiscarded, what, "a bottle in use".to_owned(), reason.clone()));
    }
    if let Some((required, actual)) = too_old(used, batch, method) {
        let what = format!("{id} was used although it was too old");
        found.push(deviation(Code::SolutionTooOld, what, required, actual));
    } else if used.of == Kind::Working && batch.made_wall_ns.is_none() && batch.expires_wall_ns.is_none() {
        let what = format!("the age of {id} is not known");
        found.push(deviation(
            Code::SolutionUnknown,
            what,
            "a known age".to_owned(),
            "neither the day on which it was made nor its last day was noted".to_owned(),
        ));
    }
    for Doubt { what, reason } in &batch.doubts {
        let said = format!("{id} is not in order");
        let required = "as its recipe says".to_owned();
        found.push(deviation(Code::SolutionNotInOrder, said, required, format!("{what} ({reason})")));
    }
    if !recipe::serves(&batch.standards, method) {
        let what = format!("{id} was made by a recipe of another method");
        let actual = format!("{}: for {}", batch.title, batch.standards.join(", "));
        found.push(deviation(Code::SolutionOfOtherMethod, what, method.standard.clone(), actual));
    }
    found
}

/// Past its own last day, or older than the method allows: what is required, and what was.
fn too_old(used: &Use, batch: &BatchSeen, method: &Method) -> Option<(String, String)> {
    if let Some(end) = batch.expires_wall_ns.filter(|end| used.moment.wall_ns > *end) {
        return Some((format!("not after {}", time(end)), time(used.moment.wall_ns)));
    }
    let limits = age_limit(method).filter(|_| used.of == Kind::Working)?;
    let age = Quantity::new(age(used.moment.wall_ns, batch.made_wall_ns?)?, Unit::Day);
    if limits.side(&age) != Some(Side::Above) {
        return None;
    }
    let shown = Quantity::new(age.value.round_dp(1), Unit::Day);
    Some((limits.to_string(), shown.to_string()))
}

/// How old the method lets a working solution become.
pub fn age_limit(method: &Method) -> Option<Range> {
    method.apparatus.iter().find(|entry| entry.name == AGE)?.limits
}

/// Days between two instants.
fn age(now_wall_ns: i64, made_wall_ns: i64) -> Option<Decimal> {
    let ns = Decimal::from(now_wall_ns.checked_sub(made_wall_ns)?);
    ns.checked_div(Decimal::from(24 * 60 * crate::domain::moment::MINUTE))
}
