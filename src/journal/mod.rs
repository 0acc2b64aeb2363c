//! journal.
