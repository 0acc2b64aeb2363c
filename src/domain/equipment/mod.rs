//! The equipment of the bench: which items there are, what is required of them, what was checked,
//! when the next check is due, and which of them a specimen used.
//!
//! A laboratory that registers no item sees nothing of this: no question, no deviation. What is
//! required comes from the method files (their table of apparatus) and from the files of kinds
//! under `config/equipment`; nothing here knows an item's limits.

mod act;
mod civil;
mod doubt;
pub mod figures;
mod register;
mod required;
mod rules;
mod standing;
mod used;

#[cfg(test)]
mod test;

pub use act::{Act, Found, Shown};
pub use doubt::{Doubt, DoubtBy};
pub use register::{Began, CheckResult, Happened, Item, Kept, Register};
pub use required::{Required, Verdict, required, requirements};
pub use rules::{
    CheckRule, Class, Every, EveryUnit, How, Kind, Limits, MassLimits, Noting, RulesFault, load,
};
pub use standing::{Judged, LookBack, Standing, State};
pub use used::{Cycles, Doing, Moves, PastDue, Used, deviations};
