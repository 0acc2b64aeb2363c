//! The journal: append-only, hash-chained, one `SQLite` file written by one thread.
//!
//! It knows nothing of the trade. Payloads, moments and states are JSON text that others make;
//! here they are put in order, chained, stored all or nothing, and given back.
//!
//! ```text
//!   chain.append / chain.document ──► Batch ──► Journal::commit ──► thread ──► one transaction
//!                                                                       │
//!   Restored ◄── open, reload: newest snapshot + the events after it ◄──┘
//! ```
//!
//! - `Ok` from [`Journal::commit`] means: on the disk (write-ahead log, fully synchronous).
//! - The thread checks that each batch continues the chain; a batch that was made on a head that
//!   never came to be is refused whole.
//! - Acknowledgement marks of the network stay outside the chain and ride on later commits.
//! - [`backup()`] copies a journal while a station writes to it, and verifies the copy.
//! - [`verify()`] finds the first altered event. `docs/journal.md` says what that proves.

mod rows;
mod closed;
pub mod chain;
pub mod stored;
mod error;
mod faults;
mod listed;
mod lock;
mod log;
mod acks;
mod fresh;
mod schema;
mod sql;
mod taken;
mod restore;
mod store;
mod times;
mod torn;
mod thread;
mod handle;
mod read;
mod removal;
mod size;
mod backup;
mod verify;

pub use backup::{BackupFault, backup};
pub use chain::{Altered, Chain, Digest};
pub use error::{JournalError, Trouble};
#[doc(hidden)]
pub use faults::{FaultPoint, Faults};
pub use handle::Journal;
pub use listed::{ListedFound, ListedRow, ListedWanted, SHORTEST};
pub use read::Reader;
pub use removal::{Blank, Blanked, Through};
pub use rows::{
    Batch, ClosedFound, ClosedRow, ClosedWanted, Continued, EventRow, InputRow, NewDocument, NewEvent,
    OutboxRow, Restored,
};
pub use size::{Grown, Size};
pub use store::OpenWith;
pub use verify::{Verified, VerifyFault, verify};

#[cfg(test)]
mod test;
