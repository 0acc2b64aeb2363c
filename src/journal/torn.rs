//! A write-ahead log that breaks off where no power cut breaks one off.
//!
//! `SQLite` reads a log as far as its check sums follow from each other ("Database File Format",
//! section 4, <https://www.sqlite.org/fileformat2.html>) and passes over what stands behind without a
//! word. A power cut tears the commit that was being written, and no other: those before it were
//! flushed. Where two or more whole commits of the same round stand behind the break, the disk has lost
//! or changed what it had confirmed. And the file may hold newer pages than what is left of the log, so
//! that the two together need not be any state that the journal ever had.

use super::error::JournalError;
use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;

/// Length of the log's header, and of a frame's.
const HEADER: usize = 32;
const FRAME: usize = 24;
/// How a log begins whose check sums are made of little-endian words; of big-endian ones it is one more.
const MAGIC: u32 = 0x377f_0682;
/// Whole commits behind a break that a power cut does not leave there.
const TOO_MANY: u64 = 2;
/// A log that is being written to may look broken for an instant. It is looked at again, so often at most.
const LOOKS: u32 = 8;

/// Where a log breaks off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Break {
    /// The first frame that does not follow from the one before, counted from 0.
    frame: u64,
    /// Whole commits behind it.
    commits: u64,
}

/// Looks at the log of the journal at `path`, also while it is being written to.
///
/// # Errors
/// [`JournalError::LogDamaged`], or the log cannot be read.
pub(super) fn look(path: &Path) -> Result<(), JournalError> {
    let log = super::read::beside(path, "-wal");
    let mut before = None;
    for _ in 0..LOOKS {
        let found = match File::open(&log) {
            Ok(file) => breaks(&mut BufReader::with_capacity(1 << 16, file), page_of(path)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            Err(error) => Err(error),
        };
        let Some(found) = found.map_err(|error| JournalError::file(&log, "read", &error))? else {
            return Ok(());
        };
        if before == Some(found) {
            let (path, commits) = (path.to_path_buf(), found.commits);
            return Err(JournalError::LogDamaged { path, log, frame: found.frame + 1, commits });
        }
        before = Some(found);
    }
    Ok(())
}

/// The length of a page by the file itself, which has it from its first moment on (section 1.3.2).
fn page_of(path: &Path) -> Option<u32> {
    let mut head = [0; 18];
    File::open(path).ok()?.read_exact(&mut head).ok()?;
    let (name, page) = head.split_last_chunk::<2>()?;
    match u16::from_be_bytes(*page) {
        1 => Some(65_536),
        page => name.starts_with(b"SQLite format 3").then_some(u32::from(page)),
    }
}

/// The break of a log with pages of that length, where too many whole commits stand behind it.
fn breaks(log: &mut impl Read, page: Option<u32>) -> io::Result<Option<Break>> {
    let mut header = [0; HEADER];
    if !filled(log, &mut header)? {
        return Ok(None);
    }
    let [magic, _, its_page, _, salt, other_salt, sum, other_sum] = words(&header);
    let order = if magic == MAGIC + 1 { u32::from_be_bytes } else { u32::from_le_bytes };
    let sound = (magic | 1) == MAGIC + 1 && summed((0, 0), header.split_at(24).0, order) == (sum, other_sum);
    let Some(page) = usize::try_from(page.unwrap_or(its_page))
        .ok()
        .filter(|p| p.is_power_of_two() && (512..=65_536).contains(p))
    else {
        return Ok(None);
    };
    // Of a header that says nothing sure the first frame says which round it is.
    let mut salts = sound.then_some((salt, other_salt));
    let mut before = (sum, other_sum);
    let mut broken = (!sound).then_some(Break { frame: 0, commits: 0 });
    let (mut frame, mut number) = (vec![0; FRAME + page], 0);
    while filled(log, &mut frame)? {
        let (head, data) = frame.split_at(FRAME);
        let [_, size, one, two, sum, other_sum] = words(head);
        let follows = *salts.get_or_insert((one, two)) == (one, two)
            && summed(summed(before, head.split_at(8).0, order), data, order) == (sum, other_sum);
        match &mut broken {
            None if !follows => broken = Some(Break { frame: number, commits: 0 }),
            Some(broken) => broken.commits += u64::from(follows && size != 0),
            None => {}
        }
        before = (sum, other_sum);
        number += 1;
    }
    Ok(broken.filter(|broken| broken.commits >= TOO_MANY))
}

/// Reads as many bytes as there is room for; `false`: there were fewer.
fn filled(log: &mut impl Read, into: &mut [u8]) -> io::Result<bool> {
    match log.read_exact(into) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}

/// The first words of a header, big-endian as all of them are.
fn words<const N: usize>(bytes: &[u8]) -> [u32; N] {
    let mut words = [0; N];
    for (word, bytes) in words.iter_mut().zip(bytes.as_chunks().0) {
        *word = u32::from_be_bytes(*bytes);
    }
    words
}

/// The running check sum over whole pairs of words ("Database File Format", section 4.2).
fn summed(from: (u32, u32), bytes: &[u8], order: fn([u8; 4]) -> u32) -> (u32, u32) {
    let pairs = bytes.as_chunks().0.as_chunks::<2>().0;
    pairs.iter().fold(from, |(one, two), [first, second]| {
        let one = one.wrapping_add(order(*first)).wrapping_add(two);
        (one, two.wrapping_add(order(*second)).wrapping_add(one))
    })
}
