//! What is wrong with the settings, for the person who set them.

use crate::domain::method::Fault;
use std::fmt::Display;
use std::path::PathBuf;

/// One thing that is wrong with the settings.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: `{key}`: {what}")]
pub struct SettingsFault {
    /// File and line, environment variable, or `settings` where several keys together are wrong.
    pub place: String,
    /// Dotted key.
    pub key: String,
    /// What is wrong, and what to do.
    pub what: String,
}

/// Why there are no settings.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read at all.
    #[error("cannot read the settings file {}: {why}", file.display())]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// What the system said.
        why: String,
    },
    /// Everything that is wrong, in the order of the file and then of the environment.
    #[error("{}", lines(.0))]
    Faults(Vec<SettingsFault>),
}

/// Why a folder of methods is not usable.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MethodsFault {
    /// A fault inside a file.
    #[error(transparent)]
    InFile(#[from] Fault),
    /// A file or the folder cannot be read, or holds nothing.
    #[error("{}: {why}", path.display())]
    Unreadable {
        /// The file or folder.
        path: PathBuf,
        /// What is the matter, and what to do.
        why: String,
    },
}

fn lines<T: Display>(all: &[T]) -> String {
    all.iter().map(T::to_string).collect::<Vec<_>>().join("\n")
}
