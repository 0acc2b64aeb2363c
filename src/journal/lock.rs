//! One process per journal, by a lock on a file of its own.
//!
//! The lock is the kernel's and ends with the process, however that ends; the file stays, since
//! removing it would let two processes lock two files of one name.

use super::error::JournalError;
use rustix::fs::{FlockOperation, flock};
use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Held for as long as this value lives.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the lock of a journal, or says who has it.
    pub(super) fn take(journal: &Path) -> Result<Self, JournalError> {
        let path = lock_path(journal);
        let failed = |error: &std::io::Error| JournalError::file(&path, "locked", error);
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|e| failed(&e))?;
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => {}
            Err(rustix::io::Errno::WOULDBLOCK) => {
                let mut text = String::new();
                let _ = file.take(64).read_to_string(&mut text);
                let holder = match text.trim().parse::<u32>() {
                    Ok(pid) => format!("process {pid}"),
                    Err(_) => "another process".to_owned(),
                };
                return Err(JournalError::Held { path: journal.to_path_buf(), holder });
            }
            Err(errno) => return Err(failed(&errno.into())),
        }
        // The number is for people; a full disk must not keep a station from starting.
        let note = file
            .set_len(0)
            .and_then(|()| file.rewind())
            .and_then(|()| writeln!(file, "{}", std::process::id()));
        if let Err(error) = note {
            tracing::warn!(%error, path = %path.display(), "could not write the process number into the lock file");
        }
        Ok(Self { _file: file })
    }
}

/// `<journal>.lock`.
fn lock_path(journal: &Path) -> PathBuf {
    let mut name = journal.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}
