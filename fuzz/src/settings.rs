//! Settings: a file and an environment, every fault with its place and key.

use std::path::Path;
use stillstand::settings::{self, SettingsError};

/// The input is the file; its lines that begin with `env ` are variables, as `env NAME=value`.
pub fn run(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let variable = |line: &str| {
        let (name, value) = line.strip_prefix("env ")?.split_once('=')?;
        Some((name.to_owned(), value.to_owned()))
    };
    let env: Vec<_> = text.lines().filter_map(variable).collect();
    let file: String =
        text.lines().filter(|line| variable(line).is_none()).map(|line| format!("{line}\n")).collect();
    let lines = 1 + file.lines().count();
    match settings::read("lab.toml", &file, Some(Path::new("/etc/bench")), env.clone().into_iter()) {
        Ok(settings) => {
            // What is read again from the same says the same.
            let again = settings::read("lab.toml", &file, Some(Path::new("/etc/bench")), env.into_iter());
            assert_eq!(format!("{:?}", again.expect("as before")), format!("{settings:?}"));
        }
        Err(SettingsError::Unreadable { .. }) => panic!("nothing was to be opened"),
        Err(SettingsError::Faults(faults)) => {
            assert!(!faults.is_empty(), "refused without a reason");
            for fault in faults {
                assert!(!fault.key.is_empty() && !fault.what.is_empty(), "{fault}");
                assert!(fault.key != "all layers together", "found by the layering only: {fault}");
                assert!(fault.place != "shipped defaults", "{fault}");
                if let Some(line) = fault.place.strip_prefix("lab.toml:") {
                    let line: usize = line.parse().expect("a line");
                    assert!((1..=lines).contains(&line), "{fault}");
                }
            }
        }
    }
}

/// The shipped settings, the examples in their comments, and variables.
pub fn seeds() -> Vec<Vec<u8>> {
    let shipped = settings::SHIPPED;
    let set: String =
        shipped.lines().filter(|line| !line.starts_with('#')).map(|l| format!("{l}\n")).collect();
    let from = shipped.find("# [network]").expect("the examples");
    let examples: String = shipped[from..]
        .lines()
        .filter_map(|line| line.strip_prefix("# "))
        .filter(|line| line.starts_with('[') || line.contains(" = "))
        .map(|line| format!("{line}\n"))
        .collect();
    let env = "env STILLSTAND_BENCH__SHAKER_HOLDS=2\nenv STILLSTAND_STATION__ID=0042\n\
               env STILLSTAND_NETWORK__HOST=broker.example\nenv STILLSTAND_TRIGGERS__FOOT__DOES=next\n\
               env STILLSTAND_TRIGGERS__FOOT__GPIO__ACTIVE_LOW=true\n";
    [
        set.clone(),
        examples.clone(),
        format!("{examples}{env}"),
        env.to_owned(),
        "[bench]\nplaces = \"8\"\n".into(),
    ]
    .map(String::into_bytes)
    .to_vec()
}
