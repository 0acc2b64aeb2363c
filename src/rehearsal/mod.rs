//! rehearsal.
