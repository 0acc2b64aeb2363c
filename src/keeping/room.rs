//! How large the journal is, how fast it grows, and how long the disk lasts. PURE.

use crate::journal::Size;

const DAY_NS: i64 = 86_400_000_000_000;
/// Days over which the growth is taken.
const LOOK_BACK: i64 = 30;

/// What was seen of the disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Seen {
    /// Bytes of the journal's write-ahead log, which the disk holds beside the file.
    pub log: u64,
    /// Bytes that are free for the station; `None`: the system does not say.
    pub free: Option<u64>,
    /// Less than this free is an alarm.
    pub reserve: u64,
    /// Wall time now, nanoseconds.
    pub now_ns: i64,
}

/// How fast a journal grows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Growth {
    /// Bytes a day.
    pub a_day: u64,
    /// Over how many days it was seen.
    pub days: i64,
}

/// The whole answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// Bytes of the file.
    pub file: u64,
    /// Of those, bytes in which new events find room.
    pub unused: u64,
    /// Bytes of the log.
    pub log: u64,
    /// Bytes free on the disk.
    pub free: Option<u64>,
    /// Bytes that are to stay free.
    pub reserve: u64,
    /// `None`: the journal is younger than a day.
    pub growth: Option<Growth>,
    /// Days until less than the reserve is free, if it goes on like this.
    pub days_left: Option<u64>,
}

/// Puts together what is known.
pub fn room(size: &Size, seen: &Seen) -> Room {
    let growth = growth(size, seen.now_ns);
    let to_use = seen.free.map(|free| free.saturating_sub(seen.reserve).saturating_add(size.unused));
    let days_left = growth.zip(to_use).and_then(|(growth, bytes)| bytes.checked_div(growth.a_day));
    Room {
        file: size.bytes,
        unused: size.unused,
        log: seen.log,
        free: seen.free,
        reserve: seen.reserve,
        growth,
        days_left,
    }
}

/// From the oldest figure of the last month to now; from the journal's beginning where there is none
/// yet. A removal makes a journal smaller: then only what came after it counts.
fn growth(size: &Size, now_ns: i64) -> Option<Growth> {
    let used = size.bytes.saturating_sub(size.unused);
    let today = now_ns.div_euclid(DAY_NS);
    let recent: Vec<_> = size.grown.iter().filter(|g| (today - LOOK_BACK..today).contains(&g.day)).collect();
    let after_removal = recent.windows(2).rposition(|pair| pair[1].bytes < pair[0].bytes);
    let from = recent.get(after_removal.map_or(0, |at| at + 1)).filter(|g| g.bytes <= used);
    let (bytes, days) = match from {
        Some(from) => (used - from.bytes, today - from.day),
        None => (used, (now_ns - size.since_ns?).div_euclid(DAY_NS)),
    };
    let whole = u64::try_from(days).ok().filter(|days| *days > 0)?;
    Some(Growth { a_day: bytes / whole, days })
}

/// Bytes in words, to three digits.
pub fn bytes(count: u64) -> String {
    const UNITS: [&str; 4] = ["kB", "MB", "GB", "TB"];
    let mut unit = 0;
    let mut thousandths = count;
    while thousandths >= 1_000_000 && unit + 1 < UNITS.len() {
        thousandths /= 1000;
        unit += 1;
    }
    let (whole, part) = (thousandths / 1000, thousandths % 1000);
    let name = UNITS.get(unit).copied().unwrap_or("kB");
    match whole {
        _ if count < 1000 => format!("{count} bytes"),
        0..10 => format!("{whole}.{:02} {name}", part / 10),
        10..100 => format!("{whole}.{} {name}", part / 100),
        _ => format!("{whole} {name}"),
    }
}

