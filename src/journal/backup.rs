//! A copy of a running journal, taken at one instant by a connection of its own: the station
//! writes on meanwhile.

use super::error::JournalError;
use super::read::Reader;
use super::schema;
use super::store::keep_name;
use rusqlite::Connection;
use std::fs::File;
use std::path::{Path, PathBuf};

/// Copies `from` to the new file `to`. The copy has its name only once it is whole and on disk.
pub(super) fn backup(from: &Path, to: &Path) -> Result<(), JournalError> {
    let to = std::path::absolute(to).map_err(|e| JournalError::file(to, "made", &e))?;
    if to.exists() {
        let there = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
        return Err(JournalError::file(&to, "made", &there));
    }
    let mut part = to.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let made = copy(from, &part).and_then(|()| {
        // `hard_link` and not `rename`: it does not write over a file that came in between.
        std::fs::hard_link(&part, &to).map_err(|e| JournalError::file(&to, "made", &e))?;
        keep_name(&to)
    });
    let _ = std::fs::remove_file(&part);
    made
}

fn copy(from: &Path, part: &Path) -> Result<(), JournalError> {
    let failed = |e: rusqlite::Error| JournalError::database(part, "written", &e);
    match std::fs::remove_file(part) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
            return Err(JournalError::file(part, "made", &e));
        }
        _ => {} // left behind by a backup that was cut off, or not there at all
    }
    let name = part.to_str().ok_or_else(|| {
        let odd = std::io::Error::new(std::io::ErrorKind::InvalidInput, "the name is not UTF-8 text");
        JournalError::file(part, "made", &odd)
    })?;
    let reader = Reader::open(from)?;
    reader.connection().execute("VACUUM INTO ?1", [name]).map_err(failed)?;
    let id = reader.journal_id()?.map(|id| id.to_string()).unwrap_or_default();
    let conn = Connection::open(part).map_err(failed)?;
    conn.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?1, ?2)", [schema::BACKUP_MARK, &id])
        .map_err(failed)?;
    conn.close().map_err(|(_, e)| failed(e))?;
    File::open(part).and_then(|file| file.sync_all()).map_err(|e| JournalError::file(part, "written", &e))
}
