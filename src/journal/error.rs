//! What can go wrong with a journal, for the person who reads it.

use std::io;
use std::path::{Path, PathBuf};

/// Why the journal could not be opened, or a batch not be stored.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// Another process holds the lock.
    #[error(
        "the journal {} is in use by {holder}: only one station may write to it. \
         Stop that one, or give this station a journal of its own", path.display()
    )]
    Held {
        /// The journal.
        path: PathBuf,
        /// Who holds it, as far as its lock file says.
        holder: String,
    },
    /// A newer program wrote it.
    #[error(
        "the journal {} has format {found}, and this program writes formats up to {known}. \
         It was left untouched. Start the program version that wrote it, or a newer one", path.display()
    )]
    Newer {
        /// The journal.
        path: PathBuf,
        /// Its format.
        found: u32,
        /// The newest format that this program knows.
        known: u32,
    },
    /// The file is something else.
    #[error("{} is not a journal of this program: {why}. It was left untouched", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What it is instead.
        why: String,
    },
    /// The disk, or what stands between it and the program.
    #[error("the journal {} could not be {doing}: {trouble} ({detail})", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What was being done, to stand after 'could not be'.
        doing: &'static str,
        /// What kind of trouble.
        trouble: Trouble,
        /// What the database or the system says.
        detail: String,
    },
    /// The file is damaged.
    #[error(
        "the journal {} is damaged: {detail}. Keep the file, run verify on it to see how far it \
         is sound, and go on from the last backup", path.display()
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the database says.
        detail: String,
    },
    /// The log beside the file is damaged.
    #[error(
        "the journal {} is damaged: its log {} cannot be read from its piece {frame} on, and {commits} commits that \
         were confirmed stand behind it. Nothing was changed. Keep both files, and go on from the last backup",
        path.display(), log.display()
    )]
    LogDamaged {
        /// The journal.
        path: PathBuf,
        /// Its log.
        log: PathBuf,
        /// The first piece of the log that does not follow from the one before, counted from 1.
        frame: u64,
        /// Whole commits behind it.
        commits: u64,
    },
    /// The batch does not continue the journal. A fault in the program, or a batch that was made
    /// before a failed one; nothing of it is stored.
    #[error("the batch does not continue the journal and was not stored: {why}")]
    Refused {
        /// What does not fit.
        why: String,
    },
    /// The journal was closed.
    #[error("the journal is closed")]
    Closed,
}

/// What kind of trouble with the disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Trouble {
    /// No space left.
    #[error("the disk is full; make room on it")]
    Full,
    /// No writing.
    #[error("the disk or the file is read-only; check the mount and the file's owner")]
    ReadOnly,
    /// The device does not answer as it should.
    #[error("reading or writing failed; check the disk and the system's log")]
    Io,
    /// The file cannot be opened or made.
    #[error("the file cannot be opened; check that its folder exists and who may write there")]
    Open,
    /// Somebody else holds a lock on the database.
    #[error("another program keeps the file locked; close the program that has it open")]
    Busy,
    /// Anything else.
    #[error("the database reported an error")]
    Other,
}

impl JournalError {
    /// An error of the database while `doing` something.
    pub(super) fn database(path: &Path, doing: &'static str, error: &rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        let (path, detail) = (path.to_path_buf(), error.to_string());
        let trouble = match error.sqlite_error_code() {
            Some(Code::DatabaseCorrupt) => return Self::Damaged { path, detail },
            Some(Code::NotADatabase) => return Self::Foreign { path, why: detail },
            Some(Code::ConstraintViolation) => return Self::Refused { why: detail },
            Some(Code::DiskFull) => Trouble::Full,
            Some(Code::ReadOnly | Code::PermissionDenied) => Trouble::ReadOnly,
            Some(Code::SystemIoFailure) => Trouble::Io,
            Some(Code::CannotOpen) => Trouble::Open,
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => Trouble::Busy,
            _ => Trouble::Other,
        };
        Self::Disk { path, doing, trouble, detail }
    }

    /// An error of the file system while `doing` something.
    pub(super) fn file(path: &Path, doing: &'static str, error: &io::Error) -> Self {
        let trouble = match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Trouble::Full,
            io::ErrorKind::ReadOnlyFilesystem => Trouble::ReadOnly,
            io::ErrorKind::NotFound | io::ErrorKind::PermissionDenied | io::ErrorKind::AlreadyExists => {
                Trouble::Open
            }
            _ => Trouble::Io,
        };
        Self::Disk { path: path.to_path_buf(), doing, trouble, detail: error.to_string() }
    }
}
