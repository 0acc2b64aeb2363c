//! What each parser of the station promises of any bytes at all, as functions that a fuzzer calls.
//!
//! Each module is one target: `run` checks its promises on one input and panics where one is
//! broken; `seeds` gives inputs to begin with, made from the shipped files. The promises are
//! checked against something else than the code under test wherever there is something else.

pub mod acts;
pub mod asks;
pub mod frames;
pub mod methods;
pub mod numbers;
pub mod overviews;
pub mod packets;
pub mod registers;
pub mod settings;
pub mod shapes;
pub mod stored;
pub mod story;
pub mod triggers;
pub mod wire;
pub mod worksheet;

use std::path::{Path, PathBuf};

/// The main function of a target.
#[macro_export]
macro_rules! target {
    ($module:ident) => {
        libfuzzer_sys::fuzz_target!(
            init: $crate::write_seeds($crate::$module::seeds),
            |data: &[u8]| $crate::$module::run(data)
        );
    };
}

/// With `FUZZ_SEEDS` set to a folder: writes the target's seeds there and ends.
pub fn write_seeds(seeds: fn() -> Vec<Vec<u8>>) {
    let Some(folder) = std::env::var_os("FUZZ_SEEDS").map(PathBuf::from) else { return };
    std::fs::create_dir_all(&folder).expect("the folder of seeds");
    for (number, seed) in seeds().into_iter().enumerate() {
        std::fs::write(folder.join(format!("seed-{number:03}")), seed).expect("a seed");
    }
    std::process::exit(0);
}

/// A file or folder of the project.
pub fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the project around this folder").join(path)
}

/// Texts of the `*.toml` files of a folder of the project, by file name.
pub fn toml_files(folder: &str) -> Vec<(String, String)> {
    let mut files: Vec<_> = std::fs::read_dir(project(folder))
        .expect("a folder of the project")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .map(|path| {
            let name = path.file_name().expect("a name").to_string_lossy().into_owned();
            (name, std::fs::read_to_string(&path).expect("a readable file"))
        })
        .collect();
    files.sort();
    files
}

/// The same file under the id that the targets load it by.
pub fn renamed(text: &str) -> String {
    let line = text.lines().find(|line| line.starts_with("id = ")).expect("an id");
    text.replacen(line, "id = \"fuzzed\"", 1)
}

/// Without the comments that stand on lines of their own: a fuzzer wastes its time on them.
pub fn bare(text: &str) -> String {
    text.lines().filter(|line| !line.starts_with('#')).map(|line| format!("{line}\n")).collect()
}
