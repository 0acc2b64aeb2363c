//! Bench station daemon for the sand equivalent test. The map, in reading order.

pub mod domain; // the trade: pure, no I/O, no clock
pub mod clock; // the only reader of clocks
pub mod settings; // what can be set, checked at start-up
pub mod certificates; // PEM files
pub mod door; // who gets in at the pages: accounts, sessions, limits
pub mod signing; // the key that records are signed with
pub mod journal; // SQLite: events, outbox, snapshot, chain
pub mod instruments; // balances and probes on serial lines
pub mod lines; // GPIO chips and lines by name
pub mod triggers; // foot switches, buttons, contacts: GPIO and MQTT
pub mod outputs; // horn, lamp, shaker relay
pub mod network; // outbox relay, MQTT sessions, asks
pub mod keeping; // lists, exports, what is kept and for how long
pub mod paper; // reports and worksheets: what is printed
pub mod web; // the pages
pub mod rehearsal; // the whole station against simulated instruments
pub mod daemon; // composition root and the one loop
