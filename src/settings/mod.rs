//! Settings: shipped defaults, a file, the environment. Not used after start-up.
//!
//! `layers` looks at file and environment strictly and says where each fault stands; the `config`
//! crate then layers the three; `check` asks whether the result makes sense on this machine.

pub mod model;

mod check;
mod environment;
mod fault;
mod instrument;
mod layers;
mod told;
mod web;
mod words;

#[cfg(test)]
mod test;

pub use check::{check, check_methods, time_zone};
pub use environment::{NOT_SETTINGS, process_environment};
pub use fault::{MethodsFault, SettingsError, SettingsFault};
pub use told::told;

use crate::domain::equipment::{self, Kind};
use crate::domain::method::{self, Method};
use crate::domain::solution::{self, Recipe};
use config::{Config, Environment, FileFormat};
use environment::{Variable, variables};
use model::Settings;
use std::path::{Path, PathBuf};

/// The settings that the program was built with, with every key explained.
pub const SHIPPED: &str = include_str!("../../config/stillstand.toml");

/// Reads the settings: shipped defaults, over them the file, over that the environment.
///
/// A relative path in the file starts at the file's folder; one of the defaults or the
/// environment at the working directory.
///
/// # Errors
/// Every fault of file and environment, with file, line or variable, and key.
pub fn load(
    file: Option<&Path>,
    env: impl Iterator<Item = (String, String)>,
) -> Result<Settings, SettingsError> {
    let text = file.map_or(Ok(String::new()), |file| {
        std::fs::read_to_string(file)
            .map_err(|error| SettingsError::Unreadable { file: file.to_owned(), why: error.to_string() })
    })?;
    let name = file.map_or_else(|| "no settings file".to_owned(), |file| file.display().to_string());
    read(&name, &text, file.and_then(Path::parent), env)
}

/// Reads the settings out of a file's text, as [`load`] does. `name` is the file's, for messages;
/// relative paths that the text sets start at `folder`, if there is one.
///
/// # Errors
/// As [`load`].
pub fn read(
    name: &str,
    text: &str,
    folder: Option<&Path>,
    env: impl Iterator<Item = (String, String)>,
) -> Result<Settings, SettingsError> {
    let (variables, misnamed) = variables(env);
    let mut faults = layers::faults(SHIPPED, layers::File { name, text }, &variables);
    faults.extend(misnamed);
    if !faults.is_empty() {
        return Err(SettingsError::Faults(faults));
    }
    let mut settings = layered(text, &variables).map_err(|error| {
        // The strict look lets nothing through that the layering refuses, as far as we know.
        let (key, what) = ("all layers together".to_owned(), error.to_string());
        SettingsError::Faults(vec![SettingsFault { place: name.to_owned(), key, what }])
    })?;
    if let Some(folder) = folder {
        rebase(&mut settings, folder, |key| {
            let path: Vec<_> = key.split('.').collect();
            layers::says(text, &path) && !variables.iter().any(|variable| variable.path == path)
        });
    }
    Ok(settings)
}

fn layered(text: &str, variables: &[Variable]) -> Result<Settings, config::ConfigError> {
    let source = variables.iter().map(|variable| (variable.layered_name(), variable.value.clone())).collect();
    // Texts stay texts: a station named 0042 must not become 42. Numbers are read from them.
    let environment = Environment::default()
        .prefix("STILLSTAND")
        .prefix_separator("_")
        .separator("__")
        .try_parsing(false)
        .source(Some(source));
    Config::builder()
        .add_source(config::File::from_str(SHIPPED, FileFormat::Toml))
        .add_source(config::File::from_str(text, FileFormat::Toml))
        .add_source(environment)
        .build()?
        .try_deserialize()
}

/// Puts relative paths that the file set under the file's folder.
fn rebase(settings: &mut Settings, folder: &Path, set_by_file: impl Fn(&str) -> bool) {
    let under = |key: &str, path: &mut PathBuf| {
        if set_by_file(key) {
            *path = folder.join(&*path);
        }
    };
    under("station.methods", &mut settings.station.methods);
    under("station.shapes", &mut settings.station.shapes);
    if let Some(folder) = &mut settings.station.equipment {
        under("station.equipment", folder);
    }
    if let Some(folder) = &mut settings.station.solutions {
        under("station.solutions", folder);
    }
    under("journal.path", &mut settings.journal.path);
    if let Some(tls) = &mut settings.web.tls {
        under("web.tls.certificate-file", &mut tls.certificate_file);
        under("web.tls.key-file", &mut tls.key_file);
    }
    if let Some(sign_on) = &mut settings.web.sign_on {
        under("web.sign-on.accounts-file", &mut sign_on.accounts_file);
    }
    if let Some(file) = settings.network.as_mut().and_then(|network| network.password_file.as_mut()) {
        under("network.password-file", file);
    }
}

