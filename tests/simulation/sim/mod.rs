//! The simulation: the station's pure part and its journal on one side, the model and the world on
//! the other. Shared by the tests and by `examples/simulate.rs`.

mod book; // a method file, by a reader of its own
pub mod broken; // what a broken promise says
mod chance; // numbers that a seed determines
mod courses; // who prepares step by step
mod entering; // what a step of preparing leads to
mod expected; // a deviation that the model expects
mod hands; // whom an act or a press marks
mod judging; // a published document against the model
mod lab; // the invented laboratory of a seed
pub mod ledger; // the model: what the inputs mean
mod odd; // what goes otherwise
mod office; // equipment, solutions, review
mod oven; // constant mass in the model
mod people; // who does the job
mod post; // relay, broker, consumer
mod route; // courses of preparation in a method file
pub mod run; // one run
mod scales; // readings and masses in the model
mod store; // journals that fail
mod told; // the preparation on a record
mod tools; // balance and probes
mod trouble; // failing disks, restarts, clocks
mod vial; // one specimen in the model
mod way; // a sample's way to its tins in the model
mod ways; // what may be done on it
mod warmth; // temperature in the model
mod world; // time
