//! GPIO lines: from the settings' words for a chip and a line to a device and an offset.

use gpiocdev::chip::Chip;
use std::path::{Path, PathBuf};

/// Why a line cannot be had. The wording is for the person who set it up.
#[derive(Debug, thiserror::Error)]
pub enum FindError {
    /// The device file is not there or cannot be opened.
    #[error("cannot open the GPIO chip {chip}: {why}; is it plugged in, and may this user open it?")]
    Open {
        /// As in the settings.
        chip: String,
        /// What the system said.
        why: String,
    },
    /// No chip has the name or label.
    #[error("no GPIO chip is called or labelled `{chip}`; there are {there}")]
    NoChip {
        /// As in the settings.
        chip: String,
        /// The chips that there are.
        there: String,
    },
    /// A label that several chips bear.
    #[error("several GPIO chips are labelled `{chip}`: {there}; name one by its path")]
    ManyChips {
        /// As in the settings.
        chip: String,
        /// The chips that bear it.
        there: String,
    },
    /// The chip has no such line.
    #[error("{chip} has no line `{line}`: offsets go to {last}, names are {names}")]
    NoLine {
        /// Path of the chip.
        chip: String,
        /// As in the settings.
        line: String,
        /// Largest offset.
        last: i64,
        /// Names of its lines.
        names: String,
    },
    /// A name that several lines bear.
    #[error("{chip} has several lines called `{line}`, at offsets {offsets}; name one by its offset")]
    ManyLines {
        /// Path of the chip.
        chip: String,
        /// As in the settings.
        line: String,
        /// Where they stand.
        offsets: String,
    },
    /// Somebody else has the line.
    #[error("line {line} of {chip} is in use by `{consumer}`")]
    InUse {
        /// Path of the chip.
        chip: String,
        /// Offset.
        line: u32,
        /// Who has it.
        consumer: String,
    },
    /// The kernel refused.
    #[error("the kernel refuses line {line} of {chip}: {why}")]
    Refused {
        /// Path of the chip.
        chip: String,
        /// Offset.
        line: u32,
        /// What it said.
        why: String,
    },
}

/// A chip as the kernel describes it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct ChipSeen {
    path: PathBuf,
    name: String,
    label: String,
}

/// The chip that the settings mean: a path, else a name, else a label.
pub fn chip(wanted: &str) -> Result<Chip, FindError> {
    let path = if wanted.contains('/') { PathBuf::from(wanted) } else { pick_chip(wanted, &chips_seen())? };
    Chip::from_path(&path).map_err(|e| FindError::Open { chip: wanted.to_owned(), why: e.to_string() })
}

/// Chips that cannot be opened are left out: they are not this program's.
fn chips_seen() -> Vec<ChipSeen> {
    let paths = gpiocdev::chip::chips().unwrap_or_default();
    let seen = |path: PathBuf| {
        let info = Chip::from_path(&path).and_then(|c| c.info()).ok()?;
        Some(ChipSeen { path, name: info.name, label: info.label })
    };
    paths.into_iter().filter_map(seen).collect()
}

fn pick_chip(wanted: &str, seen: &[ChipSeen]) -> Result<PathBuf, FindError> {
    if let Some(chip) = seen.iter().find(|c| c.name == wanted) {
        return Ok(chip.path.clone());
    }
    let labelled: Vec<_> = seen.iter().filter(|c| c.label == wanted).collect();
    match labelled.as_slice() {
        [one] => Ok(one.path.clone()),
        [] => Err(FindError::NoChip {
            chip: wanted.to_owned(),
            there: listed(seen.iter().map(|c| format!("{} (labelled `{}`)", c.name, c.label))),
        }),
        many => Err(FindError::ManyChips {
            chip: wanted.to_owned(),
            there: listed(many.iter().map(|c| c.path.display().to_string())),
        }),
    }
}

