//! web.
