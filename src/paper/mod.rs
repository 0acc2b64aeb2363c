//! What goes on paper: the report of a sample, and the blank worksheet of a method.
//!
//! ```text
//!   journal ──► facts ──► report ─┐                ┌─ html   for the browser, which prints it too
//!                                 ├──► Sheet ──────┤
//!   method ───────────► worksheet ┘                └─ print  PDF/A, laid out here
//! ```
//!
//! A [`Sheet`](sheet::Sheet) says what stands on the paper and in which order, and nothing of where:
//! so page and PDF cannot tell two stories. Nothing here computes a figure of the trade: a report
//! repeats what was published, and draws what the journal holds.

pub mod sheet;
pub mod drawing;
pub mod symbol;
pub mod facts;
pub mod report;
pub mod worksheet;
pub mod html;
pub mod print;
