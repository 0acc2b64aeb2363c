//! The whole station against simulated instruments and a stepped clock.

pub mod broker; // a small MQTT 5 broker on loopback
pub mod pty; // pseudo-terminals that can be unplugged
