//! Room on the disk for the write-ahead log, and who folds it into the file.
//!
//! A commit is on the disk when the log is. While the log's file grows, each commit also has to
//! wait until the file system has stored the new length; over room that is there already it does
//! not, which on common disks is the difference between milliseconds and a tenth of that. So the
//! room is laid out before it is needed. `SQLite` reads a log only as far as its check sums follow
//! from each other (file format, section 4.4), so that zeros behind it say nothing.

use rusqlite::{Connection, OpenFlags};
use std::ffi::OsString;
use std::fs::OpenOptions;
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

/// Room, in bytes: more than is written between two foldings.
const ROOM: u64 = 8 * 1024 * 1024;
/// As much of it is laid out at once, so that on a slow card too nobody waits for long.
const PIECE: u64 = 1024 * 1024;

/// Writes zeros behind the log of the journal at `path`, a piece of its room; `true`: it has all of
/// it. The journal must be open; a log that is not there is not made.
pub(super) fn lay_out(path: &Path) -> io::Result<bool> {
    let mut name = OsString::from(path);
    name.push("-wal");
    let mut log = OpenOptions::new().write(true).open(PathBuf::from(name))?;
    let mut length = log.seek(SeekFrom::End(0))?;
    let zeros = [0; 16 * 1024];
    let until = length.saturating_add(PIECE).min(ROOM);
    while length < until {
        let most = usize::try_from(until - length).unwrap_or(zeros.len()).min(zeros.len());
        log.write_all(zeros.get(..most).unwrap_or(&zeros))?;
        length += most as u64;
    }
    log.sync_all()?;
    Ok(length >= ROOM)
}

/// Folds one after the other that one order may take to catch up with a writer at work.
const FOLDS: usize = 4;

/// Folds the write-ahead log into the file on a thread and a connection of its own, so that no
/// commit waits for it: `SQLite` lets one connection fold while another one writes ("Write-Ahead
/// Logging", section 2.2), and begins the log anew once a fold has caught up with it.
#[derive(Debug, Default)]
pub(super) struct Folding {
    running: Option<(SyncSender<()>, JoinHandle<()>)>,
}

impl Folding {
    /// Folds the log of the journal at `path` soon. Where that fails, the log grows until a commit
    /// folds it by itself: slower, and nothing is lost.
    pub(super) fn wanted(&mut self, path: &Path) {
        if self.running.is_none() {
            // One order may wait while one is carried out; more would say nothing new.
            let (orders, wanted) = sync_channel(1);
            let of = path.to_path_buf();
            let thread = std::thread::Builder::new().name("journal-log".to_owned());
            match thread.spawn(move || fold_when_wanted(&of, &wanted)) {
                Ok(thread) => self.running = Some((orders, thread)),
                Err(error) => tracing::debug!(%error, "no thread folds the journal's log"),
            }
        }
        if let Some((orders, _)) = &self.running {
            let _ = orders.try_send(());
        }
    }

    /// Ends when what was ordered is done.
    pub(super) fn end(&mut self) {
        if let Some((orders, thread)) = self.running.take() {
            drop(orders);
            let _ = thread.join();
        }
    }
}

impl Drop for Folding {
    fn drop(&mut self) {
        self.end();
    }
}

fn fold_when_wanted(path: &Path, wanted: &Receiver<()>) {
    let mut conn = None;
    for () in wanted {
        if let Err(error) = fold(path, &mut conn) {
            tracing::debug!(%error, path = %path.display(), "the log was not folded");
        }
    }
}

fn fold(path: &Path, conn: &mut Option<Connection>) -> rusqlite::Result<()> {
    let conn = match conn {
        Some(conn) => conn,
        None => conn.insert(beside_the_writer(path)?),
    };
    for _ in 0..FOLDS {
        let (all, folded): (i64, i64) =
            conn.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| Ok((row.get(1)?, row.get(2)?)))?;
        if folded >= all {
            break;
        }
    }
    Ok(())
}

fn beside_the_writer(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_EXRESCODE;
    let conn = Connection::open_with_flags(path, flags)?;
    // The log is on the disk before the file is written, and the file before the log begins anew.
    conn.pragma_update(None, "synchronous", "FULL")?;
    Ok(conn)
}
