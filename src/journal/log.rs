//! Room on the disk for the write-ahead log.
//!
//! A commit is on the disk when the log is. While the log's file grows, each commit also has to
//! wait until the file system has stored the new length; over room that is there already it does
//! not, which on common disks is the difference between milliseconds and a tenth of that. So the
//! room is laid out before it is needed. `SQLite` reads a log only as far as its check sums follow
//! from each other (file format, section 4.4), so that zeros behind it say nothing.

use std::ffi::OsString;
use std::fs::OpenOptions;
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Room, in bytes: more than is written between two quiet moments of a bench.
const ROOM: u64 = 4 * 1024 * 1024;

/// Writes zeros behind the log of the journal at `path` until it has its room. The journal must be
/// open; a log that is not there is not made.
pub(super) fn lay_out(path: &Path) -> io::Result<()> {
    let mut name = OsString::from(path);
    name.push("-wal");
    let mut log = OpenOptions::new().write(true).open(PathBuf::from(name))?;
    let mut length = log.seek(SeekFrom::End(0))?;
    let zeros = [0; 16 * 1024];
    while length < ROOM {
        let most = usize::try_from(ROOM - length).unwrap_or(zeros.len()).min(zeros.len());
        log.write_all(zeros.get(..most).unwrap_or(&zeros))?;
        length += most as u64;
    }
    log.sync_all()
}
