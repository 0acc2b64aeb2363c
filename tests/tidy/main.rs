//! The rules of the house that no compiler keeps: who may name whom, what the pure part may not
//! touch, how long things get, and that configuration and documents say what the program does.
//!
//! Each module holds one rule as a function from text to breaches, a test that the tree keeps it,
//! and a test that a planted breach is caught.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a test's helpers fail loudly, as the test itself does"
)]

mod source; // files, with comments, literals and tests told apart
mod walls; // module -> modules that it may name
mod bans; // what the pure part may not touch
mod sizes; // length of files and functions
mod words; // panics without a reason, leftovers, paths of one machine
mod config; // every file under config loads
mod docs; // commands, settings, links and exit codes in the documents

/// Fails with one breach a line.
fn none(breaches: Vec<String>) {
    assert!(breaches.is_empty(), "{} breach(es):\n{}", breaches.len(), breaches.join("\n"));
}

/// Fails unless there is exactly one breach, and it says `what`.
fn one(breaches: &[String], what: &str) {
    assert!(matches!(breaches, [one] if one.contains(what)), "expected one with `{what}`: {breaches:#?}");
}
