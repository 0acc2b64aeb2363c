//! PURE: the shapes that came with the program, so that listening needs no folder of files.

use super::judge::Shapes;
use crate::instruments::protocol::AnyShape;

macro_rules! files {
    ($($name:literal),* $(,)?) => {
        [$(($name, include_str!(concat!("../../../config/instruments/", $name, ".toml")))),*]
    };
}

/// Name and text of each file of `config/instruments`.
const FILES: [(&str, &str); 14] = files![
    "balance-bare-asked",
    "balance-bare-number",
    "balance-comma-header",
    "balance-fixed-columns",
    "balance-framed-checksum",
    "balance-status-words",
    "balance-trailing-mark",
    "balance-unmarked-stream",
    "probe-modbus-float",
    "probe-modbus-input",
    "probe-polled-number",
    "probe-scpi-measure",
    "probe-scpi-read",
    "probe-text-unit",
];

/// The shapes that came with the program.
pub fn shapes() -> Shapes {
    let load = |(name, text): &(&str, &str)| {
        // A shipped file with a fault does not pass the tests; whoever has one all the same loses
        // this shape and no other.
        AnyShape::load(&format!("{name}.toml"), text).ok().map(|shape| (shape.id().to_owned(), shape))
    };
    FILES.iter().filter_map(load).collect()
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::instruments::shapes::shapes_in;
    use std::path::Path;

    #[test]
    fn every_file_of_the_folder_is_here() {
        let folder = shapes_in(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config/instruments")).unwrap();
        let (here, there): (Vec<_>, Vec<_>) = (shapes().into_keys().collect(), folder.into_keys().collect());
        assert_eq!(here, there, "a new file of config/instruments belongs into FILES");
    }
}