/// What it means, in sentences.
pub fn words(room: &Room) -> Vec<String> {
    let unused = match room.unused {
        0 => String::new(),
        free => format!(", of which {} are free for what comes next", bytes(free)),
    };
    let mut said = vec![format!(
        "The journal holds {}{unused}; its log beside it {}.",
        bytes(room.file),
        bytes(room.log)
    )];
    said.push(match room.free {
        None => "The system does not say how much is free on its disk.".to_owned(),
        Some(free) => {
            format!("{} are free on its disk; less than {} is an alarm.", bytes(free), bytes(room.reserve))
        }
    });
    said.push(match (room.growth, room.days_left) {
        (None, _) => "How fast it grows is known after a day.".to_owned(),
        (Some(growth), left) => {
            let seen = if growth.days == 1 {
                "since yesterday".to_owned()
            } else {
                format!("over the last {} days", growth.days)
            };
            let left = match left {
                None => String::new(),
                Some(days @ 0..=60) => {
                    format!(" At this rate the alarm comes in {days} days: make room, or set what is kept.")
                }
                Some(days @ 61..=730) => format!(" At this rate there is room for {} months.", days / 30),
                Some(days) => format!(" At this rate there is room for {} years.", days / 365),
            };
            format!("It grew by {} a day {seen}.{left}", bytes(growth.a_day))
        }
    });
    said
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::journal::Grown;

    const MB: u64 = 1_000_000;

    fn size(used_mb: u64, unused_mb: u64, grown: &[(i64, u64)]) -> Size {
        Size {
            bytes: (used_mb + unused_mb) * MB,
            unused: unused_mb * MB,
            since_ns: Some(1000 * DAY_NS),
            grown: grown.iter().map(|(day, mb)| Grown { day: *day, bytes: mb * MB }).collect(),
        }
    }

    fn seen(free_mb: u64) -> Seen {
        Seen { log: 0, free: Some(free_mb * MB), reserve: 500 * MB, now_ns: 1100 * DAY_NS + 5 }
    }

    #[test]
    fn the_days_that_are_left_follow_from_the_growth_of_the_last_month() {
        // 10 MB a day over the last month, whatever was before.
        let room = room(&size(4300, 0, &[(1001, 5), (1070, 4000), (1085, 4100)]), &seen(1500));
        assert_eq!(room.growth, Some(Growth { a_day: 10 * MB, days: 30 }));
        assert_eq!(room.days_left, Some(100), "1,000 MB above the reserve");
        assert!(words(&room).concat().contains("room for 3 months"), "{:?}", words(&room));
    }

    #[test]
    fn after_a_removal_only_what_came_after_it_counts_and_what_came_free_is_used_first() {
        let room = room(&size(1100, 400, &[(1080, 5000), (1090, 1000)]), &seen(600));
        assert_eq!(room.growth, Some(Growth { a_day: 10 * MB, days: 10 }));
        assert_eq!(room.days_left, Some(50));
        assert!(words(&room).concat().contains("the alarm comes in 50 days"));
    }

    #[test]
    fn without_a_figure_the_whole_life_of_the_journal_counts_and_on_its_first_day_nothing() {
        assert_eq!(room(&size(200, 0, &[]), &seen(1)).growth, Some(Growth { a_day: 2 * MB, days: 100 }));
        let young = Size { since_ns: Some(1100 * DAY_NS), ..size(200, 0, &[(1100, 100)]) };
        let young = room(&young, &seen(1));
        assert_eq!((young.growth, young.days_left), (None, None));
        assert!(words(&young).concat().contains("known after a day"));
    }

    #[test]
    fn what_does_not_grow_lasts_and_what_is_not_known_is_said() {
        let still = room(&size(200, 0, &[(1090, 200)]), &seen(5000));
        assert_eq!(still.days_left, None);
        let silent = room(&size(200, 0, &[(1090, 100)]), &Seen { free: None, ..seen(1) });
        assert!(words(&silent).concat().contains("does not say"), "{:?}", words(&silent));
        assert_eq!(silent.days_left, None);
    }

    #[test]
    fn bytes_are_told_to_three_digits() {
        for (count, told) in [
            (0, "0 bytes"),
            (999, "999 bytes"),
            (1000, "1.00 kB"),
            (28_540, "28.5 kB"),
            (999_999, "999 kB"),
            (1_234_567, "1.23 MB"),
            (5_400_000_000, "5.40 GB"),
            (7_300_000_000_000, "7.30 TB"),
        ] {
            assert_eq!(bytes(count), told);
        }
    }
}
