//! network.
