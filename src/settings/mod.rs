//! Settings: shipped defaults, a file, the environment. Not used after start-up.

pub mod model;
