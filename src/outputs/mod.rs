//! outputs.
