//! The pages.
pub mod view;
