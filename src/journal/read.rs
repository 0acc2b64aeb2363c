//! Reading a journal without the station: also while it runs, also a copy on a read-only disk.

use super::closed;
use super::error::JournalError;
use super::listed::{self, ListedFound, ListedRow, ListedWanted};
use super::removal::{self, Blanked};
use super::restore;
use super::rows::{ClosedFound, ClosedWanted, EventRow, InputRow, OutboxRow, Restored};
use super::schema::{self, Found};
use super::size::{self, Size};
use super::sql;
use super::store::told;
use super::taken::{self, TAKEN_SINCE};
use rusqlite::{Connection, OpenFlags};
use std::fmt::Write as _;
use std::ops::Range;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::Duration;
use uuid::Uuid;

/// The first format that keeps what has left the state.
const CLOSED_SINCE: u32 = 2;

/// The first format with removals and notes of how the file grows.
pub(super) const REMOVED_SINCE: u32 = 4;

/// The first format whose list of documents this program reads.
const LISTED_SINCE: u32 = 5;

/// A connection of its own that cannot write.
#[derive(Debug)]
pub struct Reader {
    path: PathBuf,
    conn: Connection,
    format: u32,
    /// It has a list of its own, which hides the file's.
    own_list: bool,
}

impl Reader {
    /// Opens a journal that exists. One of a newer format is opened too, for as long as its rows
    /// can be read.
    pub fn open(path: &Path) -> Result<Self, JournalError> {
        if !path.is_file() {
            let missing = std::io::Error::from(std::io::ErrorKind::NotFound);
            return Err(JournalError::file(path, "opened", &missing));
        }
        match Self::connect(path, "mode=ro") {
            // A log beside the file cannot be made on a read-only disk. Where none is there, all
            // is in the file itself, and nobody can be writing to it.
            Err(JournalError::Disk { .. }) if !beside(path, "-wal").exists() => {
                Self::connect(path, "mode=ro&immutable=1")
            }
            other => other,
        }
    }

    fn connect(path: &Path, how: &str) -> Result<Self, JournalError> {
        let failed = |e: rusqlite::Error| JournalError::database(path, "opened", &e);
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
            | OpenFlags::SQLITE_OPEN_URI
            | OpenFlags::SQLITE_OPEN_NO_MUTEX
            | OpenFlags::SQLITE_OPEN_EXRESCODE;
        let conn = Connection::open_with_flags(uri(path, how), flags).map_err(failed)?;
        conn.busy_timeout(Duration::from_secs(5)).map_err(failed)?;
        match schema::look(&conn, path)? {
            Found::Journal(format) => Ok(Self { path: path.to_path_buf(), conn, format, own_list: false }),
            Found::Empty => {
                Err(JournalError::Foreign { path: path.to_path_buf(), why: "it is empty".to_owned() })
            }
        }
    }

    /// Format of the file.
    pub fn format(&self) -> u32 {
        self.format
    }

    /// Identity of the journal as it is now.
    pub fn journal_id(&self) -> Result<Option<Uuid>, JournalError> {
        self.read(|conn| Ok(sql::identities(conn)?.last().map(|identity| identity.id)))
    }

    /// Up to `limit` events after a number, in order.
    pub fn events(&self, after: u64, limit: u32) -> Result<Vec<EventRow>, JournalError> {
        self.read(|conn| sql::events_after(conn, after, limit))
    }

    /// Number of the newest event; 0 if there is none.
    pub fn newest_event(&self) -> Result<u64, JournalError> {
        self.read(sql::newest_event)
    }

    /// The events of these kinds whose numbers lie in a range, in order.
    pub fn events_of(&self, kinds: &[&str], numbers: Range<u64>) -> Result<Vec<EventRow>, JournalError> {
        self.read(|conn| sql::events_of(conn, kinds, &numbers))
    }

    /// State and events as a station finds them at its start, `before` an event if one is given.
    /// One transaction: a station may write meanwhile.
    pub fn restored(&self, before: Option<u64>) -> Result<Restored, JournalError> {
        let snapshot = self.conn.unchecked_transaction();
        let snapshot = snapshot.map_err(|e| JournalError::database(&self.path, "read", &e))?;
        restore::restore(&snapshot, before).map_err(|error| told(&self.path, error))
    }

