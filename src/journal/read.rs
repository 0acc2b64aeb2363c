//! Reading a journal without the station: also while it runs, also a copy on a read-only disk.

use super::closed;
use super::error::JournalError;
use super::rows::{ClosedFound, ClosedWanted, EventRow, InputRow, OutboxRow};
use super::schema::{self, Found};
use super::sql;
use super::taken::{self, TAKEN_SINCE};
use rusqlite::{Connection, OpenFlags};
use std::fmt::Write as _;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::Duration;
use uuid::Uuid;

/// The first format that keeps what has left the state.
const CLOSED_SINCE: u32 = 2;

/// A connection of its own that cannot write.
#[derive(Debug)]
pub struct Reader {
    path: PathBuf,
    conn: Connection,
    format: u32,
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
            Found::Journal(format) => Ok(Self { path: path.to_path_buf(), conn, format }),
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

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}
