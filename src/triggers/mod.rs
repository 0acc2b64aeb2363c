//! triggers.
