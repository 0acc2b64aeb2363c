//! What is on a cable: listens to a port, or asks, and tries every shape on what came.
//!
//! ```text
//!  plan ── speeds, framings, questions ──► ear ── what came ──► judge ── fits ──► proposal
//!  PURE                                    the wire             PURE              PURE
//! ```

pub mod ear; // the wire: opens, listens, asks
pub mod judge; // PURE: which shapes fit what came
pub mod plan; // PURE: in which order speeds, framings and questions are tried
pub mod ports; // the ports that this machine has
pub mod proposal; // PURE: settings for what fits
pub mod shipped; // PURE: the shapes that came with the program
pub mod text; // PURE: whether bytes are text, and with which parity they were sent
