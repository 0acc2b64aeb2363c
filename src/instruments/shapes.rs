//! The folder of shape files.

use super::protocol::{AnyShape, ShapeFault};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Why the folder of shapes cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ShapesError {
    /// The folder or one of its files cannot be read.
    #[error("cannot read {}: {source}", path.display())]
    Unreadable {
        /// The folder or the file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Files with faults, each fault on a line of its own.
    #[error("{}", listed(.0))]
    Faults(Vec<ShapeFault>),
}

fn listed(faults: &[ShapeFault]) -> String {
    faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

/// Reads every `*.toml` of a folder, by name.
///
/// # Errors
/// A folder or file that cannot be read, or all faults of all files.
pub fn shapes_in(folder: &Path) -> Result<BTreeMap<String, AnyShape>, ShapesError> {
    shapes_that(folder, |_| true)
}

/// Reads the shapes of these names only: a station that starts has no use for the others, and a
/// fault in a file that nothing names stops no bench.
///
/// # Errors
/// See [`shapes_in`]. A name without a file is simply absent.
pub fn shapes_named(folder: &Path, names: &[&str]) -> Result<BTreeMap<String, AnyShape>, ShapesError> {
    shapes_that(folder, |path| {
        path.file_stem().is_some_and(|stem| names.iter().any(|name| stem == std::ffi::OsStr::new(name)))
    })
}

fn shapes_that(
    folder: &Path,
    wanted: impl Fn(&Path) -> bool,
) -> Result<BTreeMap<String, AnyShape>, ShapesError> {
    let unreadable = |path: &Path, source| ShapesError::Unreadable { path: path.to_owned(), source };
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(|error| unreadable(folder, error))? {
        let path = entry.map_err(|error| unreadable(folder, error))?.path();
        if path.extension().is_some_and(|extension| extension == "toml") && wanted(&path) {
            files.push(path);
        }
    }
    files.sort();
    let mut shapes = BTreeMap::new();
    let mut faults = Vec::new();
    for path in files {
        let text = std::fs::read_to_string(&path).map_err(|error| unreadable(&path, error))?;
        match AnyShape::load(&path.to_string_lossy(), &text) {
            Ok(shape) => {
                shapes.insert(shape.id().to_owned(), shape);
            }
            Err(more) => faults.extend(more),
        }
    }
    if faults.is_empty() { Ok(shapes) } else { Err(ShapesError::Faults(faults)) }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn the_shipped_folder_holds_six_balances_and_six_probes() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/instruments");
        let shapes = shapes_in(&folder).unwrap_or_else(|error| panic!("{error}"));
        let balances = shapes.keys().filter(|id| id.starts_with("balance-")).count();
        let probes = shapes.keys().filter(|id| id.starts_with("probe-")).count();
        assert!(balances >= 6 && probes >= 6, "{:?}", shapes.keys());
    }

    #[test]
    fn a_missing_folder_is_told_with_its_name() {
        let told = shapes_in(Path::new("/nowhere/shapes")).unwrap_err().to_string();
        assert!(told.starts_with("cannot read /nowhere/shapes: "), "{told}");
    }
}