/// Reads every `*.toml` of a folder as a kind of equipment, in the order of their names.
///
/// # Errors
/// The faults of all files at once, each in a sentence.
pub fn load_equipment(folder: &Path) -> Result<Vec<Kind>, Vec<String>> {
    load_folder("station.equipment", folder, |file, text| {
        equipment::load(file, text).map_err(|faults| faults.iter().map(ToString::to_string).collect())
    })
}

/// Reads every `*.toml` of a folder as a recipe of a solution, in the order of their names.
///
/// # Errors
/// The faults of all files at once, each in a sentence.
pub fn load_solutions(folder: &Path) -> Result<Vec<Recipe>, Vec<String>> {
    load_folder("station.solutions", folder, |file, text| {
        solution::load(file, text).map_err(|faults| faults.iter().map(ToString::to_string).collect())
    })
}

fn load_folder<T>(
    key: &str,
    folder: &Path,
    load: impl Fn(&str, &str) -> Result<T, Vec<String>>,
) -> Result<Vec<T>, Vec<String>> {
    let unreadable = |path: &Path, error: std::io::Error| {
        format!("settings: `{key}`: cannot read {}: {error}", path.display())
    };
    let mut files = std::fs::read_dir(folder)
        .and_then(|entries| entries.map(|entry| Ok(entry?.path())).collect::<std::io::Result<Vec<_>>>())
        .map_err(|error| vec![unreadable(folder, error)])?;
    files.retain(|path| path.extension().is_some_and(|extension| extension == "toml"));
    files.sort();
    let (mut read, mut faults) = (Vec::new(), Vec::new());
    for file in files {
        match std::fs::read_to_string(&file) {
            Ok(text) => match load(&file.display().to_string(), &text) {
                Ok(one) => read.push(one),
                Err(found) => faults.extend(found),
            },
            Err(error) => faults.push(unreadable(&file, error)),
        }
    }
    if read.is_empty() && faults.is_empty() {
        let folder = folder.display();
        faults.push(format!("settings: `{key}`: the folder {folder} holds no file `*.toml`"));
    }
    if faults.is_empty() { Ok(read) } else { Err(faults) }
}

/// Reads every `*.toml` of a folder as a method, in the order of their names.
///
/// # Errors
/// The faults of all files at once; a folder without a method is a fault too.
pub fn load_methods(folder: &Path) -> Result<Vec<Method>, Vec<MethodsFault>> {
    let unreadable = |path: &Path, why: String| MethodsFault::Unreadable { path: path.to_owned(), why };
    let entries = std::fs::read_dir(folder)
        .and_then(Iterator::collect::<std::io::Result<Vec<_>>>)
        .map_err(|error| vec![unreadable(folder, format!("cannot read the folder of methods: {error}"))])?;
    let mut files: Vec<_> = entries
        .into_iter()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "toml"))
        .collect();
    files.sort();
    if files.is_empty() {
        return Err(vec![unreadable(folder, "the folder holds no method file `*.toml`".to_owned())]);
    }
    let read = |file: &PathBuf| match std::fs::read_to_string(file) {
        Ok(text) => method::load(&file.display().to_string(), &text)
            .map_err(|found| found.into_iter().map(MethodsFault::InFile).collect()),
        Err(error) => Err(vec![unreadable(file, format!("cannot read the method file: {error}"))]),
    };
    // A start spends most of its time here, so two cores share it: every other file is the other's.
    let share = |first: usize| files.iter().skip(first).step_by(2).map(read).collect::<Vec<_>>();
    let (even, odd) = std::thread::scope(|scope| {
        let odd = scope.spawn(|| share(1));
        (share(0), odd.join())
    });
    let odd = odd.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
    let (mut methods, mut faults) = (Vec::new(), Vec::<MethodsFault>::new());
    let mut odd = odd.into_iter();
    for one in even {
        for one in [Some(one), odd.next()].into_iter().flatten() {
            match one {
                Ok(method) => methods.push(method),
                Err(found) => faults.extend(found),
            }
        }
    }
    if faults.is_empty() { Ok(methods) } else { Err(faults) }
}
