//! Every file under `config` is one that the program can read.

use crate::source::{files, read};
use crate::{none, one};
use std::path::Path;

fn faults(path: &str, text: &str) -> Vec<String> {
    let folder = Path::new(path).parent().map(|p| p.to_string_lossy().into_owned()).unwrap_or_default();
    match folder.as_str() {
        "config" => match stillstand::settings::load(
            Some(&Path::new(env!("CARGO_MANIFEST_DIR")).join(path)),
            std::iter::empty(),
        ) {
            Ok(_) => Vec::new(),
            Err(error) => vec![format!("{path}: {error}")],
        },
        "config/methods" => told(stillstand::domain::method::load(path, text).err()),
        "config/instruments" => told(stillstand::instruments::protocol::AnyShape::load(path, text).err()),
        "config/equipment" => told(stillstand::domain::equipment::load(path, text).err()),
        "config/solutions" => told(stillstand::domain::solution::load(path, text).err()),
        _ => vec![format!("{path}: nothing reads this folder")],
    }
}

fn told<F: std::fmt::Display>(faults: Option<Vec<F>>) -> Vec<String> {
    faults.unwrap_or_default().iter().map(ToString::to_string).collect()
}

#[test]
fn every_file_loads() {
    let paths = files("config", &["toml"]);
    assert!(paths.len() >= 3, "settings and two methods: {paths:?}");
    none(paths.iter().flat_map(|path| faults(path, &read(path))).collect());
}

#[test]
fn a_planted_breach_is_caught() {
    let method = read("config/methods/astm-d2419-mechanical.toml");
    none(faults("config/methods/astm-d2419-mechanical.toml", &method));
    assert!(!faults("config/methods/a.toml", &method.replacen("id =", "idd =", 1)).is_empty());
    one(&faults("config/recipes/a.toml", ""), "nothing reads");
}