    /// Up to `limit` inputs in the order in which they were decided, after the first `skip`.
    pub fn inputs(&self, skip: u64, limit: u32) -> Result<Vec<InputRow>, JournalError> {
        self.read(|conn| sql::inputs_after(conn, skip, limit))
    }

    /// Up to `limit` documents after a number, ascending.
    pub fn documents(&self, after: u64, limit: u32) -> Result<Vec<OutboxRow>, JournalError> {
        self.read(|conn| {
            let mut rows = sql::documents_after(conn, after, limit)?;
            self.mark(&mut rows)?;
            Ok(rows)
        })
    }

    /// The document with this id.
    pub fn document(&self, id: &str) -> Result<Option<OutboxRow>, JournalError> {
        self.read(|conn| {
            let mut row = sql::document_by_id(conn, id)?;
            self.mark(row.as_mut_slice())?;
            Ok(row)
        })
    }

    /// What has left the state, by its identity or by that of one of its parts.
    pub fn closed(&self, id: Uuid) -> Result<Option<ClosedFound>, JournalError> {
        if self.format < CLOSED_SINCE {
            return Ok(None);
        }
        self.read(|conn| closed::by_id(conn, id))
    }

    /// Up to `limit` of what has left the state, the last one first; the `number` of the last row
    /// is the `before` of the next page.
    pub fn closed_page(&self, wanted: &ClosedWanted, limit: u32) -> Result<Vec<ClosedFound>, JournalError> {
        if self.format < CLOSED_SINCE {
            return Ok(Vec::new());
        }
        self.read(|conn| closed::page(conn, wanted, limit))
    }

    /// The document with this number.
    pub fn document_at(&self, number: u64) -> Result<Option<OutboxRow>, JournalError> {
        self.read(|conn| {
            let mut row = sql::document_at(conn, number)?;
            self.mark(row.as_mut_slice())?;
            Ok(row)
        })
    }

    /// How far the list of documents goes, and the number of the newest document.
    pub fn listed_reach(&self) -> Result<(u64, u64), JournalError> {
        if self.format < LISTED_SINCE && !self.own_list {
            return Ok((0, 0));
        }
        self.read(listed::reach)
    }

    /// Up to `limit` documents of two kinds after a number, ascending.
    pub fn unlisted(&self, after: u64, kinds: [&str; 2], limit: u32) -> Result<Vec<OutboxRow>, JournalError> {
        self.read(|conn| listed::unlisted(conn, after, kinds, limit))
    }

    /// Makes a list of this reader's own, out of the file's, so that it can be brought up to date
    /// without writing to the file. The system's temporary folder holds it, not the memory.
    pub fn own_list(&mut self) -> Result<(), JournalError> {
        self.read(|conn| listed::shadow(conn, self.format >= LISTED_SINCE))?;
        self.own_list = true;
        Ok(())
    }

    /// Takes documents into the reader's own list.
    pub fn list(&self, rows: &[ListedRow], through: u64) -> Result<(), JournalError> {
        self.read(|conn| {
            if !conn.is_autocommit() {
                return listed::put(conn, rows, through, false);
            }
            let tx = conn.unchecked_transaction()?;
            listed::put(&tx, rows, through, false)?;
            tx.commit()
        })
    }

    /// Up to `limit` of the list of documents.
    pub fn listed(&self, wanted: &ListedWanted, limit: u32) -> Result<Vec<ListedFound>, JournalError> {
        if self.format < LISTED_SINCE && !self.own_list {
            return Ok(Vec::new());
        }
        self.read(|conn| listed::page(conn, wanted, limit))
    }

    /// Up to `limit` of the file's list of documents in which each of these words stands. Small letters;
    /// a word of fewer than [`SHORTEST`](listed::SHORTEST) characters stands nowhere.
    pub fn searched(
        &self,
        words: &[String],
        wanted: &ListedWanted,
        limit: u32,
    ) -> Result<Vec<ListedFound>, JournalError> {
        if self.format < LISTED_SINCE {
            return Ok(Vec::new());
        }
        self.read(|conn| listed::search(conn, words, wanted, limit))
    }

