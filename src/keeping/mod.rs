//! What becomes of records after the bench: they are listed and searched, written to files for other
//! programs, kept for as long as a rule says, and removed so that the chain still verifies.
//!
//! ```text
//!   journal ──► words ──► list of documents ──► searched by people        (list.rs brings it up to date)
//!      │                        │
//!      └──────► columns, table ─┴──► CSV + CSVW, JSON lines                (export.rs reads one by one)
//! ```

pub mod columns;
pub mod days;
pub mod disk;
pub mod export;
pub mod list;
pub mod removal;
pub mod room;
pub mod rule;
pub mod table;
pub mod words;
