//! Composition root: the command line, the one loop, shutdown.

pub mod account;
pub mod asks;
pub mod cli;
pub mod exit;
pub mod listen;
pub mod reckon;
pub mod station;
pub mod compose;
mod attempt;
mod commands;
mod disk;
mod entry;
mod inputs;
mod keep;
mod pulses;
mod report;
mod sight;
mod unstarted;
mod outbox;
mod pages;
mod remove;
