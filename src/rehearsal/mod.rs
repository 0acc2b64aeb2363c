//! rehearsal.

pub mod broker; // a small MQTT 5 broker on loopback