/// The offset that the settings mean: a number is an offset, anything else a name.
pub fn line(wanted: &str, chip: &Chip) -> Result<u32, FindError> {
    let read = |e: gpiocdev::Error| FindError::Open { chip: shown(chip.path()), why: e.to_string() };
    let names = chip.line_info_iter().map_err(read)?.map(|info| info.map(|i| i.name));
    let names = names.collect::<Result<Vec<_>, _>>().map_err(read)?;
    let offset = pick_line(wanted, chip.path(), &names)?;
    let info = chip.line_info(offset).map_err(read)?;
    if info.used {
        return Err(FindError::InUse { chip: shown(chip.path()), line: offset, consumer: info.consumer });
    }
    Ok(offset)
}

/// `names` holds one name for each offset, empty where a line has none.
fn pick_line(wanted: &str, chip: &Path, names: &[String]) -> Result<u32, FindError> {
    let none = || FindError::NoLine {
        chip: shown(chip),
        line: wanted.to_owned(),
        last: i64::try_from(names.len()).unwrap_or(i64::MAX) - 1,
        names: listed(names.iter().filter(|n| !n.is_empty()).map(|n| format!("`{n}`"))),
    };
    if wanted.bytes().all(|b| b.is_ascii_digit()) {
        let offset = wanted.parse().ok().filter(|o: &u32| (*o as usize) < names.len());
        return offset.ok_or_else(none);
    }
    let found: Vec<u32> = (0..).zip(names).filter(|(_, n)| *n == wanted).map(|(o, _)| o).collect();
    match found.as_slice() {
        [one] => Ok(*one),
        [] => Err(none()),
        many => Err(FindError::ManyLines {
            chip: shown(chip),
            line: wanted.to_owned(),
            offsets: listed(many.iter().map(u32::to_string)),
        }),
    }
}

/// A path for people.
pub fn shown(path: &Path) -> String {
    path.display().to_string()
}

fn listed(of: impl Iterator<Item = String>) -> String {
    let all: Vec<_> = of.collect();
    if all.is_empty() { "none".to_owned() } else { all.join(", ") }
}

#[cfg(test)]
mod test {
    use super::*;

    fn chips(of: &[(&str, &str)]) -> Vec<ChipSeen> {
        let seen = |(name, label): &(&str, &str)| ChipSeen {
            path: format!("/dev/{name}").into(),
            name: (*name).into(),
            label: (*label).into(),
        };
        of.iter().map(seen).collect()
    }

    #[test]
    fn a_chip_is_found_by_name_or_by_a_label_that_one_chip_bears() {
        let seen = chips(&[("gpiochip0", "soc"), ("gpiochip1", "board"), ("gpiochip2", "board")]);
        assert_eq!(pick_chip("gpiochip1", &seen).unwrap(), Path::new("/dev/gpiochip1"));
        assert_eq!(pick_chip("soc", &seen).unwrap(), Path::new("/dev/gpiochip0"));
        let many = pick_chip("board", &seen).unwrap_err().to_string();
        assert!(many.contains("/dev/gpiochip1, /dev/gpiochip2"), "{many}");
        let none = pick_chip("pedal", &seen).unwrap_err().to_string();
        assert!(none.contains("`pedal`") && none.contains("gpiochip0 (labelled `soc`)"), "{none}");
        assert!(pick_chip("pedal", &[]).unwrap_err().to_string().contains("there are none"));
    }

    #[test]
    fn a_line_is_found_by_offset_or_by_a_name_that_one_line_bears() {
        let names = ["", "PEDAL", "LAMP", "LAMP"].map(String::from);
        let pick =
            |wanted: &str| pick_line(wanted, Path::new("/dev/gpiochip0"), &names).map_err(|e| e.to_string());
        assert_eq!(pick("3"), Ok(3));
        assert_eq!(pick("PEDAL"), Ok(1));
        assert!(pick("LAMP").unwrap_err().contains("offsets 2, 3"));
        for wrong in ["4", "HORN", "", "99999999999", "-1"] {
            let none = pick(wrong).unwrap_err();
            assert!(none.contains("offsets go to 3") && none.contains("`PEDAL`"), "{none}");
        }
    }
}