    /// Number of the newest document of a kind about something, as the list of documents has it.
    pub fn newest_about(&self, subject: &str, kind: &str) -> Result<Option<u64>, JournalError> {
        if self.format < LISTED_SINCE && !self.own_list {
            return Ok(None);
        }
        self.read(|conn| listed::newest_about(conn, subject, kind))
    }

    /// Number and moment of up to `limit` events after a number.
    pub fn moments(&self, after: u64, limit: u32) -> Result<Vec<(u64, String)>, JournalError> {
        self.read(|conn| removal::moments(conn, after, limit))
    }

    /// Up to `limit` events after a number and up to another whose payload is there.
    pub fn events_whole(&self, after: u64, upto: u64, limit: u32) -> Result<Vec<EventRow>, JournalError> {
        self.read(|conn| removal::events_whole(conn, after, upto, limit))
    }

    /// The same of documents.
    pub fn documents_whole(&self, after: u64, upto: u64, limit: u32) -> Result<Vec<OutboxRow>, JournalError> {
        self.read(|conn| {
            let mut rows = removal::documents_whole(conn, after, upto, limit)?;
            self.mark(&mut rows)?;
            Ok(rows)
        })
    }

    /// The oldest document that the network has not acknowledged.
    pub fn oldest_unacked(&self) -> Result<Option<OutboxRow>, JournalError> {
        if self.format < TAKEN_SINCE {
            let rows = self.documents(0, u32::MAX)?;
            return Ok(rows.into_iter().find(|row| row.acked_at_ns.is_none()));
        }
        Ok(self.read(|conn| sql::documents_after(conn, taken::through_of(conn)?, 1))?.into_iter().next())
    }

    /// Number of the last document before the first that was made at an instant or later; 0: none.
    pub fn last_document_before(&self, at_ns: i64) -> Result<u64, JournalError> {
        self.read(|conn| removal::last_document_before(conn, at_ns))
    }

    /// What documents were made anew at an instant or later whose first version is from before it.
    pub fn amended_after(&self, at_ns: i64) -> Result<Vec<String>, JournalError> {
        self.read(|conn| removal::amended_after(conn, at_ns))
    }

    /// The removals that the journal tells of, oldest first.
    pub fn removals(&self) -> Result<Vec<Blanked>, JournalError> {
        if self.format < REMOVED_SINCE {
            return Ok(Vec::new());
        }
        self.read(removal::all)
    }

    /// How large it is and how it has grown.
    pub fn size(&self) -> Result<Size, JournalError> {
        self.read(|conn| size::size(conn, self.format >= REMOVED_SINCE))
    }

    /// Begins one instant: whatever is read from here on is read as it stands now, also while a
    /// station writes on. It ends with the reader.
    pub fn hold_still(&self) -> Result<(), JournalError> {
        self.read(|conn| conn.execute_batch("BEGIN"))
    }

    /// In an older format the row itself says it.
    fn mark(&self, rows: &mut [OutboxRow]) -> rusqlite::Result<()> {
        if self.format < TAKEN_SINCE { Ok(()) } else { taken::mark(&self.conn, rows) }
    }

    pub(super) fn connection(&self) -> &Connection {
        &self.conn
    }

    fn read<T>(&self, question: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, JournalError> {
        question(&self.conn).map_err(|e| JournalError::database(&self.path, "read", &e))
    }
}

/// A path as a URI: every byte that is not plainly a name's is written in hexadecimal.
fn uri(path: &Path, how: &str) -> String {
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
    let mut text = "file://".to_owned();
    for byte in absolute.as_os_str().as_bytes() {
        if byte.is_ascii_alphanumeric() || b"/-_.".contains(byte) {
            text.push(char::from(*byte));
        } else {
            let _ = write!(text, "%{byte:02X}");
        }
    }
    text.push('?');
    text.push_str(how);
    text
}

pub(super) fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}
