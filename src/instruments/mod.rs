//! instruments.
