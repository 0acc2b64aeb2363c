//! What the system says of the disk under the journal.

use std::path::Path;

/// Bytes that are free for the station where the journal lies; `None` where the system does not say.
pub fn free(journal: &Path) -> Option<u64> {
    let told = rustix::fs::statvfs(journal).ok()?;
    Some(told.f_bavail.saturating_mul(told.f_frsize))
}

/// Bytes of the write-ahead log beside the journal.
pub fn log(journal: &Path) -> u64 {
    let mut name = journal.as_os_str().to_owned();
    name.push("-wal");
    std::fs::metadata(name).map_or(0, |about| about.len())
}
