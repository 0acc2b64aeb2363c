//! A copy of a running journal, taken at one instant by a connection of its own: the station
//! writes on meanwhile.
//!
//! `VACUUM INTO` reads within one transaction. The step by step interface of the database would
//! begin anew with each batch that the station commits meanwhile, and at a busy bench never end.

use super::error::JournalError;
use super::read::Reader;
use super::schema;
use super::store::keep_name;
use super::torn;
use super::verify::{Verified, VerifyFault, verify};
use rusqlite::{Connection, ErrorCode};
use std::fs::File;
use std::path::{Path, PathBuf};

/// Why there is no backup.
#[derive(Debug, thiserror::Error)]
pub enum BackupFault {
    /// There is a file of that name.
    #[error("{} is there already, and a backup never replaces a file: name another", .0.display())]
    There(PathBuf),
    /// The journal could not be read, or the copy not be written.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The copy was read again and is not sound.
    #[error(
        "the copy of {} was read again and is not sound, so it was thrown away: {fault}. \
         Run verify on the journal itself: if that is sound, check the disk of the copy", journal.display()
    )]
    Copy {
        /// The journal.
        journal: PathBuf,
        /// What is wrong with its copy.
        fault: VerifyFault,
    },
}

/// Copies `from`, as it stands at one instant, to the new file `to`, and gives what the copy
/// holds. The copy has its name only once it is whole, on disk, read again and verified.
///
/// # Errors
/// See [`BackupFault`]; nothing is left behind.
pub fn backup(from: &Path, to: &Path) -> Result<Verified, BackupFault> {
    let to = std::path::absolute(to).map_err(|e| JournalError::file(to, "made", &e))?;
    if to.symlink_metadata().is_ok() {
        return Err(BackupFault::There(to));
    }
    let mut part = to.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let made = made(from, &part, &to);
    let _ = std::fs::remove_file(&part);
    made
}

fn made(from: &Path, part: &Path, to: &Path) -> Result<Verified, BackupFault> {
    torn::look(from)?;
    copy(from, part)?;
    let verified = verify(part).map_err(|fault| BackupFault::Copy { journal: from.to_path_buf(), fault })?;
    // `hard_link` and not `rename`: it does not write over a file that came in between.
    std::fs::hard_link(part, to).map_err(|e| match e.kind() {
        std::io::ErrorKind::AlreadyExists => BackupFault::There(to.to_path_buf()),
        _ => JournalError::file(to, "made", &e).into(),
    })?;
    keep_name(to)?;
    Ok(verified)
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
    reader.connection().execute("VACUUM INTO ?1", [name]).map_err(|e| match e.sqlite_error_code() {
        // Of the two files it is the one that is read.
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            JournalError::database(from, "read", &e)
        }
        _ => failed(e),
    })?;
    let id = reader.journal_id()?.map(|id| id.to_string()).unwrap_or_default();
    let conn = Connection::open(part).map_err(failed)?;
    conn.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?1, ?2)", [schema::BACKUP_MARK, &id])
        .map_err(failed)?;
    conn.close().map_err(|(_, e)| failed(e))?;
    let file = File::open(part).and_then(|file| file.sync_all().map(|()| file));
    let file = file.map_err(|e| JournalError::file(part, "written", &e))?;
    // What is verified next shall come from the disk and not from memory, as far as the system
    // lets itself be asked.
    let _ = rustix::fs::fadvise(&file, 0, None, rustix::fs::Advice::DontNeed);
    Ok(())
}
