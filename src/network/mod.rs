//! network.
pub mod topics;
