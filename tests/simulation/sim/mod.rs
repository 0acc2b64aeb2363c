//! The simulation: the station's pure part and its journal on one side, the model and the world on
//! the other. Shared by the tests and by `examples/simulate.rs`.

mod book; // a method file, by a reader of its own
pub mod broken; // what a broken promise says
mod chance; // numbers that a seed determines
mod expected; // a deviation that the model expects
mod hands; // whom an act or a press marks
mod judging; // a published document against the model
mod lab; // the invented laboratory of a seed
mod ledger; // the model: what the inputs mean
mod odd; // what goes otherwise
mod office; // equipment, solutions, review
mod people; // who does the job
mod post; // relay, broker, consumer
pub mod run; // one run
mod scales; // readings and masses in the model
mod store; // journals that fail
mod tools; // balance and probes
mod trouble; // failing disks, restarts, clocks
mod vial; // one specimen in the model
mod warmth; // temperature in the model
mod world; // time
