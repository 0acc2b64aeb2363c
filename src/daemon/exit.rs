//! Exit codes, those of `sysexits.h`, so that systemd and scripts can tell causes apart.

use std::process::ExitCode;

/// How the program ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// Everything was done.
    Ok = 0,
    /// The command line is wrong.
    Usage = 64,
    /// The data that came in are wrong, at least in part.
    Data = 65,
    /// Something that is needed is not there: a broker, another program's lock.
    Unavailable = 69,
    /// A fault of this program.
    Software = 70,
    /// A file cannot be created.
    CannotCreate = 73,
    /// Reading or writing failed.
    Io = 74,
    /// The settings or a method are wrong. A service manager must not try again.
    Config = 78,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}
